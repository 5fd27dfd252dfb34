"""More than two pieces: proposed where two cannot free the jacket within the brief's limits, or as the brief asks.

A proposal stays one unless the brief chooses it (`pieces` under [seam]): then its seam takes the place of the two
pieces' and every later stage follows it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...base.errors import PlanImpossible
from ...base.figures import listed, litres, mm, percent
from ...base.intervals import CARVING, Interval, interval_of
from ...base.marks import Assumption, Mark
from ...base.progress import SILENT, Progress
from ...geometry.facegraph import FaceGraph, face_graph
from ...geometry.frame import unit
from ...geometry.freedom import freedom_by_rays
from ...geometry.polyline import length_mm
from ...geometry.rays import RayScene, ray_scene
from ...inputs.brief import Brief, SeamBrief
from ...trade.answers import Measured
from ...trade.laminate import Laminate, lay_up, mat_g_m2_from_oz
from ...trade.price import piece_price
from ...trade.seamterms import SeamTerms, seam_terms
from ...trade.thickness import ThicknessRule, choose_thickness
from ..locks import Locks
from ..master import Master
from ..opening import Opening, direction_words
from ..seam import (
    Seam,
    at_vertices,
    keep_clear_weights,
    know_place,
    line_price,
    skin_areas_mm2,
)
from ..visibility import how_it_shows
from .fills import deepest_fill_mm, fill_of_pieces
from .jackets import JacketsApart, share_jackets
from .lattice import (
    CELLS,
    MasterCells,
    PieceCells,
    Unstacking,
    WayOff,
    cells_of_master,
    cells_of_pieces,
    jacket_parts,
    labels_by_face,
    labels_by_field,
    look_again,
    skin_ratio,
    skin_volume_mm3,
)
from .naming import named_shares
from .sharing import (
    Patches,
    Shares,
    at_most,
    drawn_shares,
    gather_patches,
    joints_between,
    possible_pulls,
    pull_costs,
    share_skin,
    useful_pulls,
)


@dataclass(frozen=True)
class DivisionPiece:
    """One piece of a proposal. share is of the skin; fill_mm3 the rubber that fills its locks; locked_area_mm2 its skin
    that its own pull does not free; jacket_kg its shell and flange by the brief's mat, without keys or rubber."""

    name: str
    pull: tuple[float, float, float]
    area_mm2: float
    share: float
    locked_area_mm2: float
    fill_mm3: float
    jacket_kg: float


@dataclass(frozen=True, eq=False)
class JointLine:
    """One run of the joint between two pieces. points_mm : (k, 3) on the skin; a closed one does not repeat its
    first."""

    between: tuple[str, str]
    points_mm: np.ndarray
    closed: bool
    length_mm: float


@dataclass(frozen=True)
class ComingOff:
    """One step of taking off. checked_steps, clearance_mm, hits : from the second look, see `blocks.WayOff`; clearance
    is of cell centres from the master's skin."""

    piece: str
    reason: str
    travel_mm: float
    checked_steps: int
    clearance_mm: float
    hits: int


@dataclass(frozen=True, eq=False)
class Division:
    """A proposal of several pieces, each with its own pull.

    labels : (m,) int8, index into shares for each face. order : empty where none was found. jacket_cells : int8 on the
    lattice that starts at `lattice_first_mm` with cells of `cell_mm`, the piece whose jacket stands there, -1 none.
    Volumes are right to about `fill_error_mm3`, places to half a cell.
    """

    shares: tuple[DivisionPiece, ...]
    labels: np.ndarray
    joints: tuple[JointLine, ...]
    joint_length_mm: float
    order: tuple[ComingOff, ...]
    holds: bool  # every piece comes off in this order, by both methods, and the brief's limits hold
    fill_mm3: float
    fill_share: float  # of the master's volume
    deepest_fill_mm: float
    two_piece_fill_mm3: float  # by the same method, for comparison
    two_piece_locked_area_mm2: float
    locked_area_mm2: float
    rubber_mm3: Interval
    fill_error_mm3: float
    cell_mm: float
    lattice_first_mm: tuple[float, float, float]
    jacket_cells: np.ndarray
    why: str
    notes: tuple[str, ...]
    two_piece_deepest_mm: float = 0.0  # by the same method
    jackets: JacketsApart | None = None  # two gloves under more jackets, where that pays
    measured: tuple[Measured, ...] = ()  # the answers by its lattice, and two pieces with the loose ones that pay

    @property
    def comes_off(self) -> bool:
        """An order was found, and every piece tried clear on its way."""
        return bool(self.order) and not any(step.hits for step in self.order)


