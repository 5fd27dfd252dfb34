"""Jackets apart from gloves: two gloves, each under one jacket piece or more, with joints in the glass alone. Priced
beside what is built; wall, bolts, cradles and closed meshes of it are not made.

The glove's two pieces keep their seam. Each half of the outside is shared out among pulls of its own, so that less
rubber has to fill what a single pull would lock; the joints between jackets of one half put no line on the cast.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...base.progress import SILENT, Progress
from ...geometry.contour import face_centres
from ...geometry.expansion import ShareCosts, share_out
from ...geometry.facegraph import FaceGraph
from ...geometry.frame import unit
from ...geometry.polyline import length_mm
from ...trade.answers import BOLTED_H, DEEP_FILL_MM, HEAVY_FILL_MM3, JACKET_SHARE, further_jackets_hours
from ...trade.seamterms import SeamTerms
from ...trade.thickness import ThicknessRule
from ..seam import Seam, skin_areas_mm2
from .fills import deepest_fill_mm, fill_of_pieces
from .lattice import (
    MasterCells,
    cells_of_pieces,
    jacket_parts,
    labels_by_face,
    look_again,
)
from .naming import named_shares
from .sharing import Patches, at_most, drawn_shares, joints_between, useful_pulls, without_islands

_COUNTS = (6, 4, 3)  # jackets in all
_MOST_EACH, _DEARER = 3, 2.5
_WORTH = 0.9  # of the fill under two jackets: more than that is left, and nobody is sold more
_LEAST_DEAR = 1e-3  # of what the worst pull costs a half
_ALONG_WALL = -0.05  # of a pull along its glove's own: less, and it leads into the other half
_ROUNDS = 4
_PULLS_EACH = 5  # tried on each half beside its glove's own
_LEAST_JOINT_MM = 20.0


@dataclass(frozen=True)
class JacketShare:
    """One jacket piece. glove : the piece of rubber it lies on; jacket_kg : by the brief's mat, with its flanges."""

    name: str
    glove: str
    pull: tuple[float, float, float]
    area_mm2: float
    jacket_kg: float
    fill_mm3: float


@dataclass(frozen=True, eq=False)
class JacketsApart:
    """Two gloves under more jackets. labels : (m,) int8, index into shells for each face; order : names, first off
    first, empty where none was found; comes_off : and every way off tried again by rays. joint_mm : in the glass
    alone."""

    shells: tuple[JacketShare, ...]
    labels: np.ndarray
    joint_mm: float
    order: tuple[str, ...]
    comes_off: bool
    fill_mm3: float
    deepest_fill_mm: float


def share_jackets(
    body: MasterCells,
    graph: FaceGraph,
    patches: Patches,
    seam: Seam,
    pulls: np.ndarray,
    costs: np.ndarray,
    terms: SeamTerms,
    rule: ThicknessRule,
    wall_mm: float,
    of_two: tuple[float, float],
    progress: Progress = SILENT,
) -> JacketsApart | None:
    """Jackets apart on the gloves of a two-piece seam, three to six; None where they would save no fill.

    pulls, costs : (c, 3) and (patches, c), what each pull forces; joints cost what their wall does. of_two : what two
    jackets leave to fill (mm³) and how deep (mm): more are tried where that is deep or heavy. Of a few numbers of
    jackets the cheapest is kept that comes off, and whose fill is not deep.
    """
    if of_two[1] <= DEEP_FILL_MM and of_two[0] <= HEAVY_FILL_MM3:
        return None
    own = np.array([unit(np.asarray(piece.pull, float)) for piece in seam.pieces])
    skin = skin_areas_mm2(body.master)
    half = _half_of(patches, seam.labels, skin)
    labels = np.zeros(len(half), np.int64)
    used: list[tuple[int, np.ndarray]] = []
    for glove in (0, 1):
        which = np.flatnonzero(half == glove)
        mine, chosen = _shared_half(patches, which, glove, own, pulls, costs, terms)
        labels[which] = len(used) + mine
        used += [(glove, pull) for pull in chosen]
    if len(used) < 3:
        return None
    gloves, ways = np.array([glove for glove, _ in used]), np.array([pull for _, pull in used])
    inner = _within_gloves(graph, seam.labels)
    on_faces = without_islands(inner, labels[patches.of_face], skin)
    best, least = None, (True, True, np.inf)
    for most in _COUNTS:
        progress.step(0.85, f"two gloves under {most} jackets or fewer")
        made = _measured(body, inner, seam, on_faces, gloves, ways, most, rule, wall_mm, terms.jacket_kg_m2)
        if made is None or (best is not None and len(made.shells) == len(best.shells)):
            continue
        hours = further_jackets_hours(made.joint_mm, len(made.shells) - 2, terms.casts, terms.rates)
        money = hours * terms.rates.hourly_rate + terms.unit.fill_mm3 * made.fill_mm3
        score = (not made.comes_off, made.deepest_fill_mm > DEEP_FILL_MM, round(money, 2))
        if score < least:
            best, least = made, score
    return best if best is not None and best.fill_mm3 < _WORTH * of_two[0] else None


