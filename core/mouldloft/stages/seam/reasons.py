"""Why a seam was chosen, and what the others cost beside it, each in a sentence."""

from __future__ import annotations

from ...base.figures import listed, litres, metres, money
from ...trade.price import SeamPrice
from ...trade.seamterms import SeamTerms
from .candidates import Judged

KIND_NAMES = {
    "plane": "the plane",
    "relief": "the plane with local relief",
    "free": "the free seam",
    "own": "your own line",
}


def in_words(found: list[Judged], asked: str, terms: SeamTerms) -> list[str]:
    """A sentence for each seam, the first being the chosen one. asked : "cheapest", or the kind that was picked."""
    return [_chosen(found, asked, terms), *(_beside(found[0], other, terms) for other in found[1:])]


def _chosen(found: list[Judged], asked: str, terms: SeamTerms) -> str:
    first = found[0]
    price, name = first.drawn.price, KIND_NAMES[first.drawn.kind]
    title = f"{name[0].upper()}{name[1:]}"
    cost = f"{price.hours:.0f} h and {money(price.total, terms.currency)} over the run"
    broken = listed(first.limits.broken)
    if asked != "cheapest":
        text = f"{title}, as picked: {cost}."
        return text if first.limits.kept else f"{text} It breaks a limit: {broken}."
    if not first.limits.kept:
        least = all(first.limits.excess <= other.limits.excess for other in found)
        how = "breaks them least" if least else "costs least with what it breaks counted in"
        return f"No seam of two pieces keeps every limit; {name} {how} ({broken}): {cost}."
    kept = [other for other in found[1:] if other.limits.kept]
    if not kept:
        alone = "the only one found" if not found[1:] else "the only one that can be laid up, stretched and lifted"
        return f"{title} is {alone}: {cost}."
    other = kept[0]
    less = other.drawn.price.total - price.total
    if less < 0:  # too little to leave a flat wall, or one line, for
        saving = f"{KIND_NAMES[other.drawn.kind]} would save {money(-less, terms.currency)}"
        if other.drawn.figures.loops > first.drawn.figures.loops:
            return f"{title} keeps the limits: {cost}; {saving}, too little for a line more."
        head = f"{title} keeps the limits, and a flat wall is simply stood up"
        return f"{head}: {cost}; {saving}, too little for a bent wall."
    why = _cause(other.drawn.price, price)
    beside = KIND_NAMES[other.drawn.kind]
    head = f"{title} is the cheapest that keeps the limits: {cost}"
    return f"{head}, {money(less, terms.currency)} less than {beside}, for {why}."


def _cause(dear: SeamPrice, cheap: SeamPrice) -> str:
    """What makes most of the difference."""
    rate = cheap.hourly_rate
    parts = {
        "clean-up": (dear.cleanup_h - cheap.cleanup_h) * rate,
        "the wall": (dear.wall_h - cheap.wall_h) * rate,
        "the joint": (dear.joint_h - cheap.joint_h) * rate + dear.tape_cost - cheap.tape_cost,
        "what is on show": (dear.risk_h - cheap.risk_h) * rate,
        "the joint over skin that faces the pull": (dear.facing_h - cheap.facing_h) * rate,
        "keeping clear": (dear.keep_clear_h - cheap.keep_clear_h) * rate,
        "undercut fill": dear.rubber_cost - cheap.rubber_cost + (dear.carry_h - cheap.carry_h) * rate,
        "peeling": (dear.peel_h - cheap.peel_h) * rate,
        "lay-up under overhangs": (dear.overhang_h - cheap.overhang_h) * rate,
    }
    return max(parts, key=lambda name: parts[name])


def _beside(first: Judged, other: Judged, terms: SeamTerms) -> str:
    figures = other.drawn.figures
    measured = f"{metres(figures.length_mm)}, {litres(figures.fill_mm3)} of fill"
    more = other.drawn.price.total - first.drawn.price.total
    name = KIND_NAMES[other.drawn.kind]
    head = f"{name[0].upper()}{name[1:]} ({measured})"
    if not other.limits.kept:
        word = f"{money(abs(more), terms.currency)} {'dearer' if more >= 0 else 'cheaper'}"
        return f"{head} would be {word}, and is left out: {listed(other.limits.broken)}."
    if more >= 0:
        return f"{head} is {money(more, terms.currency)} dearer, for {_cause(other.drawn.price, first.drawn.price)}."
    return f"{head} is {money(-more, terms.currency)} cheaper, for {_cause(first.drawn.price, other.drawn.price)}."
