"""Pictures of a plan without a screen: the master with its seam, where it locks, and the mould taken apart."""

from __future__ import annotations

import io
import weakref
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import shapely
from PIL import Image, ImageDraw, ImageFont
from scipy.spatial import cKDTree

from ...base.figures import cm2, kg, mm, percent, round_step
from ...base.files import make_folder, write_whole
from ...base.progress import SILENT, Progress
from ...geometry.facets import nearest_values
from ...geometry.frame import unit
from ...geometry.heightmap import outline
from ...geometry.polyline import spaced_out
from ...geometry.rays import RayScene, blocked, ray_scene
from ...solids.ribs import ribs_of
from ...solids.shapes import (
    Body,
    body_of,
    clustered,
    evened,
    fewer_faces,
    glove_mesh,
    halved,
    jacket_mesh,
    joined,
    key_mesh,
    lock_share,
    pin,
)
from ...stages.jacket.layup import laid_as_flange
from ...stages.jacket.record import JacketPiece
from ...stages.plan import MouldPlan
from ...stages.rubber.record import Envelope
from ..look import (
    BOLT,
    GLOVE,
    HAIRLINE,
    INK,
    JACKET,
    KEY,
    PATCH,
    PLASTER,
    RIB,
    SEAM,
    SOFT_INK,
    font_path,
    lock_colours,
    rgb,
)
from .studio import Baked, Camera, look, photograph, set_up

MOST_DRAWN = 1_500_000  # faces of a master drawn as it is; finer ones are thinned to this for the picture
MOST_GLOVE_PIXELS = 70_000
MOST_RIB_FACES = 1_500
MOST_LIGHT_FACES = 100_000  # of the master, to cut the gloves with and to stand beside them
LOCKS_NAMED = 5
_APART_WIDTH_PX = 1600
_LABEL = 32  # letters in the picture of the mould taken apart, which is printed small
_FINE = 3  # lines and letters are drawn this much finer and averaged down

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


# --- what is drawn, kept while the plan lives ------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Studio:
    """The master ready to be photographed, and what its seam is hidden by."""

    plain: Baked
    scene: RayScene  # of the whole master, not the thinned one
    seam_normals: tuple[np.ndarray, ...]  # by seam line, at its samples
    seam_samples: tuple[tuple[np.ndarray, bool], ...]


MeshPair = tuple[np.ndarray, np.ndarray]  # vertices (n, 3) in mm and faces (m, 3)


@dataclass(frozen=True, eq=False)
class MouldMeshes:
    """Glove, keys, jacket, its ribs' cores and bolts of every piece as plain meshes where they sit, by piece.

    fine_mm : pixel of the map that each piece was drawn from.
    """

    gloves: tuple[MeshPair, ...]
    keys: tuple[MeshPair, ...]
    jackets: tuple[MeshPair, ...]
    ribs: tuple[MeshPair, ...]
    bolts: tuple[MeshPair, ...]
    fine_mm: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class MouldBodies:
    """The same as bodies to photograph."""

    gloves: tuple[Body, ...]
    keys: tuple[Body, ...]
    jackets: tuple[Body, ...]  # patches in a colour of their own
    ribs: tuple[Body, ...]
    bolts: tuple[Body, ...]


_studios: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()
_light_masters: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()
_lock_photos: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()
_mould_meshes: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()
_mould_bodies: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()
_apart_photos: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()


def kept(store: weakref.WeakKeyDictionary, owner: object, make: Callable[[], object]):
    """What was made for this owner before, or make it; gone when the owner is."""
    found = store.get(owner)
    if found is None:
        found = make()
        store[owner] = found
    return found


def studio_for(plan: MouldPlan, progress: Progress = SILENT) -> Studio:
    """The studio of a plan's master; set up once for each seam."""
    return kept(_studios, plan.seam, lambda: _set_up_studio(plan, progress))


