"""The mould as closed solids: master halves, glove pieces with keys and flange, jacket pieces, boards.

Glove and jacket are columns along the pull between height maps, cut by exact booleans (manifold3d: always manifold
out if manifold in). The jacket's inside is the glove's outside, triangle by triangle, so it lifts off along the pull.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy import ndimage

from ..base.errors import BriefRefused, OutputRefused
from ..base.files import DEVICE_NAMES, make_folder, write_via_path
from ..base.progress import SILENT, Progress
from ..base.threads import in_threads
from ..geometry.clearance import raised_clear
from ..geometry.depthmap import Grid, raise_by_balls
from ..geometry.footprint import CellCuts, Sheet, plain_cut, quartered, sheet_of
from ..geometry.heightmap import coarsen, filled, sample, share_of_blocks
from ..geometry.sampling import covering_points
from ..stages.cast import BOARD_THICKNESS_MM
from ..stages.cradle import CradlePiece
from ..stages.jacket.layup import foot_flange_mm, laminate_mm
from ..stages.jacket.record import JacketPiece
from ..stages.keys.record import Keys
from ..stages.keys.shape import key_bumps
from ..stages.master import Master
from ..stages.plan import MouldPlan
from ..stages.rubber.glove import SPACING_PIXELS, missed_mm
from ..stages.rubber.record import Envelope, Rubber
from ..stages.rubber.rims import bent_to_board, jacketed
from ..trade.section import JointSection
from .domes import dome_solids, hollow_points, without_domes
from .finer import fine_enough, pixels_of
from .halves import master_halves, on_grid, trimmed
from .inturn import Columns, laid_in_turn, points_beside
from .loose import LOOSE_CRUMB, cut_out_loose
from .ribs import rib_solids
from .slots import Slots, slots_of
from .solid import Solid, manifold_of, solid_of
from .thickness import AskedSkin, asked_skin, tree_over
from .wayoff import JacketNodes

LEAST_PITCH_MM = 3.0  # the default lattice is no finer: the rubber is brushed by hand
FORMATS = ("stl", "3mf", "glb")
_LEAST_WALL_MM = 0.1  # columns are at least this long: a film brushed on the wall
_CRUMB_SHARE = 1e-3  # of a solid: loose parts smaller than this are the lattice's, not the mould's
_MISSED_MM = 0.02  # of a thickness, at most, between the points of the skin that facets are held from
RELEASE_FILM_MM = 0.2  # between two gloves of several, invented: nearer, and a ray in single precision misses one
_SLOT_BELOW_MM = 2.0  # a wedge slot is cut from under the parting, where no other solid of the piece is
_STEEP = 2.0  # slope over which cells are quartered: a wall climbs this many pitches between two nodes


def make_solids(plan: MouldPlan, tolerance_mm: float | None = None, progress: Progress = SILENT) -> tuple[Solid, ...]:
    """All solids of a plan: master halves (of more than two pieces the master whole), gloves with keys and flange,
    jackets with flange, their ribs, cradle boards and rails, the cast's baseboard in its halves.

    tolerance_mm : pitch of the lattice that glove and jacket are made on, less what makes it a whole number of the
    envelope's pixels; by default 3 mm, or the pixel where that is larger, and finer where detail makes the gloves hold
    more than the plan's rubber, as far as a machine holds it. Raises `BriefRefused` for a tolerance that is
    no length and `PlanImpossible` where the master is no closed manifold.
    """
    pixel = max(e.pixel_mm for e in plan.rubber.envelopes)
    pitch = max(pixel, LEAST_PITCH_MM) if tolerance_mm is None else float(tolerance_mm)
    if not 0.0 < pitch <= plan.rubber.flange_width_mm:
        raise BriefRefused(
            f"A tolerance of {pitch:g} mm makes no solids; give one above 0 and no more than the flange's width of "
            f"{plan.rubber.flange_width_mm:g} mm."
        )
    progress.step(0.0, "master halves")
    print_of = manifold_of(plan.master.vertices_mm, plan.master.faces, plan.master.name)
    solids = [] if len(plan.seam.pieces) > 2 else master_halves(plan.master, plan.seam, print_of)
    solids += _gloves_and_jackets(plan, print_of, pitch, tolerance_mm is None, progress.part(0.2, 0.9))
    progress.step(0.9, "ribs and boards")
    solids += rib_solids(plan)
    for cradle in plan.cradle.pieces:
        envelope = next(e for e in plan.rubber.envelopes if e.piece == cradle.piece)
        solids += _cradle(cradle, envelope)
    solids += _baseboards(plan)
    progress.step(1.0)
    return tuple(solids)


def _gloves_and_jackets(
    plan: MouldPlan, print_of: Any, pitch_mm: float, finer: bool, progress: Progress
) -> list[Solid]:
    """All gloves, and the jackets over them. finer : on finer lattices until the gloves hold what the plan buys."""
    if len(plan.rubber.envelopes) > 2:
        return fine_enough(lambda pitch: _several(plan, print_of, pitch, progress), list, plan, pitch_mm, finer)

    def held(gloves: Sequence[_Glove]) -> list[Solid]:
        return [solid for glove in gloves for solid in glove.solids]

    gloves = fine_enough(
        lambda pitch: _gloves(plan, print_of, pitch, progress.part(0.0, 0.5)), held, plan, pitch_mm, finer
    )
    jackets = in_threads(
        lambda pair: _jacket_over(plan, *pair), zip(gloves, plan.jacket.pieces, strict=True), progress, (0.5, 1.0),
        "jackets",
    )  # fmt: skip
    return [solid for glove, over in zip(gloves, jackets, strict=True) for solid in (*glove.solids, *over)]


def _several(plan: MouldPlan, print_of: Any, pitch_mm: float, progress: Progress) -> list[Solid]:
    """More than two pieces, each laid up against those before it."""
    progress.step(0.0, "parting surface")
    lattices = _lattices(without_domes(plan.rubber), plan.keys, pitch_mm, plan.jacket.pieces)
    columns = in_threads(
        lambda k: _columns_of_many(plan, lattices[k], k), range(len(lattices)), progress, (0.15, 0.8), "columns"
    )
    return _of_many(plan, columns, print_of, progress.part(0.8, 1.0))


@dataclass(frozen=True, eq=False)
class _Glove:
    """A piece's glove with its loose pieces as solids, and what its jacket is cut by: all under its outside."""

    lattice: _Lattice
    inside: _Outside
    block: Any
    solids: list[Solid]


