"""The seams to choose from, beside the stage: each with its price and figures of its own."""

from __future__ import annotations

from html import escape

from ...base.figures import counted, litres, metres
from ...stages.plan import MouldPlan
from ...stages.seam import SeamCandidate
from ..words import fill_mm3, kind_words, price_words


def candidates_list(plan: MouldPlan) -> str:
    """The seams to choose from with their prices, as HTML; "" where there is but one."""
    candidates = sorted(plan.seam.candidates, key=lambda c: not c.chosen)
    if len(candidates) < 2:
        return ""
    rows = []
    for at, candidate in enumerate(candidates):
        figures, ticked = candidate.figures, " checked" if at == 0 else ""
        measured = (
            f"{metres(figures.length_mm)}, {metres(figures.on_show_mm)} on show, "
            f"{counted(len(candidate.lines), 'line')}, {_fill_words(plan, candidate)} of undercut fill"
        )
        rows.append(
            f'<label class="seam"><input type="radio" name="seam" value="{at}"{ticked}>'
            f"<b>{escape(kind_words(candidate.kind).capitalize())}{' (planned)' if candidate.chosen else ''}</b> "
            f"{escape(price_words(candidate, plan.takeoff.currency))}<br>{escape(measured)}"
            f"<br><span>{escape(candidate.reason)}</span></label>"
        )
    return (
        "<h2>Seams to choose from</h2><p>The one picked here is drawn; the mould shown is made for the planned one. "
        "The planned one's fill is its glove's own; the others' are a quicker look, right to a few per cent. "
        f"</p>{''.join(rows)}"
    )


def _fill_words(plan: MouldPlan, candidate: SeamCandidate) -> str:
    """Of the planned seam what its glove holds, as everywhere; of another what the search for seams found."""
    return litres(fill_mm3(plan)) if candidate.chosen else f"about {litres(candidate.figures.fill_mm3)}"
