"""The seams to choose from and what they keep clear of, beside the stage: each with its price and figures."""

from __future__ import annotations

from html import escape

from ...base.figures import money
from ...stages.plan import MouldPlan
from ...trade.price import SeamPrice
from ..keptclear import kept_clear_words
from ..words import candidate_words, kind_words, price_words


def candidates_list(plan: MouldPlan) -> str:
    """The seams to choose from with their prices, as HTML; "" where there is but one."""
    candidates = sorted(plan.seam.candidates, key=lambda c: not c.chosen)
    if len(candidates) < 2:
        return ""
    rows = []
    for at, candidate in enumerate(candidates):
        ticked = " checked" if at == 0 else ""
        parts = "".join(
            f"<dt>{escape(name)}</dt><dd>{escape(words)}</dd>"
            for name, words in price_rows(candidate.price, plan.takeoff.currency)
        )
        rows.append(
            f'<label class="seam"><input type="radio" name="seam" value="{at}"{ticked}>'
            f"<b>{escape(kind_words(candidate.kind).capitalize())}{' (planned)' if candidate.chosen else ''}</b> "
            f"{escape(price_words(candidate, plan.takeoff.currency))}<br>{escape(candidate_words(plan, candidate))}"
            f"<br><span>{escape(candidate.reason)}</span></label>"
            f"<details><summary>Its price by line</summary><dl>{parts}</dl></details>"
        )
    return (
        "<h2>Seams to choose from</h2><p>The one picked here is drawn; the mould shown is made for the planned one. "
        "The planned one's fill is its glove's own; the others' are a quicker look, right to a few per cent. "
        f"</p>{''.join(rows)}"
    )


def price_rows(price: SeamPrice, currency: str) -> list[tuple[str, str]]:
    """What a seam's price over the run is made of, the dearest first: hours, or material in money."""
    hours = {
        "Clean-up": price.cleanup_h,
        "Wall": price.wall_h,
        "Joint taped from the inside": price.joint_h,
        "Risk on show": price.risk_h,
        "Joint over skin that faces the pull": price.facing_h,
        "Over places to keep clear": price.keep_clear_h,
        "Weight of fill carried": price.carry_h,
        "Glove worked out of undercuts": price.peel_h,
        "Lay-up under undercuts": price.overhang_h,
        "Limbs filled": price.solid_h,
    }
    cash = {
        "Rubber of the undercut fill": price.rubber_cost,
        "Joint tape": price.tape_cost,
        "Resin of filled limbs": price.solid_cost,
    }
    rows = [
        (h * price.hourly_rate, name, f"{h:.1f} h, {money(h * price.hourly_rate, currency)}")
        for name, h in hours.items()
    ]
    rows += [(cost, name, money(cost, currency)) for name, cost in cash.items()]
    return [(name, words) for cost, name, words in sorted(rows, key=lambda row: -row[0]) if cost >= 0.5]


def kept_clear_part(plan: MouldPlan) -> str:
    """What the seam keeps clear of; "" where there is nothing."""
    words = kept_clear_words(plan)
    return f"<h2>Kept clear of the seam</h2><p>{escape(words[:1].upper() + words[1:])}.</p>" if words else ""