def _set_up_studio(plan: MouldPlan, progress: Progress) -> Studio:
    master = plan.master
    vertices, faces = master.vertices_mm, master.faces
    if len(faces) > MOST_DRAWN:
        vertices, faces = clustered(vertices, faces, MOST_DRAWN)
    plain = set_up([body_of("master", vertices, faces, rgb(PLASTER))], progress)
    step = max(1.0, master.height_mm / 700)
    samples = tuple((spaced_out(line.points_mm, line.closed, step), line.closed) for line in plan.seam.lines)
    tree = cKDTree(plain.vertices_mm)
    normals = tuple(plain.normals[tree.query(points)[1]] for points, _ in samples)
    return Studio(plain, ray_scene(master.vertices_mm, master.faces), normals, samples)


def mould_meshes(plan: MouldPlan, progress: Progress = SILENT) -> MouldMeshes:
    """Glove and jacket of every piece as meshes to look at; made once for each plan's jacket."""
    return kept(_mould_meshes, plan.jacket, lambda: _make_mould_meshes(plan, progress))


def light_master(plan: MouldPlan) -> MeshPair:
    """The master with at most about `MOST_LIGHT_FACES`."""
    master = plan.master
    return kept(_light_masters, master, lambda: fewer_faces(master.vertices_mm, master.faces, MOST_LIGHT_FACES))


def _make_mould_meshes(plan: MouldPlan, progress: Progress) -> MouldMeshes:
    cut = light_master(plan)
    gloves, keys, jackets, ribs, bolts, fine = [], [], [], [], [], []
    for envelope, piece in zip(plan.rubber.envelopes, plan.jacket.pieces):
        progress.step(0.1, f"glove and jacket, {envelope.name}")
        drawn = halved(envelope, MOST_GLOVE_PIXELS)
        own = [key for key in plan.keys.keys if key.piece == envelope.piece]
        thickness = max(zone.thickness_mm for zone in piece.zones)
        gloves.append(glove_mesh(drawn, cut))
        keys.append(joined(key_mesh(envelope, key) for key in own))
        jackets.append(jacket_mesh(drawn, own, thickness))
        cores = [s for s in ribs_of(piece, envelope, plan.keys, plan.rubber) if s.kind == "rib core"]
        ribs.append(joined(fewer_faces(core.vertices_mm, core.faces, MOST_RIB_FACES) for core in cores))
        length = 2.0 * (plan.rubber.flange_thickness_mm + thickness) + 24.0
        bolts.append(joined(pin(np.asarray(p), envelope.frame.pull, 7.0, length) for p in piece.bolts_mm))
        fine.append(drawn.pixel_mm)
    return MouldMeshes(tuple(gloves), tuple(keys), tuple(jackets), tuple(ribs), tuple(bolts), tuple(fine))


def mould_bodies(plan: MouldPlan, progress: Progress = SILENT) -> MouldBodies:
    """Glove and jacket of every piece as bodies to photograph; made once for each plan's jacket."""
    return kept(_mould_bodies, plan.jacket, lambda: _make_mould_bodies(plan, progress))


def _make_mould_bodies(plan: MouldPlan, progress: Progress) -> MouldBodies:
    meshes = mould_meshes(plan, progress)

    names = [envelope.name for envelope in plan.rubber.envelopes]
    evened_out = [
        [evened(*mesh, 0.12 * fine, 3.0 * fine) for mesh, fine in zip(some, meshes.fine_mm)]
        for some in (meshes.gloves, meshes.jackets)
    ]
    gloves = [
        body_of(f"glove, {name}", *mesh, rgb(GLOVE), coarse_mm=fine)
        for name, mesh, fine in zip(names, evened_out[0], meshes.fine_mm)
    ]
    jackets = [jacket_body(plan, at, mesh, fine) for at, (mesh, fine) in enumerate(zip(evened_out[1], meshes.fine_mm))]

    def plain(what: str, some: Sequence[MeshPair], colour: str) -> tuple[Body, ...]:
        return tuple(body_of(f"{what}, {name}", *mesh, rgb(colour)) for name, mesh in zip(names, some))

    return MouldBodies(
        tuple(gloves), plain("keys", meshes.keys, KEY), tuple(jackets), plain("ribs", meshes.ribs, RIB),
        plain("bolts", meshes.bolts, BOLT),
    )  # fmt: skip


