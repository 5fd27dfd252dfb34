"""Pictures of a plan without a screen: the master with its seam, undercuts, and the mould taken apart."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from PIL import Image

from ...base.figures import mm, round_step
from ...base.progress import SILENT, Progress
from ...geometry.rays import RayScene, blocked
from ...stages.plan import MouldPlan
from ..look import (
    HAIRLINE,
    SEAM,
    SOFT_INK,
)
from .bodies import Studio, studio_for
from .camera import Camera, look
from .overlay import Overlay
from .studio import photograph

# Way the camera looks, in plan coordinates: the front is at -y and the piece's own left at +x.
VIEWS: dict[str, tuple[tuple[float, float, float], str]] = {
    "front": ((0.0, 1.0, 0.0), "Front"),
    "left": ((-1.0, 0.0, 0.0), "Its left"),
    "back": ((0.0, -1.0, 0.0), "Back"),
    "right": ((1.0, 0.0, 0.0), "Its right"),
    "three_quarter": ((-0.62, 0.72, -0.26), "From its left, in front"),
    "three_quarter_behind": ((0.62, -0.72, -0.26), "From its right, behind"),
}
ELEVATIONS = ("front", "left", "back", "right")


# --- the seam on a picture -------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class SeamView:
    """A picture of the master and the seam over it.

    picture : (height, width, 3) uint8. seen, hidden : polylines, (k, 2) in pixels from the top left corner.
    """

    name: str
    title: str
    picture: np.ndarray
    camera: Camera
    seen: tuple[np.ndarray, ...]
    hidden: tuple[np.ndarray, ...]

    @property
    def seen_share(self) -> float:
        """Share of the seam's drawn length that is in view."""
        seen, hidden = (_drawn_length(lines) for lines in (self.seen, self.hidden))
        return seen / (seen + hidden) if seen + hidden > 0 else 0.0


def _drawn_length(lines: Iterable[np.ndarray]) -> float:
    return float(sum(np.linalg.norm(np.diff(line, axis=0), axis=1).sum() for line in lines))


def seam_in_view(studio: Studio, camera: Camera) -> tuple[tuple[np.ndarray, ...], tuple[np.ndarray, ...]]:
    """The seam as the camera sees it: polylines in view and polylines behind the master, in pixels."""
    seen: list[np.ndarray] = []
    hidden: list[np.ndarray] = []
    for (points, closed), normals in zip(studio.seam_samples, studio.seam_normals):
        behind = hidden_points(studio.scene, points, normals, camera)
        behind = without_flicker(behind, closed, max(3, round(9.0 / camera.px_per_mm / _spacing(points))))
        flat, _ = camera.project(points)
        for start, stop, is_hidden in runs(behind, closed):
            at = np.arange(start, stop + 1) % len(flat)
            (hidden if is_hidden else seen).append(flat[at])
    return tuple(seen), tuple(hidden)


def _spacing(points: np.ndarray) -> float:
    return max(float(np.linalg.norm(np.diff(points, axis=0), axis=1).mean()), 1e-6) if len(points) > 1 else 1.0


def hidden_points(scene: RayScene, points_mm: np.ndarray, normals: np.ndarray, camera: Camera) -> np.ndarray:
    """(k,) bool: does the master stand between each surface point and the camera?

    Rays start a thousandth of the scene off the surface, so that the facets around a point do not hide it.
    """
    sight = camera.towards_eye(points_mm)
    lift = scene.lift_mm * 700
    away = points_mm + lift * (normals + sight)
    turned_away = np.einsum("ij,ij->i", normals, sight) < -0.12
    return turned_away | blocked(scene, away, normals, sight)


def without_flicker(flags: np.ndarray, closed: bool, least: int) -> np.ndarray:
    """The flags with runs shorter than `least` given to what stands around them."""
    flags = flags.copy()
    for _ in range(3):
        parts = runs(flags, closed)
        short = [p for p in parts if p[1] - p[0] < least]
        if not short or len(parts) == 1:
            break
        for start, stop, value in short:
            flags[np.arange(start, stop) % len(flags)] = not value
    return flags


def runs(flags: np.ndarray, closed: bool) -> list[tuple[int, int, bool]]:
    """(start, stop, value) of equal flags in a row; stop may run past the end of a closed line. Every run but the
    last of an open line reaches to the first point of the next, so that drawn lines meet."""
    count = len(flags)
    change = [int(k) for k in np.flatnonzero(flags[1:] != flags[:-1]) + 1]
    if closed and flags[0] == flags[-1] and len(change):
        starts = change
        stops = [*change[1:], change[0] + count]
    else:
        starts = [0, *change]
        stops = [*change, count if closed else count - 1]
    return [(a, b, bool(flags[a % count])) for a, b in zip(starts, stops)]


def elevation_camera(plan: MouldPlan, name: str, width_px: int, height_px: int, margin: float = 0.07) -> Camera:
    """Parallel camera of one of `ELEVATIONS`; all four share one scale, and stand on one ground line."""
    vertices = plan.master.vertices_mm
    cameras = [look(VIEWS[k][0], vertices, width_px, height_px, parallel=True, margin=margin) for k in ELEVATIONS]
    half_height = max(camera.half_height_mm for camera in cameras)
    return replace(cameras[ELEVATIONS.index(name)], half_height_mm=half_height)


