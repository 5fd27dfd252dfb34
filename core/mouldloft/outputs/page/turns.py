"""The order of taking off, for the page to play, and the numbers that stand on keys and bolts."""

from __future__ import annotations

from typing import Any

from ...stages.jacket import Jacket
from ...stages.plan import MouldPlan
from ..bolts import all_bolts, bolt_names

BOLTS_OUT = "Bolts out, a little all round first"


def _off(plan: MouldPlan) -> tuple[str, ...]:
    """Glove pieces as they come off."""
    return plan.seam.taking_off or tuple(piece.name for piece in plan.seam.pieces)


def turns(plan: MouldPlan) -> tuple[str, ...]:
    """What is taken off one after the other: bolts, every jacket, every glove, the last made first."""
    names = _off(plan)
    jackets = tuple(f"Jacket off, {name}: by the wedge slots" for name in names)
    peeled = "Loose pieces off, then the glove peeled" if plan.jacket.loose else "Glove peeled"
    return (BOLTS_OUT, *jackets, *(f"{peeled}, {name}" for name in names))


def turn_of(plan: MouldPlan, piece: str, part: str) -> int:
    """Which of `turns` moves a body of a piece."""
    names = _off(plan)
    at = names.index(piece) if piece in names else 0
    if part == "bolts":
        return 0
    with_glove = part.startswith(("glove", "loose")) or part in ("keys", "bead")
    return 1 + at + (len(names) if with_glove else 0)


def bolt_marks(jacket: Jacket, at: int) -> list[dict[str, Any]]:
    """A number for each bolt of a piece, as sheets and templates have it; none where pieces before it have them all."""
    names = bolt_names(jacket)
    if set(names[at][0]) <= {name for own, _ in names[:at] for name in own}:
        return []
    count = len(all_bolts(jacket))
    return [
        {"at": [round(float(v), 1) for v in place], "name": name, "words": f"Bolt {name} of {count}"}
        for name, place in zip(names[at][0], jacket.pieces[at].bolts_mm, strict=True)
    ]
