"""Where a master is cut into sections: at the necks of its limbs, and level across what is still too large.

A cut comes off the face, goes through one closed line, and leaves two closed solids. What the body stands on stays on
it: where both parts stand on the ground it is cut only if a limit asks for it, and if neither is a leg.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.spatial import cKDTree

from ...base.errors import PlanImpossible
from ...base.figures import mm
from ...base.progress import SILENT, Progress
from ...geometry.branches import Neck, Section, find_necks, is_narrow, least_section, section_at
from ...geometry.contour import face_centres
from ...geometry.parting import Mesh, carries, cut_off
from ...geometry.repair import face_areas
from ...inputs.brief import Brief
from ...inputs.catalogue import Catalogue, read_catalogue
from ...trade.sectioning import hatch_price, price_sections
from ..joining import POLE_MM
from ..master import Master
from ..places import BodyPlaces, name_places
from ..seam import keep_clear_weights
from ..undercut import where_on_piece
from ..visibility import how_it_shows
from .measure import Weights, bands_needed, broken_limits, part_of, weights_of
from .record import Cut, Part, Sections

# starting values (invented)
_ON_GROUND = 0.005  # of the height: what reaches lower stands on the ground
_A_LEG = 0.25  # of the skin: of two parts that stand on the ground a smaller one is a leg
_LEAST_PART = 0.015  # of the skin
_NESTED_SWELLS = 2.5  # a neck of a part already taken off is cut only where it is as sharp as a limb
_OFF_FACE = 0.1  # mean of the keep-clear weight along a line: more runs over a face
_SLIDES = (0.0, 0.3, -0.3, 0.6, -0.6)  # widths that a line is moved to come off the face
_BROADER = 1.6  # times the least section, that the moved one may have
_LEVELS = 9  # tried round the height where a band should end
_LEVEL_ROOM = 0.3  # of a band, up and down
_NAMED = 300  # places asked for their name
# what a part is called by its size: of the largest part, and of the sculpt's height
_NO_FOOT, _AN_ARM, _A_FOOT = 0.5, 0.18, 0.15


@dataclass
class _Bench:
    """What every cut is asked of, and the parts so far."""

    master: Master
    brief: Brief
    weights: Weights
    clear: np.ndarray | None
    places: BodyPlaces
    show: np.ndarray
    corners: cKDTree
    centres: cKDTree
    solids: list[Mesh]
    stands_on: list[int]
    cuts: list[Cut]
    notes: list[str]
    asked: bool


def propose_sections(
    master: Master,
    brief: Brief,
    catalogue: Catalogue | None = None,
    progress: Progress = SILENT,
    only: tuple[int, ...] | None = None,
) -> Sections:
    """Sections of a master: its limbs and necks, and level bands where a part still breaks a limit of reach, lifting or
    the van, up to `brief.sections.most` parts.

    only : numbers of the cuts to keep, as an earlier proposal numbers them. No parts but the whole where it has no neck
    and nothing asks for a cut. Raises `PlanImpossible` where the master is not closed or a number is not proposed. The
    same every time.
    """
    if not master.health.is_solid:
        raise PlanImpossible(
            f"{master.name} is no closed solid, so it cannot be cut into sections; mend the mesh in your sculpting "
            "program and run again."
        )
    catalogue = catalogue or read_catalogue(None)
    weights = weights_of(master, brief, catalogue)
    whole = part_of("whole", master.vertices_mm, master.faces, None, (), master, weights, brief)
    asks = broken_limits(whole, brief)
    bench = _bench(master, brief, weights, bool(asks), progress)
    progress.step(0.3, "necks and limbs")
    necks = find_necks(master.vertices_mm, master.faces)
    for k, neck in enumerate(necks):
        progress.step(0.4 + 0.3 * k / len(necks), "least sections")
        _cut_neck(bench, neck)
    progress.step(0.7, "bands")
    _cut_bands(bench)
    if only is not None:
        _keep_only(bench, only)
    progress.step(0.85, "sections measured")
    parts = _parts(bench, whole)
    left = (
        tuple(f"{part.name}: {words}" for part in parts for words in broken_limits(part, brief)) if bench.cuts else asks
    )
    joint = sum(cut.section.perimeter_mm for cut in bench.cuts)
    shown = sum(cut.section.perimeter_mm * cut.shown for cut in bench.cuts)
    price = price_sections(joint, shown, len(bench.cuts), brief.run.casts, brief.rates, brief.sections)
    hatches = int(np.ceil(whole.inside_mm / POLE_MM)) - 1 if np.isfinite(whole.inside_mm) else 0
    hatch = hatch_price(max(hatches, 0), catalogue.rates.hatch_h, brief.run.casts, brief.rates)
    return Sections(
        master, whole, parts, tuple(bench.cuts), asks, left, tuple(bench.notes), price, hatch, weights.wall_mm,
        bench.places, bench.clear if _is_given(master, brief) else None,
    )  # fmt: skip


def _is_given(master: Master, brief: Brief) -> bool:
    """Whether somebody said what is kept clear: else it is found from the shape, and goes with the names."""
    return brief.seam.keep_clear is not None or master.vertex_weights is not None


def _bench(master: Master, brief: Brief, weights: Weights, asked: bool, progress: Progress) -> _Bench:
    progress.step(0.05, "the face, and what shows")
    return _Bench(
        master, brief, weights, keep_clear_weights(master, brief.seam), name_places(master),
        how_it_shows(master, brief.seam, progress, None, (0.1, 0.3)), cKDTree(master.vertices_mm),
        cKDTree(face_centres(master.vertices_mm, master.faces)), [(master.vertices_mm, master.faces)], [0], [], [],
        asked,
    )  # fmt: skip


# --- at necks --------------------------------------------------------------------------------------------


def _cut_neck(bench: _Bench, neck: Neck) -> None:
    """The neck's cut where it is one, stays off the face, and takes off a part worth its own mould."""
    master = bench.master
    section = least_section(master.vertices_mm, master.faces, neck)
    if section is None or not is_narrow(master.vertices_mm, master.faces, neck, section):
        return
    where = where_on_piece(section.loop_mm.mean(axis=0), master)
    if section.width_mm < bench.brief.sections.least_width_mm:
        bench.notes.append(f"Not cut at {where}: {mm(section.width_mm)} wide there, too thin for a spigot.")
        return
    moved = _off_the_face(bench, section)
    if moved is None:
        bench.notes.append(f"Not cut at {where}: the line would run over a face or what is to be kept clear.")
        return
    why = (
        f"the narrowest place, {mm(moved.width_mm)} wide, where the body beside it has {neck.swells:.1f} times the "
        f"section; {mm(neck.beyond_mm)} stand out past it"
    )
    nested = neck.swells < _NESTED_SWELLS
    _take_off(bench, moved, "neck", why, only_from_ground=nested)