_AS_PROPOSED = 4  # pieces, where the brief leaves the number to the proposal
ROUGH_SHARE = 0.7  # of the lattice's cells: a second one tells how far the first may be out


# --- limits ----------------------------------------------------------------------------------------------


def beyond_two(master: Master, locks: Locks, brief: Brief) -> tuple[str, ...]:
    """In words, which of the brief's limits the two pieces break; none where they will do."""
    return fill_beyond_two(master, locks.fill_mm3, float(locks.fill_mm.max(initial=0.0)), brief)


def fill_beyond_two(master: Master, fill_mm3: float, deepest_mm: float, brief: Brief) -> tuple[str, ...]:
    """As `beyond_two`, of a fill as it is built."""
    skin = choose_thickness(master.height_mm, brief.run.casts, brief.rubber).skin_mm
    return _broken_limits(fill_mm3 / max(master.volume_mm3, 1e-9), deepest_mm, skin, brief.seam)


def _broken_limits(share: float, deepest_mm: float, skin_mm: float, brief: SeamBrief) -> tuple[str, ...]:
    out = []
    if share > brief.most_fill_share:
        out.append(
            f"undercut fill is {percent(share)} of the master's volume, over the "
            f"{percent(brief.most_fill_share)} allowed"
        )
    if deepest_mm > brief.deepest_fill_skins * skin_mm:
        out.append(
            f"the deepest fill of {mm(deepest_mm)} along the pull is over the {brief.deepest_fill_skins:g} skin "
            f"thicknesses ({mm(brief.deepest_fill_skins * skin_mm)}) allowed"
        )
    return tuple(out)


def division_assumptions(brief: SeamBrief) -> tuple[Assumption, ...]:
    """What a division rests on; every figure is the workshop's to set."""
    rows = (
        ("undercut fill two pieces may take, of the master's volume", percent(brief.most_fill_share)),
        ("deepest undercut fill two pieces may take", f"{brief.deepest_fill_skins:g} skin thicknesses"),
    )
    return tuple(Assumption(what, value, Mark.INVENTED) for what, value in rows)


# --- the proposal ----------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Tried:
    """One division on its body, before it is put in words."""

    shares: Shares
    blocks: PieceCells
    found: Unstacking
    ways: tuple[WayOff, ...]
    fill_mm3: np.ndarray  # for each piece
    deepest_mm: float
    jacket_kg: np.ndarray
    joints: tuple[tuple[tuple[int, int], np.ndarray, bool], ...]
    broken: tuple[str, ...]

    @property
    def comes_off(self) -> bool:
        return bool(self.found.order) and not any(w.master_hits or w.other_hits for w in self.ways)

    @property
    def within(self) -> bool:
        """Comes off, and within the brief's limits."""
        return self.comes_off and not self.broken

    @property
    def rank(self) -> tuple[bool, bool, float]:
        """The highest is proposed."""
        return self.within, self.comes_off, -float(self.fill_mm3.sum())