def _gloves(plan: MouldPlan, print_of: Any, pitch_mm: float, progress: Progress) -> list[_Glove]:
    progress.step(0.0, "parting surface")
    lattices = _lattices(plan.rubber, plan.keys, pitch_mm, plan.jacket.pieces)
    return in_threads(lambda each: _glove(plan, print_of, each), lattices, progress, (0.2, 1.0), "gloves")


def _glove(plan: MouldPlan, print_of: Any, lattice: _Lattice) -> _Glove:
    inside = _thick_enough(lattice, plan)
    block = _column_solid(lattice, lattice.share, inside, plan.master)
    loose = [one for one in plan.rubber.loose if one.piece == lattice.envelope.piece]
    rubber, inserts = cut_out_loose(trimmed(block, plan.master), loose)
    name = f"glove, {lattice.envelope.name}"
    made = [solid_of(name, "glove", rubber - print_of, crumb_share=_CRUMB_SHARE, thinned=False)]
    for one, insert in inserts:
        made.append(solid_of(one.name, "loose piece", insert, crumb_share=LOOSE_CRUMB, thinned=False))
    return _Glove(lattice, inside, block, made)


def _jacket_over(plan: MouldPlan, glove: _Glove, shell: JacketPiece) -> list[Solid]:
    """The jacket over a glove, where one goes over it."""
    lattice = glove.lattice
    if not (lattice.jacket_share >= 0.5).any():
        return []
    # formers stand on the first jacket's flange; the last is laid over them
    last = lattice.envelope is plan.rubber.envelopes[-1]
    slots = slots_of(lattice.envelope, shell.wedge_points_mm if last else ())
    outside = _jacket_outside(lattice, glove.inside, plan.rubber, shell, slots)
    # trimmed last: until then both have the same nodes on the parting surface, and not nearly the same
    jacket = _column_solid(lattice, lattice.jacket_share, outside, plan.master) - glove.block
    jacket.num_tri()  # cut now, so that what it is cut from can go
    for slot in slots.meshes(_SLOT_BELOW_MM):
        jacket -= manifold_of(*slot, "a wedge slot")
    name = f"jacket, {lattice.envelope.name}"
    return [solid_of(name, "jacket", trimmed(jacket, plan.master), crumb_share=_CRUMB_SHARE, thinned=False)]