def _off_the_face(bench: _Bench, section: Section) -> Section | None:
    """The section, slid along where its line runs over a face; None where none near it keeps clear."""
    master, middle = bench.master, section.loop_mm.mean(axis=0)
    for slide in _SLIDES:
        at = middle + slide * section.width_mm * section.normal
        moved = section
        if slide:
            found = section_at(master.vertices_mm, master.faces, section.normal, float(section.normal @ at), at)
            if found is None or found.area_mm2 > _BROADER * section.area_mm2:
                continue
            moved = found
        if _clear(bench, moved) <= _OFF_FACE:
            return moved
    return None


def _clear(bench: _Bench, section: Section) -> float:
    if bench.clear is None:
        return 0.0
    return float(bench.clear[bench.corners.query(section.loop_mm)[1]].mean())


def _take_off(
    bench: _Bench, section: Section, kind: Literal["neck", "level"], why: str, only_from_ground: bool = False
) -> bool:
    """Cut whichever part the line goes round; the part that stands keeps the spigot. False where nothing was cut."""
    if len(bench.solids) >= bench.brief.sections.most:
        return False
    for at, solid in enumerate(bench.solids):
        if only_from_ground and bench.stands_on[at]:
            continue
        for side in (section, _turned(section)):
            made = cut_off(*solid, side)
            if made is None:
                continue
            rest, off = made
            if not _leaves_standing(bench, at, rest, off):
                continue
            if min(_area_mm2(rest), _area_mm2(off)) < _LEAST_PART * bench.master.area_mm2:
                continue
            _lay_down(bench, at, rest, off, side, kind, why)
            return True
    return False