def jacket_body(plan: MouldPlan, at: int, mesh: MeshPair, coarse_mm: float = 0.0) -> Body:
    """A jacket piece's mesh as a body, cut where its patches end and each side in its own colour."""
    piece, envelope = plan.jacket.pieces[at], plan.rubber.envelopes[at]
    parts = _cut_at_patches(mesh, piece, envelope) if piece.patches else [mesh]
    colours = [np.tile(rgb(colour), (len(part[0]), 1)) for part, colour in zip(parts, (JACKET, PATCH))]
    return body_of(f"jacket, {piece.name}", *joined(parts), np.concatenate(colours), coarse_mm=coarse_mm)


def _cut_at_patches(mesh: MeshPair, piece: JacketPiece, envelope: Envelope) -> list[MeshPair]:
    """The mesh without its patches, and the patches; alone and whole where it is no manifold."""
    import manifold3d

    vertices, faces = mesh
    solid = manifold3d.Manifold(manifold3d.Mesh64(vertices.astype(np.float64), faces.astype(np.uint64)))
    if solid.status() != manifold3d.Error.NoError:
        return [mesh]
    balls = [manifold3d.Manifold.sphere(p.radius_mm, 96).translate(p.centre_mm) for p in piece.patches]
    flange = outline(laid_as_flange(piece, envelope), envelope.origin_mm, envelope.pixel_mm)
    rings = [r for part in shapely.get_parts(flange) for r in (part.exterior, *part.interiors)]
    high = 2.0 * float(np.linalg.norm(np.ptp(vertices, axis=0)))
    flat = manifold3d.CrossSection([np.array(ring.coords)[:-1] for ring in rings], manifold3d.FillRule.EvenOdd)
    over = flat.extrude(high).translate((0.0, 0.0, -high / 2.0))
    over = over.transform(np.column_stack([envelope.frame.axes.T, np.zeros(3)]))
    there, rest = solid.split(manifold3d.Manifold.batch_boolean(balls, manifold3d.OpType.Add) - over)
    made = [part.to_mesh64() for part in (rest, there)]
    return [(np.array(m.vert_properties[:, :3], float), np.array(m.tri_verts, np.int32)) for m in made]


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


