"""Stage 1, the master: read a mesh, judge its health, repair it, stand it up at the finished height."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..base.errors import MasterRefused
from ..base.progress import SILENT, Progress
from ..geometry.edges import Edges
from ..geometry.manifold import split_to_length
from ..geometry.meshfile import MOST_FACES, MeshFile, read_mesh_file
from ..geometry.repair import (
    Diagnosis,
    Patient,
    all_apart,
    are_cracks,
    close_cracks,
    diagnose,
    face_areas,
    mend,
    merge_equal,
    signed_volume,
)
from ..geometry.selfcrossings import find_self_crossings
from ..inputs.brief import Axis, MasterBrief
from .named import NamedSkin
from .stance import stance_words

# exact by the international yard and pound agreement of 1959 (1 in = 25.4 mm) and the SI prefixes
MM_PER_UNIT = {"micron": 1e-3, "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}
LEAST_HEIGHT_MM, GREATEST_HEIGHT_MM = 50.0, 20_000.0
_BASE_LEVEL_SHARE = 1e-3  # of the height: faces this near the ground lie on it (invented starting value)
_BASE_TILT_COS = 0.98  # about 11 degrees off level still counts as base (invented starting value)
_BASE_LEAST_SHARE = 0.02  # of the footprint's rectangle: less is a point of contact, not a base (invented)
# What locks, is seen or is reached is asked of each facet as a whole, and the seam is shared out by facets. On a goat
# of 1,500 facets that named the wrong opening and twice the rubber; split as here it comes within 15 % of the full one.
_FEW_FACETS, _FACETS_OVER_SIZE = 4_000, 50
_HEAP_FACES = 1_000_000  # from here on a heap of loose triangles is refused by samples


@dataclass(frozen=True, eq=False)
class Health:
    """What is wrong with the mesh as read, and what was mended. Counts are before repair.

    stray_shells : shells beyond the first. self_intersections : pairs of faces that pass through each other, among
    the share `checked_fraction` of the faces. self_intersections_left : after repair.
    fault_points_mm : (k, 3) float, up to a few hundred places to look at, in plan coordinates.
    notes : what the mould maker should know that is no fault, such as a missing flat base.
    """

    open_edges: int
    non_manifold_edges: int
    inside_out: bool
    self_intersections: int
    stray_shells: int
    degenerate_faces: int
    is_solid: bool  # after repair: closed, manifold, right way out
    repairs: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()  # what could not be done for want of a closed solid
    fault_points_mm: np.ndarray | None = None
    duplicate_faces: int = 0
    flipped_edges: int = 0
    checked_fraction: float = 1.0
    self_intersections_left: int = 0
    split_from: int = 0  # facets as read, where they were too few to judge a mould by and have been split
    notes: tuple[str, ...] = ()
    stance: str = ""  # where it hardly stands: one sentence, with the axis that would stand it better


@dataclass(frozen=True, eq=False)
class Master:
    """The master in plan coordinates: millimetres, +z up, front towards -y, standing on z = 0, x and y centred.

    vertices_mm : (n, 3) float64; faces : (m, 3) int32, outward by the right-hand rule.
    normals : (m, 3) float64 unit ((0, 0, 1) for a face without area); face_areas_mm2 : (m,) float64.
    base_faces : (m,) bool, faces that lie flat on z = 0, all False where there is no flat base; no rubber there
        when the base is open.
    """

    name: str
    vertices_mm: np.ndarray
    faces: np.ndarray
    normals: np.ndarray
    face_areas_mm2: np.ndarray
    base_faces: np.ndarray
    base: str  # "open" or "closed"
    area_mm2: float  # whole surface, base included
    base_area_mm2: float
    volume_mm3: float  # 0 where the mesh is no solid
    height_mm: float
    size_mm: tuple[float, float, float]
    scale: float  # plan millimetres per unit of the file
    unit_assumed: str  # sentence saying where the unit came from
    detail_allowance: float
    detail_allowance_uncertainty: float
    source_hash: str  # sha256 of the geometry as read, hex
    health: Health
    vertex_weights: np.ndarray | None = None  # (n,) float 0..1, keep-clear painted by the user
    # plan = turned and scaled file coordinates + this; what shows a plan on the sculpt itself needs the way back
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    named: NamedSkin | None = None  # of a section: what the whole sculpt calls its skin

    @property
    def skin_area_mm2(self) -> float:
        """Area that rubber and casts cover: without the base when it is open."""
        return self.area_mm2 - (self.base_area_mm2 if self.base == "open" else 0.0)


def read_master(path: str | Path, brief: MasterBrief, progress: Progress = SILENT) -> Master:
    """Read STL, OBJ, PLY, GLB, GLTF, 3MF or OFF and prepare it. Raises `MasterRefused` with one sentence."""
    found = read_mesh_file(path, progress)
    name = Path(path).stem.encode("utf-8", "replace").decode()  # a file's name need not be text
    _refuse_heap(found, name)
    return prepare_master(
        found.vertices, found.faces, _with_axes(brief, found), name=name, file_unit=found.unit, progress=progress
    )


def _with_axes(brief: MasterBrief, found: MeshFile) -> MasterBrief:
    """The brief with the file's own up and front where it names none. An up of the brief's own leaves the file's front
    only where that is level."""
    up = brief.up or found.up
    front = brief.front or (found.front if up is None or found.front is None or up[1] != found.front[1] else None)
    return replace(brief, up=up, front=front)


def prepare_master(
    vertices: np.ndarray,
    faces: np.ndarray,
    brief: MasterBrief,
    *,
    name: str = "master",
    file_unit: str | None = None,
    vertex_weights: np.ndarray | None = None,
    progress: Progress = SILENT,
) -> Master:
    """Master from (n, 3) vertices in any unit and (m, 3) faces: checked, mended, scaled, stood on z = 0.

    file_unit : "mm", "cm", "m", "in", "ft" or "micron" where the file states one; the brief's unit wins.
    vertex_weights : (n,) keep-clear weights 0 to 1; merged vertices keep the greatest.
    Raises `MasterRefused` for an empty, non-finite, flat or absurdly sized mesh, and for faces that are not joined.
    """
    points, corners = _checked_arrays(vertices, faces, name)
    source_hash = _hash(points, corners)
    weights = _checked_weights(vertex_weights, len(points), name)
    turn = _turn_to_plan(*_axes(brief))
    patient = Patient(points @ turn.T, corners, weights)
    _merge(patient)
    _checked_height(patient, name)
    progress.step(0.1, "counting edges")
    open_as_read = int(patient.edges.open.sum())
    if _is_loose(patient.edges) and are_cracks(patient):
        close_cracks(patient)  # corners that differ by rounding: join them before anything can be judged
    _refuse_loose_faces(patient.edges, name)
    found = diagnose(patient.vertices, patient.faces, patient.edges, progress)
    found = replace(found, open_edges=open_as_read)
    is_solid = mend(patient, progress, found.self_intersections > 0)
    if not len(patient.faces):
        raise MasterRefused(f"{name} has no face with an area; export the sculpt again as a triangle mesh.")
    left = found.self_intersections
    if patient.told:
        left = find_self_crossings(patient.vertices, patient.faces, progress).count
    # a stray speck must not set the size: the height is that of what is left
    scale, statement = _scale(_checked_height(patient, name), brief, file_unit, name)
    shift = _stand(patient, scale)
    few = _split_large_facets(patient, is_solid)
    progress.step(0.9, "finding the base")
    made = _assemble(patient, found, brief, name, scale, statement, source_hash, is_solid, shift, left)
    stance = stance_words(made.vertices_mm, made.faces, made.face_areas_mm2, turn)
    notes = made.health.notes
    if few:
        notes += (
            f"{few:,} facets are few to judge a mould by, place for place: they were split into {len(made.faces):,} in "
            "their own planes, which leaves the shape as it is.",
        )
    return replace(made, health=replace(made.health, stance=stance, notes=notes, split_from=few))


def _split_large_facets(patient: Patient, is_solid: bool) -> int:
    """Splits the facets of a mesh of few; returns how many there were, 0 where none was split."""
    few = len(patient.faces)
    if not is_solid or few >= _FEW_FACETS:
        return 0
    size = float((patient.vertices.max(axis=0) - patient.vertices.min(axis=0)).max())
    patient.vertices, patient.faces, patient.weights = split_to_length(
        patient.vertices, patient.faces, size / _FACETS_OVER_SIZE, patient.weights
    )
    return few if len(patient.faces) > few else 0


# --- checks


def _checked_arrays(vertices: np.ndarray, faces: np.ndarray, name: str) -> tuple[np.ndarray, np.ndarray]:
    try:
        points = np.array(vertices, dtype=np.float64, copy=True)
        corners = np.array(faces, dtype=np.int64, copy=True)
    except (TypeError, ValueError):
        raise MasterRefused(f"{name} is not a triangle mesh; export it with all faces as triangles.") from None
    if points.size == 0 or corners.size == 0:
        raise MasterRefused(f"{name} is empty: it holds no faces; export the sculpt as a triangle mesh.")
    if points.ndim != 2 or points.shape[1] != 3 or corners.ndim != 2 or corners.shape[1] != 3:
        raise MasterRefused(f"{name} is not a triangle mesh; export it with all faces as triangles.")
    if len(corners) > MOST_FACES:
        raise MasterRefused(
            f"{name} has {len(corners) / 1e6:.0f} million faces, more than the {MOST_FACES // 1_000_000} million "
            "that are planned; export it with fewer triangles."
        )
    if corners.min() < 0 or corners.max() >= len(points):
        raise MasterRefused(f"{name} has faces that name missing vertices; export it again.")
    if len(corners) < 4:
        raise MasterRefused(
            f"{name} has only {len(corners)} face{'s' if len(corners) > 1 else ''}, which encloses nothing; "
            "export the whole sculpt as a triangle mesh."
        )
    used = np.zeros(len(points), bool)
    used[corners.ravel()] = True
    broken = used & ~np.isfinite(points).all(axis=1)
    if broken.any():
        raise MasterRefused(
            f"{name} has vertices that are not numbers ({int(broken.sum())} NaN or infinite); repair it in the "
            "sculpting program and export it again."
        )
    points[~used] = points[corners[0, 0]]  # loose vertices say nothing about the size
    if np.abs(points).max() > 1e12:
        raise MasterRefused(
            f"{name} has coordinates up to {np.abs(points).max():.0e}, too large to keep any detail; move it to the "
            "origin and export it again."
        )
    return points, corners


def _checked_weights(weights: np.ndarray | None, count: int, name: str) -> np.ndarray | None:
    if weights is None:
        return None
    checked = np.asarray(weights, dtype=np.float64).ravel()
    if len(checked) != count or not np.isfinite(checked).all():
        raise MasterRefused(
            f"The keep-clear weights of {name} are {len(checked)} for {count} vertices or not all numbers; paint "
            "them again on this mesh."
        )
    return np.clip(checked, 0.0, 1.0)


def _hash(points: np.ndarray, corners: np.ndarray) -> str:
    """sha256 of the geometry as read, the same on every machine."""
    digest = hashlib.sha256()
    digest.update(np.ascontiguousarray(points, "<f8").data)
    digest.update(np.ascontiguousarray(corners, "<i8").data)
    return digest.hexdigest()


def _is_loose(edges: Edges) -> bool:
    """More than half of all sides have no neighbour."""
    return int(edges.open.sum()) > 1.5 * len(edges.edge_of)


def _refuse_heap(found: MeshFile, name: str) -> None:
    """Millions of triangles with no corner in common are refused before any of the work on them."""
    vertices, count = found.vertices, len(found.faces)
    if count < _HEAP_FACES or len(vertices) != 3 * count or not np.isfinite(vertices).all():
        return
    if all_apart(vertices):
        raise MasterRefused(
            f"The faces of {name} are not joined to each other (hardly two of {count:,} share a corner); merge its "
            "vertices in the sculpting program, or make a new surface over it, and export it again."
        )


def _refuse_loose_faces(edges: Edges, name: str) -> None:
    """A heap of triangles that do not share edges, or all share the same, has no skin to follow."""
    open_edges, crowded, count = int(edges.open.sum()), int(edges.crowded.sum()), len(edges.edge_of)
    if _is_loose(edges):
        raise MasterRefused(
            f"The faces of {name} are not joined to each other ({open_edges} open edges on {count} faces); merge its "
            "vertices in the sculpting program, or make a new surface over it, and export it again."
        )
    if crowded > 0.2 * len(edges.uses):
        raise MasterRefused(
            f"The faces of {name} are a tangle ({crowded} edges have more than two faces); make a new surface over "
            "it in the sculpting program and export it again."
        )


# --- size and stance


def _axis(text: Axis) -> np.ndarray:
    out = np.zeros(3)
    out["xyz".index(text[1])] = 1.0 if text[0] == "+" else -1.0
    return out


def _axes(brief: MasterBrief) -> tuple[Axis, Axis]:
    """Up and front, as the brief has them or by rule: z up and the front to -y, or y up and the front to +z."""
    up = brief.up or "+z"
    return up, brief.front or ("+z" if up[1] == "y" else "-y")


def _turn_to_plan(up: Axis, front: Axis) -> np.ndarray:
    """(3, 3) rotation from file axes to plan axes. Raises `MasterRefused` where front lies along up."""
    z, y = _axis(up), -_axis(front)
    if abs(z @ y) > 0.5:
        raise MasterRefused(
            f"The brief's up ({up}) and front ({front}) lie along one axis; choose a front that is level."
        )
    return np.stack([np.cross(y, z), y, z])


def _merge(patient: Patient) -> None:
    """Join equal vertices, unless the mesh is closed as it comes: shells that only touch then stay apart."""
    count = len(patient.vertices)
    first, into = merge_equal(patient.vertices)
    loose = count == 3 * len(patient.faces)
    if len(first) == count or (not loose and patient.edges.is_closed):
        return
    patient.renumber(into, len(first), first)


def _checked_height(patient: Patient, name: str) -> float:
    low, high = patient.vertices.min(axis=0), patient.vertices.max(axis=0)
    height = float(high[2] - low[2])
    if height <= 0.0 or not height > 1e-9 * float((high - low).max()):
        raise MasterRefused(f"{name} has no height; check the up axis in the brief and that the sculpt is not flat.")
    if float((high - low)[:2].min()) <= 1e-9 * height:
        raise MasterRefused(f"{name} is flat as a sheet; export the whole sculpt with its thickness.")
    return height


def _scale(height: float, brief: MasterBrief, file_unit: str | None, name: str) -> tuple[float, str]:
    """Plan millimetres per unit of the file, and a sentence saying where the size comes from."""
    unit: str
    if brief.unit != "auto":
        unit, source = brief.unit, "as the brief says"
    elif file_unit is not None:
        unit, source = file_unit, "as the file states"
    else:
        unit, source = "mm", "assumed, since neither the file nor the brief states a unit"
    stated_mm = height * MM_PER_UNIT[unit]
    if brief.finished_height_mm is not None:
        scale = brief.finished_height_mm / height
        return scale, (
            f"The finished height of {brief.finished_height_mm:g} mm sets the size; the file's unit is {unit} "
            f"({source}), in which the master stands {_length(stated_mm)} tall."
        )
    if not LEAST_HEIGHT_MM <= stated_mm <= GREATEST_HEIGHT_MM:
        raise MasterRefused(
            f"{name} would be {_length(stated_mm)} tall with its unit as {unit} ({source}), outside "
            f"{LEAST_HEIGHT_MM:.0f} mm to {GREATEST_HEIGHT_MM / 1000:.0f} m; state the finished height or the unit."
        )
    return MM_PER_UNIT[unit], f"The file's unit is {unit} ({source}); the master stands {_length(stated_mm)} tall."


def _length(mm: float) -> str:
    return f"{mm / 1000:.4g} m" if mm >= 1000 else f"{mm:.4g} mm"


def _stand(patient: Patient, scale: float) -> np.ndarray:
    """Scale to millimetres, stand on z = 0, centre x and y; returns the (3,) shift in millimetres."""
    patient.vertices *= scale
    low, high = patient.vertices.min(axis=0), patient.vertices.max(axis=0)
    shift = -np.array([(low[0] + high[0]) / 2, (low[1] + high[1]) / 2, low[2]])
    patient.vertices += shift
    return shift


def _base_faces(vertices: np.ndarray, faces: np.ndarray, normals: np.ndarray, height: float) -> np.ndarray:
    """(m,) bool: faces within a thousandth of the height of z = 0 that face down."""
    level = vertices[:, 2] <= _BASE_LEVEL_SHARE * height
    return level[faces].all(axis=1) & (normals[:, 2] < -_BASE_TILT_COS)


def _normals(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    a, b, c = vertices[faces[:, 0]], vertices[faces[:, 1]], vertices[faces[:, 2]]
    across = np.cross(b - a, c - a)
    length = np.linalg.norm(across, axis=1, keepdims=True)
    flat = length[:, 0] <= 0.0
    out = across / np.where(length > 0, length, 1.0)
    out[flat] = (0.0, 0.0, 1.0)
    return out


# --- what is said about it


def _left_out(is_solid: bool, faults: str) -> tuple[str, ...]:
    if is_solid:
        return ()
    return (
        f"The master is no closed solid ({faults}): its volume, and with it rubber, jacket, cradle and cast, cannot "
        "be worked out; the undercut map and the seam can.",
    )


def _faults(edges: Edges) -> str:
    parts = [
        (int(edges.open.sum()), "open"),
        (int(edges.crowded.sum()), "with more than two faces"),
        (int(((edges.uses == 2) & (edges.upward != 1)).sum()), "where the faces run against each other"),
    ]
    said = ", ".join(f"{count} edge{'s' if count > 1 else ''} {what}" for count, what in parts if count)
    return said or "it encloses no volume"


def _notes(
    brief: MasterBrief,
    base_share: float,
    found: Diagnosis,
    left: int,
    offset_in_sizes: float,
    parts: int,
) -> tuple[str, ...]:
    notes = []
    if parts > 1:
        notes.append(
            f"The master comes in {parts} separate parts; they are planned as they stand, in one mould, so check that "
            "none of them floats."
        )
    if base_share < _BASE_LEAST_SHARE and brief.base == "open":
        notes.append(
            "No flat base was found on the ground, so nothing is left open underneath; cut the master level where it "
            "is to stand, or say base = closed."
        )
    if found.checked_fraction < 1.0:
        notes.append(
            f"Faces that pass through each other were counted on {found.checked_fraction:.1%} of the master only, "
            "for comparing them all would take too long."
        )
    if left:
        notes.append(
            f"{left} pairs of faces still pass through each other; where they do, areas and volumes count a little "
            "twice."
        )
    if offset_in_sizes > 1e4:
        notes.append(
            f"The master lies {offset_in_sizes:.0e} times its own size off the file's origin, where single precision "
            "loses detail; centre it before exporting."
        )
    return tuple(notes)


def _assemble(
    patient: Patient,
    found: Diagnosis,
    brief: MasterBrief,
    name: str,
    scale: float,
    statement: str,
    source_hash: str,
    is_solid: bool,
    shift: np.ndarray,
    left: int,
) -> Master:
    vertices, faces = np.ascontiguousarray(patient.vertices), patient.faces
    size = vertices.max(axis=0) - vertices.min(axis=0)
    normals, areas = _normals(vertices, faces), face_areas(vertices, faces)
    base = _base_faces(vertices, faces, normals, float(size[2]))
    base_share = float(areas[base].sum() / (size[0] * size[1]))
    if base_share < _BASE_LEAST_SHARE:
        base = np.zeros(len(faces), bool)
    offset = float(np.abs(shift).max() / size.max())
    return Master(
        name=name,
        vertices_mm=vertices,
        faces=np.ascontiguousarray(faces, np.int32),
        normals=normals,
        face_areas_mm2=areas,
        base_faces=base,
        base=brief.base,
        area_mm2=float(areas.sum()),
        base_area_mm2=float(areas[base].sum()),
        volume_mm3=float(signed_volume(vertices, faces).sum()) if is_solid else 0.0,
        height_mm=float(size[2]),
        size_mm=(float(size[0]), float(size[1]), float(size[2])),
        scale=scale,
        unit_assumed=statement,
        detail_allowance=brief.detail_allowance,
        detail_allowance_uncertainty=brief.detail_allowance_uncertainty,
        source_hash=source_hash,
        health=Health(
            open_edges=found.open_edges,
            non_manifold_edges=found.non_manifold_edges,
            inside_out=found.inside_out,
            self_intersections=found.self_intersections,
            stray_shells=found.stray_shells,
            degenerate_faces=found.degenerate_faces,
            is_solid=is_solid,
            repairs=tuple(patient.told),
            left_out=_left_out(is_solid, _faults(patient.edges) if not is_solid else ""),
            fault_points_mm=found.fault_points * scale + shift,
            duplicate_faces=found.duplicate_faces,
            flipped_edges=found.flipped_edges,
            checked_fraction=found.checked_fraction,
            self_intersections_left=left,
            notes=(*patient.noted, *_notes(brief, base_share, found, left, offset, patient.edges.shells[0])),
        ),
        vertex_weights=None if patient.weights is None else patient.weights.astype(np.float64),
        shift_mm=(float(shift[0]), float(shift[1]), float(shift[2])),
    )


def skin_faces(master: Master) -> np.ndarray:
    """(m,) bool, faces that rubber covers: all, or all but the open base."""
    return ~master.base_faces if master.base == "open" else np.ones(len(master.faces), bool)
