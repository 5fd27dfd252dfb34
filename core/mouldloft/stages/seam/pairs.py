"""Directions with their seams: each of the best directions is priced with the seam it would have."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ...base.errors import PlanImpossible
from ...base.figures import litres, metres, money
from ...base.progress import SILENT, Progress
from ...base.threads import in_threads
from ...geometry.frame import unit
from ...inputs.brief import SeamBrief
from ...trade.seamterms import SeamTerms
from ..lighter import lighten
from ..master import Master
from ..opening import Candidate, Opening, direction_words
from .candidates import LESS_SIMPLE_SAVES, Judged, all_candidates, bench_of
from .ground import Place, survey
from .place import SEARCHED_ON, keep_clear_weights, lay_out
from .reasons import KIND_NAMES

_SQUARE_DEG = 25.0  # to the mirror plane, or along it
_ASKEW_SAVES = 0.1
_EXACTLY_DEG = 1.0
PRICED_ON = 9_000  # triangles of the copy that pairs are compared on
_CLEARLY = 0.05  # of the price: less is what few tries leave open (measured on the hare: 3 %)
_FINALISTS = 3  # pairs that are compared again, on the copy that seams are searched on


def price_openings(
    master: Master,
    opening: Opening,
    brief: SeamBrief,
    terms: SeamTerms,
    show: np.ndarray,
    progress: Progress = SILENT,
    most: int = 12,
) -> Opening:
    """The opening with its best directions priced each with its seam: the cheapest pair that keeps the limits first.

    show : (m,) how much each face of the master shows; most : directions that are priced. What the brief chose stays
    chosen. On a light copy of the master; the same every time. Directions past `most` follow in their old order.
    """
    if opening.chosen.origin == "brief" or len(opening.candidates) < 2:
        return opening
    clear = keep_clear_weights(master, brief)
    looked_at = opening.candidates[:most]
    place = lay_out(lighten(master, PRICED_ON), terms, show, clear)
    said = f"{len(looked_at)} directions with their seams"
    pairs = _pairs(place, looked_at, opening, brief, progress, (0.0, 0.5), said)
    if not pairs:
        return opening
    # what is near a limit on a coarse copy may keep it on the one that seams are drawn on
    finer = lay_out(lighten(master, SEARCHED_ON), terms, show, clear)
    leader = pairs[0][1]
    best = [c for _, c in pairs[:_FINALISTS]]
    again = _pairs(finer, best, opening, brief, progress, (0.5, 1.0), f"the best {len(best)} again, more finely")
    again.sort(key=lambda pair: _rank_beside(pair, leader, opening))
    pairs = again + pairs[_FINALISTS:] if again else pairs
    first = pairs[0][0]
    ranked = [_with_seam(c, judged, first, opening, terms) for judged, c in pairs]
    left = [c for c in opening.candidates if all(c.direction != r.direction for r in ranked)]
    return replace(opening, chosen=ranked[0], candidates=(*ranked, *left))


def _pairs(
    place: Place,
    looked_at: Sequence[Candidate],
    opening: Opening,
    brief: SeamBrief,
    progress: Progress,
    span: tuple[float, float],
    words: str,
) -> list[tuple[Judged, Candidate]]:
    """Each direction that can be parted with its seam, the first in rank first."""
    found = in_threads(lambda c: _priced(place, c, brief), looked_at, progress, span, words)
    pairs = [(judged, c) for judged, c in zip(found, looked_at, strict=True) if judged is not None]
    return sorted(pairs, key=lambda pair: (_rank(pair[0], pair[1], opening), pair[1].cost))


def _priced(place: Place, candidate: Candidate, brief: SeamBrief) -> Judged | None:
    ground = survey(place, unit(np.asarray(candidate.direction, float)))
    try:
        found = all_candidates(bench_of(ground), None, quick=True)
    except PlanImpossible:
        return None
    asked = [judged for judged in found if judged.drawn.kind == brief.kind]
    return min(asked or found, key=lambda judged: judged.rank)


def _rank(judged: Judged, candidate: Candidate, opening: Opening) -> tuple[int, float]:
    """The seam's own rank, but of a body with a mirror plane a direction askew to it has to save a tenth: its halves
    are unlike, and its seam runs where no eye expects one. One that is nearly square or along has to save a
    thirtieth beside the one that is: a wall is stood up square (common practice, no source)."""
    broken, price = judged.rank
    if not opening.symmetry.is_symmetric:
        return broken, price
    off = abs(float(np.dot(candidate.direction, opening.symmetry.normal)))
    askew = np.degrees(min(np.arccos(min(off, 1.0)), np.arcsin(min(off, 1.0))))
    if askew <= _EXACTLY_DEG:
        return broken, price
    return broken, price * (1.0 + (LESS_SIMPLE_SAVES if askew < _SQUARE_DEG else _ASKEW_SAVES))


def _rank_beside(pair: tuple[Judged, Candidate], leader: Candidate, opening: Opening) -> tuple[int, float]:
    """The rank of a pair that is compared again; the first of the coarse copy leads on where the lead is not clear."""
    broken, price = _rank(*pair, opening)
    return broken, price * (1.0 - _CLEARLY if pair[1] is leader else 1.0)


def _with_seam(c: Candidate, judged: Judged, first: Judged, opening: Opening, terms: SeamTerms) -> Candidate:
    price, figures = judged.drawn.price, judged.drawn.figures
    near = float(np.degrees(np.arccos(np.clip(abs(float(np.dot(c.direction, opening.symmetry.normal))), 0.0, 1.0))))
    where = f"{near:.0f}° off the mirror plane's normal" if opening.symmetry.is_symmetric else f"from the {c.origin}"
    seam = f"{KIND_NAMES[judged.drawn.kind]}, {metres(figures.length_mm)}, {litres(figures.fill_mm3)} of fill"
    cost = f"{money(price.total, terms.currency)} over the run"
    text = f"Opens {direction_words(c.direction)} ({where}): with {seam}, {cost}"
    if judged is not first:
        more = price.total - first.drawn.price.total
        text += f", {money(abs(more), terms.currency)} {'more' if more >= 0 else 'less'}"
    if not judged.limits.kept:
        text += f"; breaks a limit: {judged.limits.broken[0]}"
    return replace(c, cost=price.total, reason=f"{text}.", seam_kind=judged.drawn.kind, keeps_limits=judged.limits.kept)