def _half_of(patches: Patches, labels: np.ndarray, skin_mm2: np.ndarray) -> np.ndarray:
    """(p,) the glove that most of each patch belongs to."""
    behind = np.bincount(patches.of_face, skin_mm2 * (labels == 1), minlength=len(patches.area_mm2))
    return (behind > 0.5 * np.bincount(patches.of_face, skin_mm2, minlength=len(behind))).astype(np.int64)


def _shared_half(
    patches: Patches,
    which: np.ndarray,
    glove: int,
    own: np.ndarray,
    pulls: np.ndarray,
    costs: np.ndarray,
    terms: SeamTerms,
) -> tuple[np.ndarray, np.ndarray]:
    """Labels of one half's patches, and the pulls they stand for: its glove's own, or up to three that pay."""
    rates = terms.rates
    nearest = int(np.argmax(pulls @ own[glove]))  # the seam's own directions are among the pulls
    # past the wall stands the other half: no jacket is drawn through it
    ahead = np.flatnonzero(pulls @ own[glove] > _ALONG_WALL)
    best = [k for k in ahead[useful_pulls(costs[which][:, ahead], _PULLS_EACH)] if k != nearest]
    chosen = np.array([nearest, *best])
    place = np.full(len(patches.area_mm2), -1, np.int64)
    place[which] = np.arange(len(which))
    pairs = place[patches.pairs]
    inner = (pairs >= 0).all(axis=1)
    apart = np.linalg.norm(np.diff(patches.centres_mm[patches.pairs[inner]], axis=1)[:, 0], axis=1)
    # an edge between two patches is about as long as their middles lie apart
    by_mm = rates.wall_h_m * (1.0 + rates.wall_bent_share) * rates.hourly_rate / 1000.0
    further = (JACKET_SHARE * rates.piece_h + rates.wall_line_h + BOLTED_H * terms.casts) * rates.hourly_rate
    while True:  # what forces is weighed so high that every pull would pay: dearer until few do
        made = share_out(ShareCosts(costs[which][:, chosen], pairs[inner], by_mm * apart, further))
        kinds, made = np.unique(made, return_inverse=True)
        if len(kinds) <= _MOST_EACH:
            return made, pulls[chosen[kinds]]
        further = max(_DEARER * further, _LEAST_DEAR * float(costs[which].max(axis=1).sum()))


def _within_gloves(graph: FaceGraph, glove: np.ndarray) -> FaceGraph:
    """The face graph without what joins one glove's skin to the other's."""
    same = glove[graph.faces[:, 0]] == glove[graph.faces[:, 1]]
    return replace(graph, vertices=graph.vertices[same], faces=graph.faces[same], length_mm=graph.length_mm[same])


def _measured(
    body: MasterCells,
    inner: FaceGraph,
    seam: Seam,
    labels: np.ndarray,
    gloves: np.ndarray,
    pulls: np.ndarray,
    most: int,
    rule: ThicknessRule,
    wall_mm: float,
    wall_kg_m2: float,
) -> JacketsApart | None:
    """At most so many jackets as blocks: what is filled, in which order they come off, what they weigh. None where they
    fall into more parts."""
    skin = skin_areas_mm2(body.master)
    for _ in range(_ROUNDS):  # a jacket in parts is as many jackets: they are told apart, and made fewer
        kinds, labels = np.unique(at_most(inner, labels, skin, most), return_inverse=True)
        labels, gloves, pulls = labels.astype(np.int8), gloves[kinds], pulls[kinds]
        blocks, found = cells_of_pieces(
            body, labels_by_face(body, labels), pulls, rule.skin_mm, wall_mm, rule.flange_width_mm
        )
        parted, old = jacket_parts(body, blocks, labels)
        if len(old) == len(pulls):
            break
        labels, gloves, pulls = parted, gloves[old], pulls[old]
    if len(np.unique(labels)) != len(blocks.fill_cells) or len(pulls) < 3:
        return None
    ways = look_again(body, blocks, pulls, found.order)
    share, names = named_shares(pulls, labels, skin, face_centres(body.master.vertices_mm, body.master.faces))
    joints = joints_between(body.master, drawn_shares(body.master, labels, pulls))
    far = np.array([length_mm(points, closed) for _, points, closed in joints])
    in_glass = np.array([gloves[a] == gloves[b] for (a, b), _, _ in joints], bool)
    flange = share.astype(float)
    for (pair, _, _), length in zip(joints, far):
        flange[list(pair)] += rule.flange_width_mm * length
    fill = blocks.fill_cells * body.lattice.pitch_mm**3
    shells = tuple(
        JacketShare(
            names[k], seam.pieces[int(gloves[k])].name, tuple(float(c) + 0.0 for c in pulls[k]), float(share[k]),  # type: ignore[arg-type]
            float(flange[k]) * 1e-6 * wall_kg_m2, float(fill[k]),
        )
        for k in range(len(pulls))
    )  # fmt: skip
    deepest = deepest_fill_mm(fill_of_pieces(blocks), pulls, body.lattice.pitch_mm)
    off = bool(found.order) and not any(way.master_hits or way.other_hits for way in ways)
    return JacketsApart(
        shells, labels.astype(np.int8), float(far[in_glass & (far > _LEAST_JOINT_MM)].sum()),
        tuple(names[k] for k in found.order), off,
        float(fill.sum()), deepest,
    )  # fmt: skip