def camera_for(plan: MouldPlan, name: str, width_px: int, height_px: int) -> Camera:
    """The camera of one of `VIEWS`."""
    if name in ELEVATIONS:
        return elevation_camera(plan, name, width_px, height_px)
    return look(VIEWS[name][0], plan.master.vertices_mm, width_px, height_px, margin=0.08)


def lowered(camera: Camera, share: float) -> Camera:
    """The camera with its subject moved down by a share of the picture's height, and as much smaller."""
    half = camera.half_height_mm * (1 + share)
    target = camera.target_mm + 2 * share * half * camera.axes[1]
    distance = camera.distance_mm * (1 + share)
    return replace(camera, half_height_mm=half, target_mm=target, distance_mm=distance)


def with_room_below(camera: Camera, room_px: int) -> Camera:
    """The camera with its picture longer by `room_px` at the foot, all else where it was."""
    tall = camera.height_px + room_px
    half = camera.half_height_mm * tall / camera.height_px
    shift = room_px / 2 / camera.px_per_mm
    moved = replace(camera, height_px=tall, half_height_mm=half, target_mm=camera.target_mm - shift * camera.axes[1])
    return moved


def seam_view(
    plan: MouldPlan, name: str, width_px: int, height_px: int, progress: Progress = SILENT, renderer: str = "auto"
) -> SeamView:
    """The master from one of `VIEWS` with its seam, seen and hidden, in pixels. Raises KeyError for another name."""
    studio = studio_for(plan, progress)
    camera = camera_for(plan, name, width_px, height_px)
    picture = photograph(studio.plain, camera, floor=name not in ELEVATIONS, renderer=renderer)
    seen, hidden = seam_in_view(studio, camera)
    return SeamView(name, VIEWS[name][1], picture, camera, seen, hidden)


# --- lines and letters -----------------------------------------------------------------------------------


def draw_seam(over: Overlay, seen: Sequence[np.ndarray], hidden: Sequence[np.ndarray], scale: float = 1.0) -> None:
    """Hidden parts thin and dashed, then the parts in view over them."""
    for line in hidden:
        over.line(line, SEAM, 1.5 * scale, dash=(8.0 * scale, 7.0 * scale))
    for line in seen:
        over.line(line, SEAM, 3.2 * scale)


def _seam_key(over: Overlay, x: float, y: float) -> None:
    over.line(np.array([[x, y], [x + 44, y]]), SEAM, 3.2)
    over.text(x + 54, y, "seam in view", 19, colour=SOFT_INK, anchor="lm")
    x += 54 + over.width_of("seam in view", 19) + 30
    over.line(np.array([[x, y], [x + 44, y]]), SEAM, 1.5, dash=(8, 7))
    over.text(x + 54, y, "seam behind", 19, colour=SOFT_INK, anchor="lm")


def _ground_line(over: Overlay, camera: Camera) -> None:
    ground, _ = camera.project(np.array([[0.0, 0.0, 0.0]]))
    y = float(ground[0, 1])
    over.line(np.array([[0.06 * camera.width_px, y], [0.94 * camera.width_px, y]]), HAIRLINE, 2.0)


def _scale_bar(over: Overlay, camera: Camera, x: float, y: float) -> None:
    length = round_step(0.25 * camera.width_px / camera.px_per_mm, 1)
    length = length if length * camera.px_per_mm < 0.4 * camera.width_px else length / 2
    px = length * camera.px_per_mm
    for end in (x - px, x):
        over.line(np.array([[end, y - 5], [end, y + 5]]), SOFT_INK, 1.4)
    over.line(np.array([[x - px, y], [x, y]]), SOFT_INK, 1.4)
    over.text(x - px / 2, y - 9, mm(length), 18, colour=SOFT_INK, anchor="ms")


def picture_of_view(plan: MouldPlan, name: str, progress: Progress, renderer: str) -> Image.Image:
    view = seam_view(plan, name, 1100, 1400, progress, renderer)
    over = Overlay(view.picture)
    width, height = over.size
    if name in ELEVATIONS:
        _ground_line(over, view.camera)
    draw_seam(over, view.seen, view.hidden)
    over.text(48, 70, view.title, 34, "strong")
    _seam_key(over, 48, height - 50)
    if name in ELEVATIONS:
        _scale_bar(over, view.camera, width - 48, height - 46)
    return over.finished()


def seam_portrait(plan: MouldPlan, width_px: int, height_px: int, progress: Progress = SILENT) -> Image.Image:
    """The three-quarter view with its seam and no lettering."""
    view = seam_view(plan, "three_quarter", width_px, height_px, progress)
    over = Overlay(view.picture)
    draw_seam(over, view.seen, view.hidden, width_px / 1100)
    return over.finished()


def seam_jpeg(plan: MouldPlan, width_px: int, height_px: int) -> bytes:
    """`seam_portrait` as a JPEG, to be set into a page."""
    held = io.BytesIO()
    seam_portrait(plan, width_px, height_px).save(held, "JPEG", quality=84)
    return held.getvalue()