def propose_division(
    master: Master,
    brief: Brief,
    opening: Opening,
    seam: Seam,
    locks: Locks,
    progress: Progress = SILENT,
    *,
    scene: RayScene | None = None,
    show: np.ndarray | None = None,
    piece_limit_kg: float | None = None,
    terms: SeamTerms | None = None,
    cells: int = CELLS,
) -> Division | None:
    """Three pieces or more, up to `brief.seam.max_pieces`, where two break the brief's limits; None where two will do
    or no more are allowed. Where `brief.seam.pieces` names a number, that many and no fewer: raises `PlanImpossible`
    where some of them would have no skin.

    Of each number of pieces the best pulls share the skin (`sharing`), stand as blocks on a lattice, and are taken off
    one by one (`blocks`); then every way off is looked at again by rays. The first number within the limits is
    proposed, else the one with the least fill, with what it still breaks said. piece_limit_kg : for the heaviest
    jacket piece. scene, show, terms : of this master and brief, if at hand. cells : of the lattice, along the master's
    longest side. The same every time.
    """
    reasons = beyond_two(master, locks, brief)
    brief, asked = _how_many(brief)
    if asked is None and (not reasons or brief.seam.max_pieces < 3):
        return None
    progress.begin("division")
    scene = scene or ray_scene(master.vertices_mm, master.faces)
    if show is None:
        show = how_it_shows(master, brief.seam, progress, scene)
    known = _look_over(master, brief, opening, scene, show, terms, progress)
    rule, wall = known.rule, known.wall
    margin = rule.flange_width_mm + rule.skin_mm + wall.thickness_mm
    body = cells_of_master(master, scene, rule.skin_mm, margin, progress, cells)
    best = _best_shared(body, known, scene, brief, asked, piece_limit_kg, progress)
    progress.step(0.8, "two pieces, by the same method")
    two = _two_pieces(body, seam, rule, wall.thickness_mm)
    progress.step(0.85, "jackets apart from gloves")
    apart = share_jackets(
        body, known.graph, known.patches, seam, known.pulls, known.costs, known.terms, rule, wall.thickness_mm, two,
        progress,
    )  # fmt: skip
    rough = cells_of_master(master, scene, rule.skin_mm, margin, cells=round(ROUGH_SHARE * cells))
    error = _fill_error(rough, best, rule, wall.thickness_mm)
    return replace(_in_words(body, best, brief, rule, reasons, two, locks, error), jackets=apart)


def _how_many(brief: Brief) -> tuple[Brief, int | None]:
    """The brief with the most pieces that are tried, and how many are asked for by number."""
    pieces, most = brief.seam.pieces, brief.seam.max_pieces
    asked = pieces if isinstance(pieces, int) and pieces > 2 else None
    if asked is not None:
        most = asked
    elif pieces == "as proposed":
        most = max(most, _AS_PROPOSED)
    return replace(brief, seam=replace(brief.seam, max_pieces=most)), asked


@dataclass(frozen=True, eq=False)
class _LookedOver:
    """What every number of pieces shares: pulls : (p, 3); costs : (patches, p) of each patch to each pull; useful :
    pulls worth a piece."""

    graph: FaceGraph
    patches: Patches
    pulls: np.ndarray
    costs: np.ndarray
    useful: np.ndarray
    terms: SeamTerms
    rule: ThicknessRule
    wall: Laminate


def _look_over(
    master: Master,
    brief: Brief,
    opening: Opening,
    scene: RayScene,
    show: np.ndarray,
    terms: SeamTerms | None,
    progress: Progress,
) -> _LookedOver:
    rule = choose_thickness(master.height_mm, brief.run.casts, brief.rubber)
    terms = terms or seam_terms(brief, None, rule.skin_mm)
    graph = face_graph(master.vertices_mm, master.faces)
    place = know_place(master, terms, at_vertices(master, show), keep_clear_weights(master, brief.seam), scene)
    money = graph.length_mm * line_price(place, bent=True)[graph.vertices].mean(axis=1)
    patches = gather_patches(master, graph, money)
    others = np.array([opening.symmetry.normal, *(c.direction for c in opening.candidates)], float)
    pulls = possible_pulls(master, others)
    everything = np.arange(len(patches.area_mm2))
    costs = np.empty((len(everything), len(pulls)))
    for k, pull in enumerate(pulls):
        progress.step(0.05 + 0.25 * k / len(pulls), f"{len(pulls)} pulls")
        costs[:, k] = pull_costs(master, scene, patches, pull, terms.unit, everything)
    wall = lay_up(mat_g_m2_from_oz(brief.jacket.mat_oz), brief.jacket.glass_fraction)
    return _LookedOver(graph, patches, pulls, costs, useful_pulls(costs), terms, rule, wall)


