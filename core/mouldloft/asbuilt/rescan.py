"""The plan made again from a scan of the finished clay: laid on the plan, closed, measured, and all that was decided
carried over to it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy import spatial

from ..base.errors import MasterRefused, PlanImpossible
from ..base.figures import cm2, mm, number, percent
from ..base.files import write_whole
from ..base.progress import SILENT, Progress
from ..geometry.contour import face_centres
from ..geometry.facets import nearest_values
from ..geometry.meshfile import MeshFile, read_mesh_file
from ..geometry.polyline import spaced_out
from ..geometry.repair import signed_volume
from ..geometry.tautline import smooth_level
from ..inputs.brief import Brief
from ..inputs.catalogue import Catalogue
from ..stages.clay import ClayDifference
from ..stages.master import MM_PER_UNIT, Master, prepare_master
from ..stages.pipeline import plan as plan_master
from ..stages.places import BodyPlaces, name_places
from ..stages.plan import MouldPlan
from ..stages.seam import keep_clear_weights
from .closing import ClosedScan, close_scan
from .difference import carried_values, measure_difference
from .registration import Pose, lay_scan_on

SEAM_FILE, CLEAR_FILE, CLOSED_FILE = "carried-seam.npy", "carried-keep-clear.npy", "scan-closed.ply"
_UNIT_AGREES = 0.03  # a fitted scale this near a unit's is that unit: clay is not worked further off its size


@dataclass(frozen=True, eq=False)
class Rescan:
    """The plan as scanned, the closed scan ((n, 3) mm and (m, 3), in that plan's coordinates), and what was carried
    over in sentences."""

    plan: MouldPlan
    vertices_mm: np.ndarray
    faces: np.ndarray


def plan_from_scan(
    planned: MouldPlan,
    scan_path: str | Path,
    carried_to: str | Path,
    *,
    unit: str | None = None,
    keep_seam: bool = True,
    catalogue: Catalogue | None = None,
    progress: Progress = SILENT,
) -> Rescan:
    """Plan again from a scan of the finished clay.

    carried_to : folder for the carried seam line and keep-clear weights, which the new brief names. unit : of the scan;
    without it the file's own, else the one its fitted size points to. keep_seam : False places the seam anew. Raises
    `MasterRefused` where the scan does not fit the plan or cannot be closed, `PlanImpossible` as planning does.
    """
    progress.begin("scan")
    found = read_mesh_file(scan_path, progress)
    faces = _outward(found)
    pose, sized = _lay(planned.master, found, faces, unit, progress.part(0.0, 0.4))
    open_foot = bool(planned.master.base_faces.any())
    closed = close_scan(
        pose.apply(found.vertices), faces, planned.master.vertices_mm, planned.master.faces,
        open_foot=open_foot, progress=progress.part(0.4, 0.8),
    )  # fmt: skip
    master = _as_master(planned, closed, Path(scan_path).stem)
    places = name_places(planned.master)
    clay = _difference(planned, master, pose, closed, places, progress.part(0.8, 1.0))
    brief, carried = _carried(planned, master, Path(carried_to), keep_seam)
    made, keys = _planned(master, brief, catalogue or planned.catalogue, progress)
    told = (sized, *_closed_words(closed, places), *carried, keys)
    made = replace(made, clay=replace(_with_locks(clay, made), told=told))
    return Rescan(made, master.vertices_mm, master.faces)


# --- the scan --------------------------------------------------------------------------------------------


def _lay(master: Master, found: MeshFile, faces: np.ndarray, unit: str | None, progress: Progress) -> tuple[Pose, str]:
    """The scan's pose, and a sentence on its size. faces : of the scan, looking outwards."""
    vertices = np.asarray(found.vertices, float)
    stated = unit or found.unit
    if stated is not None:
        pose = lay_scan_on(vertices, faces, master.vertices_mm, master.faces, MM_PER_UNIT[stated], progress)
        said = "as you say" if unit else "as its file says"
        return pose, f"The scan is in {stated}, {said}, and lies on the plan within {mm(pose.spread_mm)}."
    pose = lay_scan_on(vertices, faces, master.vertices_mm, master.faces, None, progress.part(0.0, 0.6))
    name, size = min(MM_PER_UNIT.items(), key=lambda item: abs(np.log(pose.scale / item[1])))
    if abs(pose.scale / size - 1) < _UNIT_AGREES:
        held = lay_scan_on(vertices, faces, master.vertices_mm, master.faces, size, progress.part(0.6, 1.0))
        return held, (
            f"The scan names no unit; by its size it is in {name}, and lies on the plan within {mm(held.spread_mm)} "
            f"({_whole_size_words(pose.scale / size)})."
        )
    return pose, (
        f"The scan names no unit, so its size was fitted to the plan ({number(pose.scale, 4)} mm a unit): whether the "
        "clay came out larger or smaller as a whole is not known; give --unit to find out."
    )


def _whole_size_words(fitted: float) -> str:
    """fitted : what a fit of its own would scale the scan by, over its unit."""
    if abs(fitted - 1) < 5e-4:
        return "the clay as a whole is as large as planned"
    return f"the clay as a whole is {100 * abs(fitted - 1):.1f} % {'larger' if fitted < 1 else 'smaller'} than planned"


def _outward(found: MeshFile) -> np.ndarray:
    """(m, 3) the scan's faces, turned where most of them look inwards: by the volume between them and their middle,
    which holes do not turn over."""
    vertices, faces = np.asarray(found.vertices, float), np.asarray(found.faces)
    inside_out = signed_volume(vertices - vertices[faces].mean(axis=(0, 1)), faces).sum() < 0
    return faces[:, ::-1] if inside_out else faces


def _as_master(planned: MouldPlan, closed: ClosedScan, name: str) -> Master:
    brief = replace(planned.brief.master, finished_height_mm=None, unit="mm", up=None, front=None)
    made = prepare_master(closed.vertices_mm, closed.faces, brief, name=name)
    if not made.health.is_solid:
        raise MasterRefused("The scan could not be made one closed body; clean it in the scanner's program.")
    return made


def _closed_words(closed: ClosedScan, places: BodyPlaces) -> tuple[str, ...]:
    said = [
        f"Its noise is averaged over {mm(closed.pitch_mm)}; texture finer than that is not in this plan, so the "
        "brief's detail allowance stays."
    ]
    if closed.missing_mm2 > 500.0:
        where = list(dict.fromkeys(_where(places, middle) for middle in closed.hole_middles_mm[:4]))
        said.append(
            f"The scanner did not see {cm2(closed.missing_mm2)} ({percent(closed.missing_share)} of the skin); there "
            f"the plan's skin stands in, moved as the clay beside it is{': ' + '; '.join(where) if where else ''}."
        )
    if closed.left_out_mm2 > 500.0:
        said.append(f"{cm2(closed.left_out_mm2)} of the scan is board or stray and was left out.")
    return tuple(said)


# --- how it differs --------------------------------------------------------------------------------------


def _difference(
    planned: MouldPlan, master: Master, pose: Pose, closed: ClosedScan, places: BodyPlaces, progress: Progress
) -> ClayDifference:
    """Measured in the old plan's coordinates, told in the new one's."""
    shift = np.asarray(master.shift_mm)
    seam = np.vstack([spaced_out(line.points_mm, line.closed, 2.0) for line in planned.seam.lines])
    found = measure_difference(
        master.vertices_mm - shift, master.faces, planned.master.vertices_mm, planned.master.faces, pose.spread_mm,
        seam, progress, closed.measured(master.vertices_mm - shift),
    )  # fmt: skip
    patches = []
    for patch in found.patches:
        x, y, z = (float(v) for v in np.asarray(patch.middle_mm) + shift)
        patches.append(replace(patch, middle_mm=(x, y, z), where=_where(places, np.asarray(patch.middle_mm))))
    return replace(found, patches=tuple(patches), missing_mm2=closed.missing_mm2)


def _where(places: BodyPlaces, point: np.ndarray) -> str:
    named = places.at(point[None])[0] if places.known else ""
    return f"{named}, {mm(point[2])} up" if named else f"x {point[0]:.0f}, y {point[1]:.0f}, {mm(point[2])} up"


def _with_locks(clay: ClayDifference, made: MouldPlan) -> ClayDifference:
    """Says of each place whether skin there locks in the new plan."""
    centres = face_centres(made.master.vertices_mm, made.master.faces)
    tree = spatial.cKDTree(centres)
    patches = []
    for patch in clay.patches:
        near = tree.query_ball_point(patch.middle_mm, max(np.sqrt(patch.area_mm2 / np.pi), 10.0))
        patches.append(replace(patch, locks=bool(len(near) and made.locks.depth_mm[near].max() > 1.0)))
    return replace(clay, patches=tuple(patches))


# --- what is carried over --------------------------------------------------------------------------------


def _carried(planned: MouldPlan, master: Master, folder: Path, keep_seam: bool) -> tuple[Brief, list[str]]:
    """The brief of the new plan: the old one's with opening, seam, keep-clear, keys and pieces as they were decided."""
    shift = np.asarray(master.shift_mm)
    brief = replace(planned.brief, master=replace(planned.brief.master, finished_height_mm=None, unit="mm"))
    brief = replace(brief, master=replace(brief.master, up=None, front=None))
    told = []
    weights = keep_clear_weights(planned.master, planned.brief.seam)
    if weights is not None:
        own = nearest_values(master.vertices_mm, planned.master.vertices_mm + shift, np.asarray(weights, float))
        write_whole(folder / CLEAR_FILE, lambda handle: np.save(handle, own, allow_pickle=False))
        brief = replace(brief, seam=replace(brief.seam, keep_clear=str(folder / CLEAR_FILE)))
        told.append("Places to keep clear are carried over.")
    if not keep_seam:
        free = replace(brief.seam, own_line=None, plane_offset_mm=None)
        return replace(brief, seam=free), [*told, "Opening and seam are placed anew, as asked."]
    x, y, z = (float(v) for v in planned.opening.chosen.direction)
    brief = replace(brief, opening=replace(brief.opening, direction=(x, y, z)))
    brief, said = _with_seam(planned, master, brief, folder, shift)
    keys = tuple((k.piece, *(np.asarray(k.foot_mm) + shift)) for k in planned.keys.keys if k.own)
    names = {e.piece: e.name for e in planned.rubber.envelopes}
    own_keys = tuple((names[piece], float(a), float(b), float(c)) for piece, a, b, c in keys)
    return replace(brief, keys=replace(brief.keys, own_keys=own_keys)), [*told, *said]


def _with_seam(
    planned: MouldPlan, master: Master, brief: Brief, folder: Path, shift: np.ndarray
) -> tuple[Brief, list[str]]:
    seam = planned.seam
    if len(seam.pieces) > 2:
        many = replace(brief.seam, pieces=len(seam.pieces), own_line=None)  # type: ignore[arg-type]
        return replace(brief, seam=many), [
            f"The first opening and the {len(seam.pieces)} pieces are carried over; where they meet is shared out anew."
        ]
    if seam.kind == "plane":
        offset = seam.plane_offset_mm + float(np.asarray(seam.pieces[0].pull) @ shift)
        flat = replace(brief.seam, kind="plane", plane_offset_mm=offset, own_line=None)
        return replace(brief, seam=flat), ["Opening, the seam's plane and both pieces are carried over."]
    level = _level_of(planned)
    own = carried_values(master.vertices_mm - shift, planned.master.vertices_mm, planned.master.faces, level)
    write_whole(folder / SEAM_FILE, lambda handle: np.save(handle, own, allow_pickle=False))
    kept = replace(brief.seam, own_line=str(folder / SEAM_FILE), plane_offset_mm=None)
    return replace(brief, seam=kept), ["Opening, seam and both pieces are carried over, the seam laid on the clay."]


def _level_of(planned: MouldPlan) -> np.ndarray:
    """(n,) field on the planned master that is positive on its first piece and nought along the seam."""
    if planned.seam.level_mm is not None:
        return np.asarray(planned.seam.level_mm, float)
    master, labels = planned.master, planned.seam.labels
    return smooth_level(master.vertices_mm, master.faces, labels, planned.brief.seam.smooth_mm)[0]


def _planned(master: Master, brief: Brief, catalogue: Catalogue, progress: Progress) -> tuple[MouldPlan, str]:
    """Planned with what was carried over, and a sentence on the keys: where the user's own no longer hold the glove
    they are set by rule."""
    own = len(brief.keys.own_keys)
    try:
        made = plan_master(master, brief, catalogue, progress)
    except PlanImpossible as error:
        raise PlanImpossible(f"{str(error).rstrip('.')}; or run again with --seam-anew.") from None
    if not own:
        return made, "Keys are set by the same rules on the new glove."
    if all(check.holds for check in made.keys.checks):
        return made, f"Your own {own} keys are carried over."
    freed = replace(brief, keys=replace(brief.keys, own_keys=()))
    made = plan_master(master, freed, catalogue, progress, made)
    return made, f"Your own {own} keys no longer held the glove on this clay, so keys are set by rule."