class Overlay:
    """Lines and letters over a picture, drawn finer and averaged down. All measures are the picture's pixels."""

    def __init__(self, picture: np.ndarray) -> None:
        self._picture = Image.fromarray(picture).convert("RGB")
        size = (self._picture.width * _FINE, self._picture.height * _FINE)
        self._layer = Image.new("RGBA", size, (0, 0, 0, 0))
        self._draw = ImageDraw.Draw(self._layer)

    @property
    def size(self) -> tuple[int, int]:
        return self._picture.width, self._picture.height

    def line(self, points: np.ndarray, colour: str, width: float, dash: tuple[float, float] | None = None) -> None:
        """A polyline through (k, 2) points; dash is the length drawn and the length left out."""
        for part in dashes(np.asarray(points, float), dash) if dash else [np.asarray(points, float)]:
            at = [tuple(p) for p in part * _FINE]
            if len(at) > 1:
                self._draw.line(at, fill=colour, width=max(1, round(width * _FINE)), joint="curve")
                self._round_ends(at, colour, width)

    def _round_ends(self, at: list[tuple], colour: str, width: float) -> None:
        r = width * _FINE / 2
        if r >= 1:
            for x, y in (at[0], at[-1]):
                self._draw.ellipse((x - r, y - r, x + r, y + r), fill=colour)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size: float,
        weight: str = "regular",
        colour: str = INK,
        anchor="ls",
        clear: bool = False,
    ) -> None:
        """Words with the anchor (PIL's two letters: left middle right, ascender middle baseline) at x, y.

        clear : what was drawn over the picture there before is taken away, so that no line runs through them.
        """
        if clear:
            box = self._draw.textbbox((x * _FINE, y * _FINE), words, font=_font(weight, size), anchor=anchor)
            edge = np.array([-1, -1, 1, 1]) * 0.25 * size * _FINE
            self._draw.rectangle(tuple(np.array(box) + edge), fill=(0, 0, 0, 0))
        self._draw.text((x * _FINE, y * _FINE), words, font=_font(weight, size), fill=colour, anchor=anchor)

    def width_of(self, words: str, size: float, weight: str = "regular") -> float:
        return float(_font(weight, size).getlength(words)) / _FINE

    def box(self, x0: float, y0: float, x1: float, y1: float, colour: str) -> None:
        self._draw.rectangle([v * _FINE for v in (x0, y0, x1, y1)], fill=colour)

    def badge(self, x: float, y: float, words: str, size: float = 15) -> None:
        """A numbered dot."""
        r = size * 0.78 * _FINE
        cx, cy = x * _FINE, y * _FINE
        self._draw.ellipse((cx - r, cy - r, cx + r, cy + r), fill=INK, outline="white", width=round(1.6 * _FINE))
        self._draw.text((cx, cy), words, font=_font("strong", size), fill="white", anchor="mm")

    def ramp(self, x: float, y: float, width: float, height: float, colours: np.ndarray) -> None:
        """A bar of (k, 3) sRGB colours from left to right."""
        strip = Image.fromarray(np.rint(colours[None] * 255).astype(np.uint8))
        strip = strip.resize((round(width * _FINE), round(height * _FINE)), Image.Resampling.BILINEAR)
        self._layer.paste(strip, (round(x * _FINE), round(y * _FINE)))

    def finished(self) -> Image.Image:
        """The picture with what was drawn on it."""
        layer = self._layer.convert("RGBa").resize(self.size, Image.Resampling.BOX).convert("RGBA")
        return Image.alpha_composite(self._picture.convert("RGBA"), layer).convert("RGB")


def _font(weight: str, size: float) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(font_path(weight)), round(size * _FINE))


def dashes(points: np.ndarray, pattern: tuple[float, float]) -> list[np.ndarray]:
    """A polyline cut into dashes by arc length, corners kept: list of (k, 2) parts."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    keep = np.concatenate([[True], np.diff(along) > 0])
    points, along = points[keep], along[keep]
    if len(points) < 2:
        return []
    on, off = pattern
    parts = []
    for start in np.arange(0.0, along[-1], on + off):
        stop = min(start + on, along[-1])
        inner = (along > start) & (along < stop)
        ends = [[np.interp(at, along, points[:, k]) for k in range(2)] for at in (start, stop)]
        parts.append(np.concatenate([ends[:1], points[inner], ends[1:]]))
    return parts


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


def _picture_of_view(plan: MouldPlan, name: str, progress: Progress, renderer: str) -> Image.Image:
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


# --- where it locks --------------------------------------------------------------------------------------


def lock_scale_end_mm(plan: MouldPlan) -> float:
    """Round end of the lock scale: four steps that reach the deepest lock."""
    deepest = float(np.max(plan.locks.depth_mm, initial=0.0))
    return 4.0 * round_step(max(deepest, 8.0), 4)


def lock_map_body(plan: MouldPlan) -> Body:
    """The master coloured by how deep each place locks its own piece of the mould."""
    share = lock_share(plan.master, plan.locks.depth_mm, lock_scale_end_mm(plan))
    vertices, faces = plan.master.vertices_mm, plan.master.faces
    if len(faces) > MOST_DRAWN:
        thin, faces = clustered(vertices, faces, MOST_DRAWN)
        share = nearest_values(thin, vertices, share)
        vertices = thin
    return body_of("master", vertices, faces, lock_colours(share))


def _lock_map_scene(plan: MouldPlan, progress: Progress) -> Baked:
    """The studio's scene with the lock colours on: the light is the same, so it is not reckoned again."""
    plain = studio_for(plan, progress).plain
    body = lock_map_body(plan)
    if len(body.vertices_mm) != len(plain.vertices_mm):
        return set_up([body], progress)
    return replace(plain, bodies=(body,), colours=body.colours)