def _best_shared(
    body: MasterCells,
    known: _LookedOver,
    scene: RayScene,
    brief: Brief,
    asked: int | None,
    limit_kg: float | None,
    progress: Progress,
) -> _Tried:
    """The first number of pieces within the limits, else the one with the least fill."""
    master = body.master
    piece_money = 0.0 if asked is not None else piece_price(brief.rates)  # asked for: it need not pay for itself
    best: _Tried | None = None
    first, most = asked or 3, brief.seam.max_pieces
    for count in range(first, most + 1):
        progress.step(0.35 + 0.5 * (count - first) / most, f"{count} pieces")
        shares = share_skin(
            master, known.graph, known.patches, scene, known.terms.unit, piece_money, known.pulls, known.costs,
            known.useful, count,
        )  # fmt: skip
        if best is not None and len(shares.pulls) < count:
            continue  # no further piece pays for itself
        tried = _try(
            body, known.graph, shares, known.rule, known.wall.thickness_mm, known.wall.mass_kg_m2, brief, limit_kg
        )
        if best is None or tried.rank > best.rank:
            best = tried
        if best.within:
            break
    assert best is not None
    if asked is not None and len(best.shares.pulls) != asked:
        raise PlanImpossible(
            f"No {asked} pieces are worth making: with the best pulls found, {len(best.shares.pulls)} of them take all "
            "the skin; ask for another number under [seam] pieces."
        )
    return best


def _try(
    body: MasterCells,
    graph: FaceGraph,
    shares: Shares,
    rule: ThicknessRule,
    wall_mm: float,
    wall_kg_m2: float,
    brief: Brief,
    limit_kg: float | None,
) -> _Tried:
    master = body.master
    blocks, found = cells_of_pieces(
        body, labels_by_field(body, shares.fields), shares.pulls, rule.skin_mm, wall_mm, rule.flange_width_mm
    )
    labels, old = jacket_parts(body, blocks, shares.labels)
    if len(old) > len(shares.pulls):
        used, labels = np.unique(
            at_most(graph, labels, skin_areas_mm2(master), brief.seam.max_pieces), return_inverse=True
        )
        shares = drawn_shares(master, labels.reshape(-1), shares.pulls[old[used]])
        blocks, found = cells_of_pieces(
            body, labels_by_field(body, shares.fields), shares.pulls, rule.skin_mm, wall_mm, rule.flange_width_mm
        )
    ways = look_again(body, blocks, shares.pulls, found.order)
    fill = blocks.fill_cells * body.lattice.pitch_mm**3
    joints = joints_between(master, shares)
    kg = _jacket_kg(master, shares, joints, rule.flange_width_mm, wall_kg_m2)
    deepest = deepest_fill_mm(fill_of_pieces(blocks), shares.pulls, body.lattice.pitch_mm)
    share = float(fill.sum()) / max(master.volume_mm3, 1e-9)
    broken = list(_broken_limits(share, deepest, rule.skin_mm, brief.seam))
    if limit_kg is not None and kg.max() > limit_kg:
        broken.append(f"the heaviest jacket piece of {kg.max():.1f} kg is over the {limit_kg:g} kg allowed")
    return _Tried(shares, blocks, found, ways, fill, deepest, kg, joints, tuple(broken))


def _two_pieces(body: MasterCells, seam: Seam, rule: ThicknessRule, wall_mm: float) -> tuple[float, float]:
    """Undercut fill (mm³) of the two-piece seam on the same lattice, and how deep it is (mm)."""
    pulls = np.array([unit(np.asarray(p.pull)) for p in seam.pieces])
    blocks, _ = cells_of_pieces(
        body, labels_by_face(body, seam.labels), pulls, rule.skin_mm, wall_mm, rule.flange_width_mm
    )
    return float(blocks.fill_cells.sum()) * body.lattice.pitch_mm**3, deepest_fill_mm(
        fill_of_pieces(blocks), pulls, body.lattice.pitch_mm
    )


