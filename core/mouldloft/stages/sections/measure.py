"""What one section is: how large, how heavy, whether it is reached, carried and driven away."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from shapely.geometry import MultiPoint

from ...base.figures import counted, kg_by, mm_by, sides_by
from ...geometry.branches import Section
from ...geometry.facets import face_vectors
from ...geometry.hollow import hollow_inside, reach_from
from ...geometry.repair import signed_volume
from ...inputs.brief import Brief
from ...inputs.catalogue import Catalogue
from ...trade.laminate import gelcoat_kg, lay_up, mat_g_m2_from_oz
from ...trade.lifting import MOST_LIFTERS, check_lift, team_limit_kg
from ...trade.sectioning import fits_van
from ...trade.thickness import choose_thickness
from ..hatches import ARM_MM
from ..joining import POLE_MM
from ..master import Master
from .record import Part

_LATTICE_MM = 24.0
_ON_PLANE = 1e-6  # of the body's size


@dataclass(frozen=True)
class Weights:
    """By the square metre of skin: kg of the cast, the jacket and the glove; joint_kg_m : of the cast's joint, by the
    metre; wall_mm : of the cast."""

    cast_kg_m2: float
    joint_kg_m: float
    jacket_kg_m2: float
    glove_kg_m2: float
    wall_mm: float


def weights_of(master: Master, brief: Brief, catalogue: Catalogue) -> Weights:
    """By the brief's mats and the thickness rule, without fill."""
    mats = catalogue.mat_layers(brief.cast.mat_oz, brief.materials)
    cast = lay_up(sum(mat.mat_g_m2 for mat in mats), brief.cast.glass_fraction)
    tape = catalogue.joint_tape
    strip = lay_up(tape.mat_g_m2 * tape.layers, brief.cast.glass_fraction)
    jacket = lay_up(mat_g_m2_from_oz(brief.jacket.mat_oz), brief.jacket.glass_fraction)
    gel_mm, gel = brief.cast.gelcoat_wet_mm, catalogue.gelcoat_for(brief.materials)
    rubber = catalogue.rubber_for(brief.materials)
    skin_mm = choose_thickness(master.height_mm, brief.run.casts, brief.rubber).skin_mm
    coat = gelcoat_kg(1e6, gel_mm, gel.density_kg_m3 / 1000)
    return Weights(
        cast.mass_kg_m2 + coat, strip.mass_kg_m2 * tape.width_mm / 1000, jacket.mass_kg_m2,
        skin_mm * rubber.density_kg_m3 / 1000, cast.thickness_mm + gel_mm,
    )  # fmt: skip


def part_of(
    name: str,
    vertices_mm: np.ndarray,
    faces: np.ndarray,
    stands_on: tuple[int, Section] | None,
    cut_faces: tuple[Section, ...],
    master: Master,
    weights: Weights,
    brief: Brief,
) -> Part:
    """A section measured. stands_on : number and section of the cut it stands on; cut_faces : of all its cuts."""
    corner = vertices_mm[faces]
    across = face_vectors(vertices_mm, faces)
    areas = np.linalg.norm(across, axis=1) / 2
    normals = across / np.maximum(2 * areas, 1e-30)[:, None]
    bare = np.zeros(len(faces), bool)
    size = float(np.ptp(vertices_mm, axis=0).max())
    for section in cut_faces:
        on = np.abs(vertices_mm @ section.normal - section.offset_mm) <= _ON_PLANE * max(size, abs(section.offset_mm))
        bare |= on[faces].all(axis=1)
    opening = None if stands_on is None else _opening(stands_on[1])
    if stands_on is None and master.base == "open" and master.base_faces.any():
        foot = (corner[:, :, 2].max(axis=1) < 1e-3 * master.height_mm) & (normals[:, 2] < -0.98)
        bare |= foot
        opening = corner[foot].mean(axis=1) if foot.any() else None
    skin = float(areas[~bare].sum())
    m2 = skin * master.detail_allowance / 1e6
    joint = weights.joint_kg_m * _joint_m(vertices_mm)
    cast, jacket, glove = m2 * weights.cast_kg_m2 + joint, m2 / 2 * weights.jacket_kg_m2, m2 / 2 * weights.glove_kg_m2
    low, high = vertices_mm.min(axis=0), vertices_mm.max(axis=0)
    box = (float(high[0] - low[0]), float(high[1] - low[1]), float(high[2] - low[2]))
    return Part(
        name, vertices_mm, faces, 0 if stands_on is None else stands_on[0],
        float(signed_volume(vertices_mm, faces).sum()), skin, box, cast, jacket, glove,
        check_lift(max(cast, jacket, glove), brief.jacket).lifters_needed, fits_van(box, brief.sections.van_mm),
        _furthest_inside(vertices_mm, faces, normals, areas, opening),
    )  # fmt: skip