def _area_mm2(mesh: Mesh) -> float:
    return float(face_areas(*mesh).sum())


def _turned(section: Section) -> Section:
    return replace(section, normal=-section.normal, offset_mm=-section.offset_mm, loop_mm=section.loop_mm[::-1])


def _leaves_standing(bench: _Bench, at: int, rest: Mesh, off: Mesh) -> bool:
    """Whether what is left stands on what the part stood on."""
    if bench.stands_on[at]:
        foot = bench.cuts[bench.stands_on[at] - 1].section
        return carries(*rest, foot) and not carries(*off, foot)
    ground = _ON_GROUND * bench.master.height_mm
    if rest[0][:, 2].min() > ground:
        return False
    both = off[0][:, 2].min() <= ground
    return not both or (bench.asked and _area_mm2(off) >= _A_LEG * bench.master.area_mm2)


def _lay_down(
    bench: _Bench, at: int, rest: Mesh, off: Mesh, section: Section, kind: Literal["neck", "level"], why: str
) -> None:
    """Both parts take their places; cuts made before on the part taken off go with it."""
    number, new = len(bench.cuts) + 1, len(bench.solids)
    for k, cut in enumerate(bench.cuts):
        if cut.leaves == at and not carries(*rest, cut.section):
            bench.cuts[k] = replace(cut, leaves=new)
    shown = float(bench.show[bench.centres.query(section.loop_mm)[1]].mean())
    bench.cuts.append(Cut(number, kind, section, new, at, shown, why))
    bench.solids[at] = rest
    bench.solids.append(off)
    bench.stands_on.append(number)


# --- level bands -----------------------------------------------------------------------------------------


def _cut_bands(bench: _Bench) -> None:
    """Parts that break a limit are cut level into equal bands, each end moved to where the section is least."""
    at = 0
    while at < len(bench.solids):
        part = _measured(bench, at, "part")
        reasons = broken_limits(part, bench.brief)
        axis, count = bands_needed(part, bench.brief)
        if reasons and count > 1:
            low = float(part.vertices_mm[:, axis].min())
            step = part.size_mm[axis] / count
            for k in range(count - 1, 0, -1):  # from the far end, so that what is left stays this part
                _cut_level(bench, at, axis, low + k * step, step, reasons[0])
        at += 1


def _cut_level(bench: _Bench, at: int, axis: int, level_mm: float, band_mm: float, reason: str) -> None:
    vertices, faces = bench.solids[at]
    normal = np.eye(3)[axis]
    best: Section | None = None
    for shift in np.linspace(-_LEVEL_ROOM, 0.0, _LEVELS)[::-1] * band_mm:
        level = level_mm + float(shift)
        inner = np.abs(vertices[:, axis] - level) < 0.1 * band_mm
        near = vertices[inner].mean(axis=0) if inner.any() else vertices.mean(axis=0)
        section = section_at(vertices, faces, normal, level, near)
        if section is None or _clear(bench, section) > _OFF_FACE or cut_off(*bench.solids[at], section) is None:
            continue
        if best is None or section.area_mm2 < 0.9 * best.area_mm2:
            best = section
    if best is None or not _take_off(bench, best, "level", f"band: {reason}"):
        bench.notes.append(
            f"No level cut was found near {mm(level_mm)} that parts one limb alone and keeps off the face."
        )


# --- in the end ------------------------------------------------------------------------------------------


