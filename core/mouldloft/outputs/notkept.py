"""What a plan does not keep, and what to look at first: the end of a run, before anything is bought or signed."""

from __future__ import annotations

from ..base.figures import counted, listed, mm, percent, strain_by_rule, whole_kg_by
from ..stages.plan import MouldPlan
from ..trade.handling import Lift, lift_cure
from .peelwords import glove_line
from .whereabouts import with_places, worst_undercut


def not_kept(plan: MouldPlan) -> tuple[str, ...]:
    """A sentence for each limit of the brief or of the trade that this plan does not keep; () where all are kept."""
    said = [_clean(words) for words in _of_the_seam(plan)]
    locks = plan.locks
    if plan.peel is not None:
        unsure = (glove for glove in plan.peel.gloves if glove.verdict != "off")
        said += [f"Peel, {glove.name}: {glove_line(plan.peel, glove).rstrip('.')}." for glove in unsure]
    elif locks.worst_stretch > locks.stretch_allowed:
        said.append(
            f"By rule the glove stretches {strain_by_rule(locks.worst_stretch, locks.elongation_at_break)}; "
            f"{percent(locks.stretch_allowed)} is allowed."
        )
    said += [f"Keys: {check.reason.rstrip('.')}." for check in plan.keys.checks if not check.holds]
    for piece in plan.jacket.pieces:
        weak = [check.what for check in piece.checks if not check.passes]
        if weak:
            said.append(f"Jacket of the {piece.name} is too weak: {listed(weak)}.")
    said += [_too_heavy(plan, lift) for lift in plan.lifts if not lift.passes]
    for cradle in plan.cradle.pieces:
        tipping = [f"{tilt.tilt_deg:g}°" for tilt in cradle.tilts if not tilt.passes]
        if tipping:
            said.append(f"The cradle of the {_name(plan, cradle.piece)} tips at {listed(tipping)}.")
    if not plan.cast.comes_out and plan.peel is None:
        said.append(f"The cast does not come out: {_clean(with_places(plan, plan.cast.comes_out_reason))}")
    if plan.cast.unfixed:
        said.append(f"The cast's fixing: {plan.cast.unfixed}, and no frame planned here holds it: by an engineer.")
    late = plan.programme.broken_windows
    if late:
        said.append(f"{counted(late, 'coat')} past the recoat window; tack coats are planned.")
    said += [f"Left out: {words.rstrip('.')}." for words in plan.master.health.left_out]
    return tuple(dict.fromkeys(said))


def _of_the_seam(plan: MouldPlan) -> tuple[str, ...]:
    chosen = next((c for c in plan.seam.candidates if c.chosen), None)
    return chosen.limits.broken if chosen is not None else ()


def _too_heavy(plan: MouldPlan, lift: Lift) -> str:
    first = plan.brief.job.units
    return (
        f"{lift.what[:1].upper()}{lift.what[1:]}: {whole_kg_by(lift.load_kg, first)}{lift.where}, at most "
        f"{whole_kg_by(lift.most_kg, first)}, over the {whole_kg_by(lift.team_kg, first)} that "
        f"{counted(lift.lifters, 'person', 'people')} may lift; {lift_cure(lift)}."
    )


def _name(plan: MouldPlan, piece: int) -> str:
    return next((e.name for e in plan.rubber.envelopes if e.piece == piece), f"piece {piece + 1}")


def _clean(words: str) -> str:
    return f"{words[:1].upper()}{words[1:].rstrip('.')}."


def look_first(plan: MouldPlan, pictures: bool) -> tuple[str, ...]:
    """Where to look first, most doubtful first, with the file that shows it."""
    book = "workshop-sheets.pdf" if pictures else "plan.json"
    said = ["Seam: client-sheet.pdf, signed before the wall is built." if pictures else "Seam: see the summary above."]
    found = worst_undercut(plan)
    if found is not None:
        worst, where = found
        shown = "plan.html" if pictures else book
        said.append(f"Worst undercut: {where}, {mm(worst.depth_mm)} deep across the pull; {shown}.")
    heaviest = max(plan.lifts, key=lambda lift: lift.load_kg, default=None)
    if heaviest is not None:
        load = whole_kg_by(heaviest.load_kg, plan.brief.job.units)
        said.append(f"Heaviest lift: {heaviest.what}, {load}{heaviest.where}; {book}.")
    said.append("Before buying: order.csv; its prices are those of the catalogue.")
    return tuple(said)