def _joint_m(vertices_mm: np.ndarray) -> float:
    """About how long a two-piece joint is: the outline against its thinnest side, without the foot or cut face that it
    ends at. A seam is planned only once the section has a mould of its own."""
    thin = int(np.argmin(np.ptp(vertices_mm, axis=0)[:2]))
    flat = np.delete(vertices_mm, thin, axis=1)
    outline = MultiPoint(flat).convex_hull
    level = flat[:, 1] < flat[:, 1].min() + _ON_PLANE * max(float(np.ptp(flat)), 1.0)
    return float(outline.length - np.ptp(flat[level, 0])) / 1000


def _opening(section: Section) -> np.ndarray:
    """Points over the face that a line goes round."""
    middle = section.loop_mm.mean(axis=0)
    return np.concatenate([middle + share * (section.loop_mm - middle) for share in (0.0, 0.35, 0.7)])


def _furthest_inside(
    vertices: np.ndarray, faces: np.ndarray, normals: np.ndarray, areas: np.ndarray, opening: np.ndarray | None
) -> float:
    """How far the furthest place inside lies from the opening by a way an arm passes; narrower limbs are cored."""
    if opening is None:
        return float("inf")
    hollow = hollow_inside(vertices, faces, normals, areas, _LATTICE_MM)
    if not len(hollow.nodes_mm):
        return 0.0
    far = reach_from(hollow, opening, ARM_MM)
    return float(far[np.isfinite(far)].max(initial=0.0))


def broken_limits(part: Part, brief: Brief) -> tuple[str, ...]:
    """In words, why a part would be better smaller; none where it may stay as it is."""
    out, first = [], brief.job.units
    if np.isfinite(part.inside_mm) and part.inside_mm > POLE_MM:
        out.append(
            f"its inside is reached {mm_by(part.inside_mm, first)} deep from its opening, past the "
            f"{mm_by(brief.rates.reach_mm, first)} of an arm and the {mm_by(POLE_MM, first)} of a roller on a pole"
        )
    if part.people == 0:
        most = kg_by(team_limit_kg(MOST_LIFTERS, brief.jacket), first)
        who = counted(MOST_LIFTERS, "person", "people")
        out.append(f"{kg_by(part.heaviest_kg, first)} are carried at once, over the {most} that {who} may")
    if not part.fits_van:
        van = sides_by(brief.sections.van_mm, first)
        out.append(f"{sides_by(part.size_mm, first)} does not go into a van of {van}")
    return tuple(out)


def asks_of_whole(master: Master, brief: Brief, catalogue: Catalogue) -> tuple[str, ...]:
    """In words, which limits of reach, lift or van a master breaks in one; by its size alone where that says enough."""
    weights = weights_of(master, brief, catalogue)
    skin_m2 = master.skin_area_mm2 * master.detail_allowance / 1e6
    kg = skin_m2 * max(weights.cast_kg_m2, weights.jacket_kg_m2 / 2, weights.glove_kg_m2 / 2)
    light = 1.5 * kg < team_limit_kg(MOST_LIFTERS, brief.jacket)  # the joint is less than half of it
    size = tuple(float(side) for side in master.size_mm)
    # a way inside winds, but hardly to twice the longest side
    if light and max(size) < 0.6 * POLE_MM and fits_van((size[0], size[1], size[2]), brief.sections.van_mm):
        return ()
    whole = part_of("whole", master.vertices_mm, master.faces, None, (), master, weights, brief)
    return broken_limits(whole, brief)


def bands_needed(part: Part, brief: Brief) -> tuple[int, int]:
    """Along which axis (0 to 2) a part that breaks a limit is cut level, and into how many bands at least."""
    size = np.array(part.size_mm)
    axis = 2 if size[2] >= 0.8 * size.max() else int(np.argmax(size))
    count = 1
    while count < 6 and not fits_van(_banded(part.size_mm, axis, count), brief.sections.van_mm):
        count += 1
    if part.people == 0:
        count = max(count, int(np.ceil(part.heaviest_kg / team_limit_kg(MOST_LIFTERS, brief.jacket))))
    if np.isfinite(part.inside_mm) and part.inside_mm > POLE_MM:
        count = max(count, int(np.ceil(part.inside_mm / POLE_MM)))
    return axis, min(count, 6)


def _banded(size_mm: tuple[float, float, float], axis: int, count: int) -> tuple[float, float, float]:
    x, y, z = (side / count if k == axis else side for k, side in enumerate(size_mm))
    return x, y, z