def _keep_only(bench: _Bench, only: tuple[int, ...]) -> None:
    """The same master with only some of the cuts."""
    for number in only:
        if not 1 <= number <= len(bench.cuts):
            known = f"1 to {len(bench.cuts)}" if bench.cuts else "none"
            raise PlanImpossible(f"There is no cut {number} among those proposed ({known}); give other numbers.")
    wanted = [cut for cut in bench.cuts if cut.number in only]
    bench.solids, bench.stands_on, bench.cuts = [(bench.master.vertices_mm, bench.master.faces)], [0], []
    for cut in wanted:
        _take_off(bench, cut.section, cut.kind, cut.why)


def _measured(bench: _Bench, at: int, name: str) -> Part:
    stands = bench.stands_on[at]
    foot = (stands, bench.cuts[stands - 1].section) if stands else None
    faces = tuple(cut.section for cut in bench.cuts if at in (cut.takes, cut.leaves))
    return part_of(name, *bench.solids[at], foot, faces, bench.master, bench.weights, bench.brief)


def _parts(bench: _Bench, whole: Part) -> tuple[Part, ...]:
    if not bench.cuts:
        return (whole,)
    made = [_measured(bench, at, _name_of(bench, at)) for at in range(len(bench.solids))]
    names = [part.name for part in made]
    return tuple(
        replace(part, name=f"{part.name} {names[: k + 1].count(part.name)}") if names.count(part.name) > 1 else part
        for k, part in enumerate(made)
    )


def _name_of(bench: _Bench, at: int) -> str:
    """What a person would call a part: by the places on its skin, else by where it is."""
    vertices, _ = bench.solids[at]
    if at == _body_of(bench):
        return "body"
    if bench.places.known:
        spots = vertices[:: max(len(vertices) // _NAMED, 1)]
        said = bench.places.at(spots)
        share = {name: said.count(name) / len(said) for name in set(said) if name}
        on_head = sum(part for name, part in share.items() if name in _HEAD)
        pairs = [
            kind for kind in ("ear", "horn") if min(share.get(f"{s} {kind}", 0.0) for s in ("left", "right")) > 0.2
        ]
        if on_head > 0.3:
            return "head"
        if pairs:
            return f"{pairs[0]}s"
        best = max(share, key=lambda name: (share[name], name), default="")
        if best and share[best] > 0.5 and best.split()[-1] in _LIMBS:
            return _of_limb(best, np.ptp(vertices, axis=0), float(vertices[:, 2].min()), bench.master.height_mm)
    centre = vertices.mean(axis=0)
    high = (
        "upper"
        if centre[2] > 2 / 3 * bench.master.height_mm
        else "lower"
        if centre[2] < bench.master.height_mm / 3
        else "middle"
    )
    side = where_on_piece(centre, bench.master).split(",")[0]
    return f"{high} part" if side == "middle" else f"{high} part, {side}"


def _body_of(bench: _Bench) -> int:
    """Which part is the body: the one that carries the rest, but where that is no more than a foot the largest."""
    areas = [_area_mm2(solid) for solid in bench.solids]
    return 0 if areas[0] >= _NO_FOOT * max(areas) else int(np.argmax(areas))


def _of_limb(name: str, size_mm: np.ndarray, low_mm: float, height_mm: float) -> str:
    """A limb's part by how much of the limb it is: an arm rather than the hand that names it, a foot rather than the
    leg."""
    if name.endswith(" hand") and float(size_mm.max()) > _AN_ARM * height_mm:
        return name.removesuffix("hand") + "arm"
    if name.endswith(" leg") and low_mm <= _ON_GROUND * height_mm and float(size_mm[2]) < _A_FOOT * height_mm:
        return name.removesuffix("leg") + "foot"
    return name


_HEAD = ("face", "chin", "left cheek", "right cheek", "back of the head", "top of the head")
_LIMBS = ("ear", "horn", "tail", "leg", "foreleg", "hand")