def _badge_place(plan: MouldPlan, region, camera: Camera) -> np.ndarray | None:
    """Pixel on the visible face of a lock that lies nearest to its middle; None where none is in view."""
    master = plan.master
    faces = region.faces[:: max(1, len(region.faces) // 400)]
    if not len(faces):
        return None
    centre = master.vertices_mm[master.faces[faces]].mean(axis=1)
    hidden = hidden_points(studio_for(plan).scene, centre, master.normals[faces], camera)
    if hidden.all():
        return None
    inside = centre[~hidden]
    nearest = np.argmin(np.linalg.norm(inside - np.asarray(region.centre_mm), axis=1))
    return camera.project(inside[nearest : nearest + 1])[0][0]


def lock_picture(
    plan: MouldPlan, progress: Progress = SILENT, renderer: str = "auto", titled: bool = True
) -> Image.Image:
    """Where it locks, from two sides, with the scale and the worst places named."""
    wide, cameras = kept(_lock_photos, plan.locks, lambda: _photograph_locks(plan, progress, renderer))
    panel, height = cameras[0].width_px, cameras[0].height_px
    blank = np.broadcast_to(wide[:1, :1], (290, wide.shape[1], 3))
    over = Overlay(np.concatenate([wide, blank]))
    named = plan.locks.regions[:LOCKS_NAMED]
    for at, camera in enumerate(cameras):
        for line in seam_in_view(studio_for(plan), camera)[0]:
            over.line(line + (at * panel, 0), "white", 5.0)
            over.line(line + (at * panel, 0), INK, 2.0)
    for at, (camera, name) in enumerate(zip(cameras, _LOCK_VIEWS)):
        for count, region in enumerate(named, 1):
            place = _badge_place(plan, region, camera)
            if place is not None:
                over.badge(place[0] + at * panel, place[1], str(count), 19)
        over.text(48 + at * panel, height + 6, VIEWS[name][1], 24, colour=SOFT_INK, anchor="lm")
    if titled:
        over.text(48, 70, "Where it locks", 34, "strong")
    over.text(48, 110, "depth of the lock across the pull of the piece that covers it", 25, colour=SOFT_INK)
    _lock_legend(plan, over, 48, height + 60)
    _lock_list(over, named, 830, height + 44)
    return over.finished()


_LOCK_VIEWS = ("three_quarter", "three_quarter_behind")


def _photograph_locks(plan: MouldPlan, progress: Progress, renderer: str) -> tuple[np.ndarray, list[Camera]]:
    scene = _lock_map_scene(plan, progress)
    cameras = [lowered(camera_for(plan, name, 950, 1220), 0.045) for name in _LOCK_VIEWS]
    return np.concatenate([photograph(scene, camera, renderer=renderer) for camera in cameras], axis=1), cameras


def _lock_legend(plan: MouldPlan, over: Overlay, x: float, y: float, width: float = 640) -> None:
    end = lock_scale_end_mm(plan)
    over.ramp(x, y, width, 24, lock_colours(np.linspace(0, 1, 256)))
    for k in range(5):
        at = x + width * k / 4
        over.line(np.array([[at, y + 24], [at, y + 31]]), SOFT_INK, 1.4)
        depth = end * (k / 4) ** 2  # the scale goes by the root
        words = "free" if k == 0 else f"{depth:.3g}" + (" mm" if k == 4 else "")
        over.text(at, y + 38, words, 24, colour=INK, anchor="la" if k == 0 else "ma")
    allowed = percent(plan.locks.stretch_allowed)
    words = f"Rubber is asked to stretch {percent(plan.locks.worst_stretch)} at most; {allowed} is allowed."
    over.text(x, y + 92, words, 24, colour=SOFT_INK, anchor="la")
    over.line(np.array([[x, y + 150], [x + 44, y + 150]]), INK, 2.0)
    over.text(x + 54, y + 150, "seam", 24, colour=SOFT_INK, anchor="lm")


def _lock_list(over: Overlay, named: Sequence, x: float, y: float) -> None:
    if not named:
        over.text(x, y + 20, "Nothing locks: every place comes free along its piece's pull.", 24, anchor="lm")
    room = over.size[0] - x - 60
    for at, region in enumerate(named):
        line = y + 16 + 46 * at
        over.badge(x + 12, line, str(at + 1), 19)
        words = f"{region.name}: {cm2(region.area_mm2)}, {mm(region.depth_mm)} deep, stretch {percent(region.stretch)}"
        over.text(x + 46, line, _cut_to(over, words, room - 46, 24), 24, anchor="lm")


def _cut_to(over: Overlay, words: str, room: float, size: float) -> str:
    if over.width_of(words, size) <= room:
        return words
    while words and over.width_of(words + "…", size) > room:
        words = words[:-1]
    return words + "…"


# --- the mould taken apart -------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Apart:
    """Bodies moved apart along their pulls, and a label with the body it belongs to."""

    bodies: tuple[Body, ...]
    labels: tuple[tuple[str, str, Body], ...]


def taken_apart(plan: MouldPlan, progress: Progress = SILENT) -> Apart:
    """The master in the middle, each glove piece off it, each jacket piece off the glove, bolts drawn out."""
    parts = mould_bodies(plan, progress)
    vertices, faces = light_master(plan)
    bodies = [body_of("master", vertices, faces, rgb(PLASTER))]
    labels: list[tuple[str, str, Body]] = [("master", f"{mm(plan.master.height_mm)} tall", bodies[0])]
    for at, (glove, jacket, bolts) in enumerate(zip(parts.gloves, parts.jackets, parts.bolts)):
        tabs = parts.keys[at]
        pull = unit(plan.rubber.envelopes[at].frame.pull)
        first = apart_steps_mm(plan, at)
        off = glove.moved(first[0] * pull)
        out = jacket.moved(first[1] * pull)
        bodies += [off, out]
        if len(parts.ribs[at].vertices_mm):
            bodies.append(parts.ribs[at].moved(first[1] * pull))
        if len(tabs.vertices_mm):
            bodies.append(tabs.moved(first[0] * pull))
        piece = plan.jacket.pieces[at]
        labels += [(glove.name, kg(piece.rubber_mass_kg), off), (jacket.name, kg(piece.mass_kg), out)]
        if at == 0 and len(bolts.vertices_mm):
            bodies.append(bolts.moved(first[2] * pull))
    return Apart(tuple(bodies), tuple(labels))


def apart_steps_mm(plan: MouldPlan, at: int) -> tuple[float, float, float]:
    """How far piece `at` moves along its pull: its glove, its jacket, its bolts."""
    envelope = plan.rubber.envelopes[at]
    deep = float(
        np.nanmax(envelope.outer_mm) - np.nanmin(np.where(np.isfinite(envelope.outer_mm), envelope.parting_mm, np.nan))
    )
    return 1.3 * deep, 2.6 * deep, 3.3 * deep


def _apart_way(plan: MouldPlan) -> np.ndarray:
    """Way to look so that the pull runs across the picture and a little towards the eye."""
    pull = unit(plan.rubber.envelopes[0].frame.pull)
    flat = np.array([pull[0], pull[1], 0.0])
    if np.linalg.norm(flat) < 0.5:  # a lid: the pull runs up the picture
        return np.array([-0.45, 0.85, -0.22])
    flat = unit(flat)
    ahead = np.array([-flat[1], flat[0], 0.0])
    ahead = ahead if ahead[1] >= 0 else -ahead  # look from the front, or from a side when the pull runs front to back
    return unit(ahead - 0.42 * flat) + np.array([0.0, 0.0, -0.30])


def apart_picture(plan: MouldPlan, progress: Progress = SILENT, renderer: str = "auto") -> Image.Image:
    """The mould taken apart along its pull, each part with its name and mass."""
    apart, camera, picture = kept(_apart_photos, plan.jacket, lambda: _photograph_apart(plan, progress, renderer))
    over = Overlay(picture)
    if _stacked(plan):
        _label_beside(over, apart, camera)
    else:
        _label_below(over, apart, camera)
    _shell_key(over, plan)
    return over.finished()


def _shell_key(over: Overlay, plan: MouldPlan) -> None:
    """What the colours on the jackets mean, where there are any."""
    pieces = plan.jacket.pieces
    signs = [
        (PATCH, "laid heavier", any(p.patches for p in pieces)),
        (RIB, "rib, its core", any(p.ribs for p in pieces)),
    ]
    y, size = 1.2 * _LABEL, 0.8 * _LABEL
    for colour, words, there in signs:
        if there:
            over.box(_LABEL, y, _LABEL + size, y + size, colour)
            over.text(_LABEL + 1.4 * size, y + size / 2, words, 0.95 * _LABEL, colour=SOFT_INK, anchor="lm")
            y += 1.5 * _LABEL


def _stacked(plan: MouldPlan) -> bool:
    """Do the pieces come off upwards and downwards?"""
    return abs(float(unit(plan.rubber.envelopes[0].frame.pull)[2])) > 0.8


def _photograph_apart(plan: MouldPlan, progress: Progress, renderer: str) -> tuple[Apart, Camera, np.ndarray]:
    apart = taken_apart(plan, progress)
    baked = set_up(apart.bodies, progress)
    way, points, width = _apart_way(plan), baked.vertices_mm, _APART_WIDTH_PX
    spread = np.ptp(points @ look(way, points, 100, 100, parallel=True).axes.T, axis=0)
    height = int(np.clip(width * spread[1] / spread[0] * 1.02, 0.4 * width, 1.05 * width))
    camera = look(way, points, width, height, margin=0.075)
    if not _stacked(plan):
        rows = _label_places(apart, camera)[1]
        camera = with_room_below(camera, round((1.7 + 2.9 * max(rows, default=0)) * _LABEL))
    return apart, camera, photograph(baked, camera, renderer=renderer)


def _label_below(over: Overlay, apart: Apart, camera: Camera) -> None:
    foot, rows = _label_places(apart, camera)
    bases = [over.size[1] - 1.8 * _LABEL - 2.9 * _LABEL * row for row in rows]
    # lines first: where one runs through the words of another row, the words break it
    for (x, y), base in zip(foot, bases):
        over.line(np.array([[x, min(y + 14, base - 1.4 * _LABEL)], [x, base - 1.2 * _LABEL]]), SOFT_INK, 1.2)
    for (name, figure, _), (x, _), base in zip(apart.labels, foot, bases):
        over.text(x, base, name, _LABEL, "strong", anchor="ms", clear=True)
        over.text(x, base + 1.25 * _LABEL, figure, 0.95 * _LABEL, colour=SOFT_INK, anchor="ms", clear=True)


def _label_beside(over: Overlay, apart: Apart, camera: Camera) -> None:
    """Labels in a column to the right, for parts that stand over one another."""
    edge = over.size[0] - 1.2 * _LABEL
    taken = -np.inf
    for name, figure, body in sorted(apart.labels, key=lambda label: -float(label[2].vertices_mm[:, 2].mean())):
        flat, _ = camera.project(body.vertices_mm)
        y = max(float((flat[:, 1].min() + flat[:, 1].max()) / 2), taken + 3.0 * _LABEL)
        taken = y
        width = over.width_of(name, _LABEL, "strong")
        over.line(np.array([[flat[:, 0].max() + 14, y], [edge - width - 14, y]]), SOFT_INK, 1.2)
        over.text(edge, y + 0.32 * _LABEL, name, _LABEL, "strong", anchor="rs")
        over.text(edge, y + 1.5 * _LABEL, figure, 0.95 * _LABEL, colour=SOFT_INK, anchor="rs")


def _label_places(apart: Apart, camera: Camera) -> tuple[list[tuple[float, float]], list[int]]:
    """Where each label's line begins, and the row it stands in."""
    foot = [_label_foot(camera, body) for _, _, body in apart.labels]
    pen = Overlay(np.zeros((8, 8, 3), np.uint8))
    widths = [pen.width_of(name, _LABEL, "strong") for name, _, _ in apart.labels]
    return foot, _rows([x for x, _ in foot], widths)


def _label_foot(camera: Camera, body: Body) -> tuple[float, float]:
    """Middle of a body across the picture, and its lowest point in that column."""
    flat, _ = camera.project(body.vertices_mm)
    x = float((flat[:, 0].min() + flat[:, 0].max()) / 2)
    near = np.abs(flat[:, 0] - x) < 12
    return x, float((flat[near] if near.any() else flat)[:, 1].max())


def _rows(x: Sequence[float], width: Sequence[float], gap: float = 24.0) -> list[int]:
    """A row for each label so that no two in a row run into one another."""
    order = np.argsort(x)
    row = [0] * len(x)
    ends: list[float] = []
    for at in order:
        left, right = x[at] - width[at] / 2, x[at] + width[at] / 2
        free = next((k for k, end in enumerate(ends) if end + gap <= left), len(ends))
        if free == len(ends):
            ends.append(right)
        ends[free] = right
        row[at] = free
    return row


# --- all of them -----------------------------------------------------------------------------------------


def save_png(path: Path, image: Image.Image) -> Path:
    """Write a PNG whole or not at all. Raises `OutputRefused`."""
    return write_whole(path, lambda handle: image.save(handle, "PNG", compress_level=4))


def draw_pictures(
    plan: MouldPlan, folder: str | Path, progress: Progress = SILENT, renderer: str = "auto"
) -> tuple[Path, ...]:
    """Draw every picture of the plan into `folder` as PNG files and return their paths.

    Five views of the master with its seam (`front.png` and so on), `locks.png`, `apart.png` and `thickness.png`.
    renderer : as for `studio.photograph`. Raises `OutputRefused`, or `Cancelled` between pictures.
    """
    from .thickness import thickness_picture  # which draws with this module

    target = make_folder(folder)
    views = [name for name in VIEWS if name != "three_quarter_behind"]
    drawn: list[tuple[str, str, Callable[[Progress], Image.Image]]] = [
        (name, VIEWS[name][1].lower(), partial(_picture_of_view, plan, name, renderer=renderer)) for name in views
    ]
    drawn += [
        ("locks", "where it locks", partial(lock_picture, plan, renderer=renderer)),
        ("apart", "taken apart", partial(apart_picture, plan, renderer=renderer)),
        ("thickness", "how thick the glove is", partial(thickness_picture, plan, renderer=renderer)),
    ]
    made = []
    for at, (name, what, draw) in enumerate(drawn):
        own = progress.part(at / len(drawn), (at + 1) / len(drawn))
        own.step(0.0, what)
        made.append(save_png(target / f"{name}.png", draw(own)))
    return tuple(made)