def _fill_error(rough: MasterCells, best: _Tried, rule: ThicknessRule, wall_mm: float) -> float:
    """How far the fill on a coarser lattice is from the proposal's, mm³."""
    again, _ = cells_of_pieces(
        rough,
        labels_by_field(rough, best.shares.fields),
        best.shares.pulls,
        rule.skin_mm,
        wall_mm,
        rule.flange_width_mm,
    )
    return abs(float(again.fill_cells.sum()) * rough.lattice.pitch_mm**3 - float(best.fill_mm3.sum()))


def _jacket_kg(master: Master, shares: Shares, joints: tuple, flange_width_mm: float, wall_kg_m2: float) -> np.ndarray:
    """(pieces,) mass of each jacket: its skin's area and its flanges, at the brief's mat."""
    area = np.bincount(shares.labels, skin_areas_mm2(master), minlength=len(shares.pulls)).astype(float)
    for pair, points, closed in joints:
        area[list(pair)] = area[list(pair)] + flange_width_mm * length_mm(points, closed)
    return area * 1e-6 * wall_kg_m2


# --- in words --------------------------------------------------------------------------------------------


def _in_words(
    body: MasterCells,
    tried: _Tried,
    brief: Brief,
    rule: ThicknessRule,
    reasons: tuple[str, ...],
    of_two: tuple[float, float],
    locks: Locks,
    error_mm3: float,
) -> Division:
    master, shares = body.master, tried.shares
    count = len(shares.pulls)
    areas = skin_areas_mm2(master)
    centre = master.vertices_mm[master.faces].mean(axis=1)
    own, names = named_shares(shares.pulls, shares.labels, areas, centre)
    locked = [_locked_mm2(body, shares, k, centre, areas) for k in range(count)]
    pieces = tuple(
        DivisionPiece(
            names[k],
            tuple(float(c) + 0.0 for c in shares.pulls[k]),  # type: ignore[arg-type]
            float(own[k]),
            float(own[k] / max(own.sum(), 1e-9)),
            locked[k],
            float(tried.fill_mm3[k]),
            float(tried.jacket_kg[k]),
        )
        for k in range(count)
    )
    joints = tuple(
        JointLine((names[a], names[b]), points, closed, length_mm(points, closed))
        for (a, b), points, closed in tried.joints
    )
    joint_mm = sum(j.length_mm for j in joints)
    fill = float(tried.fill_mm3.sum())
    return Division(
        shares=pieces,
        labels=shares.labels,
        joints=joints,
        joint_length_mm=joint_mm,
        order=_order_in_words(tried, names),
        holds=tried.within and fill < of_two[0],
        fill_mm3=fill,
        fill_share=fill / max(master.volume_mm3, 1e-9),
        deepest_fill_mm=tried.deepest_mm,
        two_piece_fill_mm3=of_two[0],
        two_piece_deepest_mm=of_two[1],
        two_piece_locked_area_mm2=locks.piece_locked_area_mm2,
        locked_area_mm2=float(sum(locked)),
        rubber_mm3=division_rubber(body, tried.blocks, rule, brief, joint_mm, error_mm3),
        fill_error_mm3=error_mm3,
        cell_mm=body.lattice.pitch_mm,
        lattice_first_mm=tuple(float(c) for c in body.lattice.first_mm),  # type: ignore[arg-type]
        jacket_cells=tried.blocks.jacket,
        why=_why(reasons, count, fill, of_two[0]),
        notes=_notes(body, tried, names),
    )


def _locked_mm2(body: MasterCells, shares: Shares, piece: int, centre: np.ndarray, areas: np.ndarray) -> float:
    which = np.flatnonzero((shares.labels == piece) & (areas > 0))
    normals = body.master.normals[which]
    free = freedom_by_rays(body.scene, centre[which], normals, shares.pulls[piece])[0]
    return float(areas[which[~free]].sum())