def _columns_of_many(plan: MouldPlan, lattice: _Lattice, at: int) -> Columns:
    """One of several pieces before it is laid up against the others. Formers stand on the flanges made before it."""
    inside = _thick_enough(lattice, plan)
    glove = _column_solid(lattice, lattice.share, inside, plan.master)
    # a film between two gloves, as the release leaves it: faces that all but meet are no surface that a ray can count
    film = RELEASE_FILM_MM * np.hypot(1.0, np.minimum(np.hypot(*np.gradient(lattice.low_mm, lattice.pitch_mm)), _STEEP))
    thicker = replace(inside, top_mm=inside.top_mm + film, middles_mm=inside.middles_mm + RELEASE_FILM_MM)
    around = _column_solid(replace(lattice, low_mm=lattice.low_mm - film), lattice.share, thicker, plan.master)
    turned = dome_solids(plan.rubber, at, RELEASE_FILM_MM)
    if not (lattice.jacket_share >= 0.5).any():
        return Columns(lattice.envelope.name, lattice.envelope.frame.pull, glove, around, None, (), *turned)
    shells = plan.jacket.pieces
    before = np.array([w for shell in shells[:at] for w in shell.wedge_points_mm]).reshape(-1, 3)
    slots = slots_of(
        lattice.envelope, points_beside(shells[at].wedge_points_mm, before, 3.0 * lattice.pitch_mm).tolist()
    )
    outside = _jacket_outside(lattice, inside, plan.rubber, shells[at], slots)
    cut = tuple(manifold_of(*slot, "a wedge slot") for slot in slots.meshes(_SLOT_BELOW_MM))
    nodes = _jacket_nodes(lattice, inside, outside, plan, min(z.thickness_mm for z in shells[at].zones))
    return Columns(lattice.envelope.name, lattice.envelope.frame.pull, glove, around, nodes, cut, *turned)


def _jacket_nodes(
    lattice: _Lattice, inside: _Outside, outside: _Outside, plan: MouldPlan, laid_mm: float
) -> JacketNodes:
    """What one of several jackets is laid on."""

    def columns(low_mm: np.ndarray, top_mm: np.ndarray, share: np.ndarray) -> Any:
        plain = replace(outside, top_mm=top_mm)
        return _column_solid(replace(lattice, low_mm=low_mm), share, plain, plan.master)

    return JacketNodes(
        lattice.envelope.frame,
        Grid(float(lattice.x_mm[0]), float(lattice.y_mm[0]), lattice.pitch_mm, *lattice.low_mm.shape),
        lattice.low_mm,
        inside.top_mm,
        laid_mm,
        lattice.share >= 0.5,
        lattice.jacket_share > 0.0,
        columns,
        lambda low_mm, least_mm: columns(low_mm, np.maximum(outside.top_mm, least_mm), lattice.jacket_share),
    )


def _of_many(plan: MouldPlan, columns: Sequence[Columns], print_of: Any, progress: Progress) -> list[Solid]:
    """The master whole, and each of more than two pieces' glove and jacket."""
    # in parts it would have faces that all but meet, as many as pieces
    made = [solid_of("master, whole", "master half", print_of, thinned=False)]
    for at, (own, (rubber, glass)) in enumerate(zip(columns, laid_in_turn(columns, print_of), strict=True)):
        progress.step(at / len(columns), own.name)
        for kind, body in (("glove", rubber), ("jacket", glass)):
            if body is not None:
                body = trimmed(body, plan.master)
                made.append(solid_of(f"{kind}, {own.name}", kind, body, crumb_share=_CRUMB_SHARE, thinned=False))
    return made