_LEFT_OUT = 0.1  # of the rubber, for what is not laid out here: draft, the foot's flange, keys (common practice)


def division_rubber(
    body: MasterCells, blocks: PieceCells, rule: ThicknessRule, brief: Brief, joint_mm: float, error_mm3: float
) -> Interval:
    """Fill, skin over master and fill, and along both sides of every joint the thicker band and the flange."""
    master = body.master
    fill = float(blocks.fill.sum()) * body.lattice.pitch_mm**3
    skin = skin_volume_mm3(body, rule.skin_mm) * skin_ratio(body, blocks.fill, rule.skin_mm)
    # the band's thickness falls smoothly from edge to skin: half of it on the mean
    band = (rule.edge_mm - rule.skin_mm) * rule.band_mm / 2
    flange = rule.flange_mm * (rule.flange_width_mm - rule.skin_mm)
    laid = skin + fill + 2 * joint_mm * (band + flange)
    likely = laid * (1 + _LEFT_OUT) + skin * (master.detail_allowance - 1)
    share = skin / max(likely, 1e-9)
    causes = (
        ("lattice resolution", error_mm3 / max(likely, 1e-9)),
        (CARVING, master.detail_allowance_uncertainty * share),
        ("brushing by hand", brief.rubber.brushing_variation * share),
        ("draft, the foot and keys by a flat tenth", _LEFT_OUT),
    )
    return interval_of(likely, causes)


def _order_in_words(tried: _Tried, names: tuple[str, ...]) -> tuple[ComingOff, ...]:
    out = []
    for way in tried.ways:
        before = [names[k] for k in tried.found.after[way.piece]]
        pull = direction_words(tuple(float(c) for c in tried.shares.pulls[way.piece]))  # type: ignore[arg-type]
        stands = f"after the {listed(before)} is off" if len(before) == 1 else f"after the {listed(before)} are off"
        reason = f"comes off {pull}, " + (stands if before else "with nothing in its way")
        out.append(
            ComingOff(
                names[way.piece], reason, way.travel_mm, way.steps, way.clearance_mm, way.master_hits + way.other_hits
            )
        )
    return tuple(out)


def _why(reasons: tuple[str, ...], count: int, fill_mm3: float, two_mm3: float) -> str:
    said = "; ".join(reasons)
    if not reasons:
        return f"{count} pieces, as asked: {litres(fill_mm3)} of undercut fill where two take {litres(two_mm3)}."
    beside = f"{litres(fill_mm3)} of undercut fill where two take {litres(two_mm3)}, by the same method"
    if fill_mm3 < two_mm3:
        return f"Two pieces go over the brief's limits: {said}. {count} pieces take {beside}."
    return (
        f"Two pieces go over the brief's limits: {said}. More do no better: the best found, {count}, take {beside}. "
        "Keep two, or work the sculpt over."
    )


def _notes(body: MasterCells, tried: _Tried, names: tuple[str, ...]) -> tuple[str, ...]:
    cell = body.lattice.pitch_mm
    out = [f"Moved on a lattice of {mm(cell)} cells: places are right to half a cell, joints may slide within one."]
    if tried.found.stuck:
        stuck = listed(names[k] for k in tried.found.stuck)
        out.append(f"No order of taking off was found: the {stuck} hold each other. Do not build this division.")
    bad = [names[w.piece] for w in tried.ways if w.master_hits or w.other_hits]
    if bad:
        out.append(f"By the second look the {listed(bad)} would still touch on the way off: look there first.")
    out += [f"Still not within the brief: {words}." for words in tried.broken]
    if tried.blocks.given_cells:
        litre = litres(tried.blocks.given_cells * cell**3)
        out.append(f"{litre} of jacket went to a neighbour or became rubber, so that no two pieces hold each other.")
    return tuple(out)


# --- to build ------------------------------------------------------------------------------------------------