# --- lattices --------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Lattice:
    """One piece's maps on nodes a pitch apart, (rows, columns) each, in its own pull frame (z along its pull).

    x_mm falls with the columns where the piece pulls against the first: in plan coordinates both pieces' nodes then
    run the same way, and their parting surfaces are cut into the same triangles. first : row and column number of
    node (0, 0) on the lattice that both share. share, jacket_share : 0 to 1, how much of a node's block is under
    rubber, and under the jacket.
    """

    envelope: Envelope
    mirrored: bool
    pitch_mm: float
    first: tuple[int, int]
    x_mm: np.ndarray
    y_mm: np.ndarray
    share: np.ndarray
    jacket_share: np.ndarray
    foot_mm: np.ndarray  # top of the jacket's own flange on the board, -inf where there is none
    low_mm: np.ndarray  # the parting surface, everywhere
    top_mm: np.ndarray  # the glove's outside with keys, everywhere: carried on past the rim


def _lattices(rubber: Rubber, keys: Keys, pitch_mm: float, shells: Sequence[JacketPiece]) -> list[_Lattice]:
    """Each piece on a lattice; where two pieces part along one pull, with one parting surface."""
    one, *others = rubber.envelopes
    opposed = len(others) == 1 and float(one.frame.pull @ others[0].frame.pull) < -1 + 1e-9
    feet = [_on_the_board(e, rubber.built_to, shell) for e, shell in zip(rubber.envelopes, shells, strict=True)]
    lattices = [_lattice(e, keys, pitch_mm, opposed and k == 1, feet[k]) for k, e in enumerate(rubber.envelopes)]
    if not opposed:
        return lattices
    if one.pixel_mm != others[0].pixel_mm:
        return lattices
    return _one_parting(lattices[0], lattices[1])


def _lattice(envelope: Envelope, keys: Keys, pitch_mm: float, mirrored: bool, foot_mm: np.ndarray) -> _Lattice:
    p = envelope.pixel_mm
    factor = pixels_of(pitch_mm, p)
    rows, columns = envelope.outer_mm.shape
    start_j, start_i = (round(c / p - 0.5) for c in envelope.origin_mm)
    rest_j, rest_i = (c / p - 0.5 - n for c, n in zip(envelope.origin_mm, (start_j, start_i)))
    if mirrored:
        start_j, rest_j = -start_j - columns, -rest_j
    before = (start_i % factor, start_j % factor)
    first = (start_i // factor - 1, start_j // factor - 1)

    def laid(values: np.ndarray, beyond: float | bool) -> np.ndarray:
        turned = values[:, ::-1] if mirrored else values
        return np.pad(turned, ((before[0], 0), (before[1], 0)), constant_values=beyond)

    outside = envelope.outer_mm + key_bumps(envelope, keys.keys)
    everywhere = np.ones((rows, columns), bool)
    low, _ = coarsen(laid(envelope.parting_mm, np.nan), laid(everywhere, False), factor)
    rubber = np.isfinite(outside)
    share = share_of_blocks(laid(rubber, False), factor)
    # where the board cuts it the map is the board: the outside goes on as it was, to be cut by the board's own plane;
    # past the bevel the rubber is as thick as nothing
    past = ~rubber & _above_board(envelope)
    known = laid((rubber | past) & ~envelope.open_base, False)
    thick, _ = coarsen(laid(np.where(past, 0.0, outside - envelope.parting_mm), np.nan), known, factor)
    height, _ = coarsen(laid(np.where(past, envelope.parting_mm, outside), np.nan), known, factor)
    over = share_of_blocks(laid(jacketed(envelope) | np.isfinite(foot_mm), False), factor)
    foot, _ = coarsen(laid(foot_mm, -np.inf), laid(np.isfinite(foot_mm), False), factor)
    # a ring of empty nodes round the map, so that every rim closes
    low, thick, height = (filled(np.pad(m, 1, constant_values=np.nan)) for m in (low, thick, height))
    i, j = np.arange(low.shape[0]) + first[0], np.arange(low.shape[1]) + first[1]
    x, y = ((j + 0.5) * factor + rest_j) * p, ((i + 0.5) * factor + rest_i) * p
    # over a parting map bent up to the board, known and unknown pixels of one block are worlds apart: heights count
    bent = bent_to_board(envelope, y, low, factor * p)
    return _Lattice(
        envelope=envelope,
        mirrored=mirrored,
        pitch_mm=factor * p,
        first=first,
        x_mm=-x if mirrored else x,
        y_mm=y,
        share=np.pad(share, 1),
        jacket_share=np.pad(over, 1),
        foot_mm=np.pad(np.where(np.isfinite(foot), foot, -np.inf), 1, constant_values=-np.inf),
        low_mm=low,
        top_mm=np.where(bent, np.maximum(height, low + _LEAST_WALL_MM), low + np.maximum(thick, _LEAST_WALL_MM)),
    )


def _with_parting(lattice: _Lattice, low_mm: np.ndarray) -> _Lattice:
    """The same outside over another parting surface, as thick over it as over its own; where its own is bent up to the
    board the heights count, and past the rim there the thickness goes on."""
    bent = bent_to_board(lattice.envelope, lattice.y_mm, lattice.low_mm, lattice.pitch_mm)
    thick = np.maximum(lattice.top_mm - np.where(bent, low_mm, lattice.low_mm), _LEAST_WALL_MM)
    return replace(lattice, low_mm=low_mm, top_mm=low_mm + filled(np.where(bent & (lattice.share <= 0), np.nan, thick)))


def _on_the_board(envelope: Envelope, section: JointSection, shell: JacketPiece | None) -> np.ndarray:
    """(rows, columns) top of the jacket's own flange on the board, -inf where there is none."""
    if shell is None:
        return np.full(envelope.outer_mm.shape, -np.inf)
    return foot_flange_mm(shell, envelope, section)


def _above_board(envelope: Envelope) -> np.ndarray:
    """(rows, columns) bool: where the parting surface stands above the board; all of it where the base is closed."""
    across, along = (float(envelope.frame.axes[k][2]) for k in (1, 2))
    y = envelope.origin_mm[1] + envelope.pixel_mm * np.arange(envelope.parting_mm.shape[0])
    rise = y[:, None] * across + envelope.parting_mm * along
    if jacketed(envelope)[rise < -2.0 * envelope.pixel_mm].any():
        return np.ones(rise.shape, bool)
    return np.asarray(rise > 0.05 * envelope.pixel_mm)


def _one_parting(ahead: _Lattice, behind: _Lattice) -> list[_Lattice]:
    """Both pieces over the mean of their two parting maps, which differ a little (each was stretched on its own).

    Below the ground a map is bent up to the board in the piece that leans over it: there the other's counts alone.
    """
    first = tuple(min(a, b) for a, b in zip(ahead.first, behind.first))
    last = [max(a.first[k] + a.low_mm.shape[k] for a in (ahead, behind)) for k in (0, 1)]
    total, count = (np.zeros((last[0] - first[0], last[1] - first[1])) for _ in range(2))
    for lattice in (ahead, behind):
        # a thousandth, so that the other's wins wherever it has a say
        weight = np.where(bent_to_board(lattice.envelope, lattice.y_mm, lattice.low_mm, lattice.pitch_mm), 1e-3, 1.0)
        at = _window(lattice, first)
        total[at] += weight * np.where(lattice.mirrored, -lattice.low_mm, lattice.low_mm)
        count[at] += weight
    mean = total / np.maximum(count, 1e-9)
    return [_with_parting(a, sign * mean[_window(a, first)]) for a, sign in ((ahead, 1.0), (behind, -1.0))]


def _window(lattice: _Lattice, first: Sequence[int]) -> tuple[slice, slice]:
    i, j = (lattice.first[k] - first[k] for k in (0, 1))
    return slice(i, i + lattice.low_mm.shape[0]), slice(j, j + lattice.low_mm.shape[1])


# --- never thinner than asked ----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Outside:
    """The glove's outside over a lattice: how its cells are cut, and the heights of nodes and of the cut's middles."""

    cut: CellCuts
    top_mm: np.ndarray
    middles_mm: np.ndarray

    def points(self, lattice: _Lattice, sheet: Sheet) -> np.ndarray:
        """(k, 3) of a sheet with this cut, in the piece's frame."""
        found = _points(lattice, sheet, self.top_mm)
        found[len(found) - sheet.middles :, 2] = self.middles_mm
        return found


def _thick_enough(lattice: _Lattice, plan: MouldPlan) -> _Outside:
    """The lattice's outside raised until its facets, not only its nodes, are as far from the skin as asked: a chord
    cuts a convex edge. It stays a height map.

    Steep cells are quartered, the others cut along the higher of their diagonals, where a convex outside lies. The
    envelope is over the skin by what its own points may miss between them; here that is taken off first, where it was
    held from the skin, as the facets are held by denser points.
    """
    rubber, envelope = plan.rubber, lattice.envelope
    skin = asked_skin(plan.master, plan.seam, envelope, rubber, plan.brief.rubber, _MISSED_MM)
    centres = envelope.frame.to_frame(skin.points_mm)
    slope = np.hypot(*np.gradient(lattice.top_mm, lattice.pitch_mm))
    missed = missed_mm(SPACING_PIXELS * envelope.pixel_mm, rubber.skin_thickness_mm)
    spare = np.where(_over_skin(lattice, centres, skin, 2.0 * missed), missed * np.sqrt(1.0 + slope**2), 0.0)
    top = np.maximum(lattice.top_mm - spare, lattice.low_mm + _LEAST_WALL_MM)
    # where the rubber is a film its two sides stay the same triangles, so that they never cross
    whole = (lattice.share >= 1.0) & (lattice.jacket_share >= 1.0) & (top - lattice.low_mm > lattice.pitch_mm)
    inner = ndimage.binary_erosion(whole, np.ones((5, 5)))
    cut = quartered(_every_corner(inner) & _any_corner(slope > _STEEP))
    turned = _every_corner(whole) & (top[:-1, 1:] + top[1:, :-1] > top[:-1, :-1] + top[1:, 1:])
    cut = replace(cut, turned=turned)
    x, y = np.meshgrid(lattice.x_mm, lattice.y_mm)
    outside = envelope.outer_mm + key_bumps(envelope, plan.keys.keys)
    halfway = [(m.ravel()[cut.one] + m.ravel()[cut.other]) / 2 for m in (x, y, spare, lattice.low_mm)]
    middles = sample(outside, envelope.origin_mm, envelope.pixel_mm, np.column_stack(halfway[:2])) - halfway[2]
    middles = np.maximum(middles, halfway[3] + _LEAST_WALL_MM)
    nodes = np.column_stack([*(np.append(m.ravel(), e) for m, e in zip((x, y, top), (*halfway[:2], middles)))])
    hollows, behind_mm = hollow_points(rubber, envelope.piece, RELEASE_FILM_MM)
    centres = np.concatenate([centres, envelope.frame.to_frame(hollows)])
    thick = np.concatenate([skin.thickness_mm, np.full(len(hollows), behind_mm)]) + _MISSED_MM
    raised = raised_clear(nodes, cut.cells(_any_corner(lattice.share > 0)), centres, thick)
    return _Outside(cut, raised[: top.size].reshape(top.shape), raised[top.size :])


def _over_skin(lattice: _Lattice, centres_mm: np.ndarray, skin: AskedSkin, more_mm: float) -> np.ndarray:
    """(rows, columns) bool: where the outside stands no further off the skin than asked there: not on fills, flanges
    and keys."""
    x, y = np.meshgrid(lattice.x_mm, lattice.y_mm)
    nodes = np.column_stack([x.ravel(), y.ravel(), lattice.top_mm.ravel()])
    reach = float(skin.thickness_mm.max()) + more_mm
    away, nearest = tree_over(centres_mm).query(nodes, distance_upper_bound=reach, workers=2)
    found = np.isfinite(away)
    found[found] = away[found] <= skin.thickness_mm[nearest[found]] + more_mm
    return found.reshape(lattice.top_mm.shape)


def _any_corner(nodes: np.ndarray) -> np.ndarray:
    return nodes[:-1, :-1] | nodes[:-1, 1:] | nodes[1:, 1:] | nodes[1:, :-1]


def _every_corner(nodes: np.ndarray) -> np.ndarray:
    return ~_any_corner(~nodes)


# --- columns ---------------------------------------------------------------------------------------------


def _points(lattice: _Lattice, sheet: Sheet, height_mm: np.ndarray) -> np.ndarray:
    """(k, 3) of the sheet at a map's height, in the piece's frame."""
    x, y = np.meshgrid(lattice.x_mm, lattice.y_mm)
    return np.column_stack([sheet.at(x), sheet.at(y), sheet.at(height_mm)])


def _column_solid(lattice: _Lattice, share: np.ndarray, outside: _Outside, master: Master) -> Any:
    """The columns between the parting surface and an outside as a manifold, walls at the rim; in plan
    coordinates.

    Both sides have the same points at the rim, and the parting surface lies under the outside everywhere, so it cannot
    cross itself.
    """
    below, above = sheet_of(share, lattice.mirrored), sheet_of(share, lattice.mirrored, outside.cut)
    rim, count = below.rim(), len(above.one)
    walls = [
        np.column_stack([rim[:, 1], rim[:, 0], rim[:, 0] + count]),
        np.column_stack([rim[:, 1], rim[:, 0] + count, rim[:, 1] + count]),
    ]
    vertices = np.concatenate([outside.points(lattice, above), _points(lattice, below, lattice.low_mm)])
    vertices = on_grid(lattice.envelope.frame.to_master(vertices), master)
    faces = np.concatenate([above.faces, below.faces[:, ::-1] + count, *walls])
    return manifold_of(vertices, faces, f"the columns of the {lattice.envelope.name}")


def _jacket_outside(lattice: _Lattice, glove: _Outside, rubber: Rubber, shell: JacketPiece, slots: Slots) -> _Outside:
    """The jacket's outside over every node: the glove's outside, keys and all, offset by the laminate's thickness.

    Balls about points that cover the very triangles of the glove's outside, so that its steep walls, which climb
    many pitches between two nodes, get their laminate too.
    """
    sheet = sheet_of(lattice.jacket_share, lattice.mirrored, glove.cut)
    inside = glove.points(lattice, sheet)
    thick = {z.name: z.thickness_mm for z in shell.zones}
    spacing = min(lattice.pitch_mm, 0.4 * min(thick.values()))
    points = covering_points(inside, sheet.faces, spacing)
    radius = _laid_mm(lattice.envelope, points, shell, rubber.edge_band_mm)
    # at a distance d from its point the offset thins by d^2 / 2t; the mean of d^2 over a hexagon is 5/12 of its
    # greatest (integral over the hexagon), so that much more keeps the volume, and the thinnest place is 2 % under
    guard = 5 / 12 * (0.58 * spacing) ** 2 / (2.0 * radius)
    grid = Grid(float(lattice.x_mm.min()), float(lattice.y_mm[0]), lattice.pitch_mm, *lattice.low_mm.shape)
    height = np.full(lattice.low_mm.shape, -np.inf, np.float32)
    raise_by_balls(height, points, radius + guard, grid)
    height = height[:, ::-1] if lattice.mirrored else height
    least = glove.top_mm + min(thick.values())
    top = np.maximum(np.where(np.isfinite(height), np.maximum(height, least), least), lattice.foot_mm)
    if len(slots.at_mm):
        x, y = np.meshgrid(lattice.x_mm, lattice.y_mm)
        laid = slots.laid_over_mm(x, y, thick["flange"])
        slope = np.minimum(np.hypot(*np.gradient(lattice.low_mm, lattice.pitch_mm)), _STEEP)
        top = np.where(lattice.jacket_share > 0, np.maximum(top, lattice.low_mm + laid * np.hypot(1.0, slope)), top)
    return _Outside(plain_cut((top.shape[0], top.shape[1])), top, np.zeros(0))


def _laid_mm(envelope: Envelope, points_mm: np.ndarray, shell: JacketPiece, band_mm: float) -> np.ndarray:
    """(k,) thickness of the laminate over points of the glove's outside, as the jacket stage has it."""
    laid = laminate_mm(shell, envelope, band_mm)
    laid = np.where(np.isfinite(laid), laid, next(z.thickness_mm for z in shell.zones if z.name == "field"))
    (x0, y0), p = envelope.origin_mm, envelope.pixel_mm
    i = np.clip(np.rint((points_mm[:, 1] - y0) / p), 0, laid.shape[0] - 1).astype(int)
    j = np.clip(np.rint((points_mm[:, 0] - x0) / p), 0, laid.shape[1] - 1).astype(int)
    return np.asarray(laid[i, j])


# --- boards ----------------------------------------------------------------------------------------------


def _sawn(outline_mm: np.ndarray | Sequence[Sequence[float]], thickness_mm: float) -> Any:
    """An outline's area, sawn square from a board: from z = 0 up."""
    import manifold3d

    flat = manifold3d.CrossSection([np.asarray(outline_mm, np.float64)], manifold3d.FillRule.NonZero)
    return flat.extrude(thickness_mm)


def _cradle(cradle: CradlePiece, envelope: Envelope) -> list[Solid]:
    """Every member on the cut list, slots and all: boards where they stand round the jacket, and their rails."""
    across, along = ((1, 0, 0), (0, 1, 0)) if cradle.length_axis == "y" else ((0, 1, 0), (1, 0, 0))
    up = (0, 0, -1)  # heights are floor - z
    made = []
    for board in sorted(cradle.boards, key=lambda board: board.station_mm):
        sawn = _sawn(board.cut_mm, board.thickness_mm)
        corner = (board.start_mm, board.station_mm - board.thickness_mm / 2)
        name = f"cradle board, {board.name}"
        made.append(_member(name, "cradle board", sawn, (across, up, along), corner, cradle, envelope))
    for rail in cradle.rails:
        sawn = _sawn(rail.outline_mm, rail.thickness_mm)
        corner = (rail.start_mm, rail.across_mm)
        made.append(
            _member(f"cradle rail, {rail.name}", "cradle rail", sawn, (along, up, across), corner, cradle, envelope)
        )
    return made


def _member(
    name: str,
    kind: str,
    sawn: Any,
    axes: tuple[tuple[int, int, int], ...],
    corner_mm: tuple[float, float],
    cradle: CradlePiece,
    envelope: Envelope,
) -> Solid:
    """A sawn member where it stands. axes : of the pull frame, that its length, its height and its thickness run
    along; corner_mm : where it begins along the first and the last."""
    turn = np.column_stack(axes).astype(float)
    corner = turn @ (corner_mm[0], 0.0, corner_mm[1])
    corner[2] += cradle.floor_mm
    return solid_of(name, kind, sawn.transform(np.column_stack([turn, corner])), envelope.frame)


def _baseboards(plan: MouldPlan) -> list[Solid]:
    """The cast's baseboard in its halves, lying in the foot on z = 0."""
    halves = plan.cast.baseboard_halves_mm
    thickness = plan.catalogue.board_for(BOARD_THICKNESS_MM).thickness_mm
    name = "baseboard of the cast, part"
    return [solid_of(f"{name} {k}", "baseboard", _sawn(half, thickness)) for k, half in enumerate(halves, 1)]


# --- files -----------------------------------------------------------------------------------------------


def write_solids(solids: Iterable[Solid], folder: str | Path, formats: Sequence[str] = ("stl",)) -> tuple[Path, ...]:
    """A file for each solid and format, each whole or absent: STL (binary) and 3MF in mm, GLB in metres and y up.

    Names are made from the solids' own, in plain letters, digits and dashes. Raises `OutputRefused`.
    """
    wanted = [form.lower().lstrip(".") for form in formats]
    for form in wanted:
        if form not in FORMATS:
            raise OutputRefused(f"Solids are not written as '{form}'; choose from {', '.join(FORMATS)}.")
    target = make_folder(folder)
    taken: set[str] = set()
    written = []
    for solid in solids:
        stem = _file_stem(solid.name, taken)
        for form in wanted:
            written.append(write_via_path(target / f"{stem}.{form}", _writer(solid, form)))
    return tuple(written)


def _file_stem(name: str, taken: set[str]) -> str:
    """A file name without folders, spaces or signs, shorter than any system's limit, that none before it has."""
    plain = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:80].strip("-") or "solid"
    plain = f"{plain}-solid" if plain in DEVICE_NAMES else plain
    stem, number = plain, 2
    while stem in taken:
        stem, number = f"{plain}-{number}", number + 1
    taken.add(stem)
    return stem


def _writer(solid: Solid, form: str) -> Callable[[str], object]:
    import trimesh

    vertices = solid.vertices_mm
    if form == "glb":
        # glTF 2.0, section 3.4: metres, +Y up, front towards +Z
        vertices = vertices[:, [0, 2, 1]] * (1e-3, 1e-3, -1e-3)
    mesh = trimesh.Trimesh(vertices, solid.faces, process=False)
    if form == "3mf":
        mesh.units = "millimeter"
    return lambda path: mesh.export(path, file_type=form)
