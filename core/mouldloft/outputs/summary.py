"""The end of a run in one screen: what a mould maker reads first."""

from __future__ import annotations

from ..base.figures import (
    First,
    bare_money,
    cm2,
    counted,
    kg_by,
    listed,
    litres,
    m2,
    metres_by,
    mm,
    mm_by,
    money,
    number,
    ounces,
    percent,
    strain_by_rule,
    unit_words,
)
from ..stages.cautions import SHEET
from ..stages.division.propose import fill_beyond_two
from ..stages.opening import direction_words
from ..stages.plan import MouldPlan
from ..stages.takeoff import OrderLine
from ..trade.answers import Answer, stretch_words
from ..trade.lifting import hands_words
from ..trade.money import Money
from .bolts import strapped_words
from .keptclear import kept_clear_words
from .peelwords import peel_rows
from .whereabouts import worst_undercut
from .words import (
    MEASURES,
    candidate_words,
    fill_mm3,
    kind_words,
    loose_words,
    price_words,
    rubber_kg_per_mm3,
    run_line,
    stands_words,
    title_of,
    weight_words,
)

_MOST_BOUGHT = 6  # materials named; the rest are counted


def summary_rows(plan: MouldPlan) -> tuple[tuple[str, str], ...]:
    """(heading, figures) pairs, in the order of the work. Plain text, no markup."""
    seam, first = plan.seam, plan.brief.job.units
    rows = [
        ("Master", _master_words(plan)),
        ("Opens", _opening_words(plan)),
        ("Pieces", f"{len(seam.pieces)}: {listed(p.name for p in seam.pieces)}; comes off first: {_first_off(plan)}"),
        (
            "Seam",
            f"{metres_by(seam.length_mm, first)}, {kind_words(seam.kind)}; "
            f"{metres_by(seam.figures.on_show_mm, first)} of it on show",
        ),
        *_candidate_rows(plan),
        *([("Kept clear", clear)] if (clear := kept_clear_words(plan)) else []),
        ("Undercuts", _lock_words(plan)),
        ("Undercut fill", f"{litres(fill_mm3(plan))}{_worst_lock(plan)}{left_by_loose(plan)}"),
        *division_rows(plan),
        *_rubber_rows(plan),
        ("Keys", _key_words(plan)),
        *((f"Jacket, {piece.name}", _jacket_words(plan, at, first)) for at, piece in enumerate(plan.jacket.pieces)),
        *((one.name.capitalize(), loose_words(one, first)) for one in plan.jacket.loose),
        *([("On the bench", plan.cradle.instead)] if plan.cradle.instead else ()),
        *peel_rows(plan),
        ("Cast", _cast_words(plan)),
    ]
    if plan.takeoff.lines:
        rows += [("Buy", _order_words(plan)), ("Material", _cost_words(plan))]
    if plan.takeoff.money is not None:
        rows.append(("With labour", _price_words(plan.takeoff.money)))
    programme = plan.programme
    rows.append(("Days", f"{programme.mould_days} for the mould, {programme.run_days} for the run, weekends included"))
    if first == "imperial":
        rows.append(("Measures", MEASURES))
    if said := (*filter(None, [plan.master.health.stance]), *plan.master.health.notes):
        rows.append(("Note", " ".join(said)))
    if plan.master.health.left_out:
        rows.append(("Left out", "; ".join(plan.master.health.left_out)))
    return tuple(rows)


def _candidate_rows(plan: MouldPlan) -> list[tuple[str, str]]:
    """The seams that the plan's was chosen from, side by side, each with its reason."""
    candidates, currency = plan.seam.candidates, plan.takeoff.currency
    if len(candidates) < 2:
        return []
    return [
        (
            f"  {'chosen' if c.chosen else 'beside it'}",
            f"{price_words(c, currency)}; {candidate_words(plan, c)}. {c.reason}",
        )
        for c in sorted(candidates, key=lambda c: not c.chosen)
    ]


def _master_words(plan: MouldPlan) -> str:
    m, first = plan.master, plan.brief.job.units
    repairs = f"; {counted(len(m.health.repairs), 'repair')} made" if m.health.repairs else ""
    return (
        f"{title_of(plan)}, {mm_by(m.height_mm, first)} tall, {m2(m.skin_area_mm2)} of skin, {len(m.faces):,} triangles"
        f"{repairs}; {run_line(plan)}"
    )


def _opening_words(plan: MouldPlan) -> str:
    chosen, tried = plan.opening.chosen, plan.opening.directions_tried
    pull = mm_by(chosen.pull_depth_mm, plan.brief.job.units)
    return f"{direction_words(chosen.direction)}; pull {pull}; {counted(tried, 'direction')} tried"


def _first_off(plan: MouldPlan) -> str:
    return plan.seam.taking_off[0] if plan.seam.taking_off else plan.seam.pieces[0].name


def _lock_words(plan: MouldPlan) -> str:
    locks = plan.locks
    return (
        f"{cm2(locks.rigid_area_mm2)} undercut for both pieces, {cm2(locks.piece_locked_area_mm2)} for its own "
        f"piece; by rule it stretches {strain_by_rule(locks.worst_stretch, locks.elongation_at_break)}, "
        f"{percent(locks.stretch_allowed)} is allowed"
    )


def _worst_lock(plan: MouldPlan) -> str:
    found = worst_undercut(plan)
    if found is None:
        return ""
    worst, where = found
    return f"; worst: {where}, {litres(worst.fill_mm3)}, {mm(worst.depth_mm)} deep across the pull"


def left_by_loose(plan: MouldPlan) -> str:
    """What loose pieces take and leave, '; 2 loose pieces take the place of 5 l of rubber ...'; nothing without any."""
    if not plan.rubber.loose or plan.rubber.fill is None:
        return ""
    count = len(plan.rubber.loose)
    fill, taken = plan.rubber.fill, sum(one.volume_mm3 for one in plan.rubber.loose)
    take, leave = ("takes", "leaves") if count == 1 else ("take", "leave")
    # each piece's own line has all the rubber that it takes, with the draft over its fill
    draft = taken - (fill.all_mm3 - fill.left_mm3)
    more = f", {litres(draft)} of it draft," if draft > 0.005 * taken else ""
    return (
        f"; {counted(count, 'loose piece')} {take} the place of {litres(taken)} of rubber{more} and {leave} "
        f"{litres(fill.left_mm3)} of fill"
    )


_LOOSE_WILL_DO = "With its loose pieces the mould in two keeps the brief's limits of fill."
_STILL_TWO = "Keys, sheets and pictures are those of two pieces; of solids, only the proposed jackets are not."
_STILL_LEFT = "A place that two pieces claim belongs to the one made first."


def division_rows(plan: MouldPlan) -> list[tuple[str, str]]:
    """What more than two pieces would do, or that they may be asked for."""
    made, answers = plan.division, _answer_rows(plan)
    if made is None:
        reasons = _left_beyond_two(plan)
        ask = "; set max_pieces under [seam] to 3 or more for a proposal" if plan.brief.seam.max_pieces < 3 else ""
        return [("More pieces?", "; ".join(reasons) + ask), *answers] if reasons else answers
    v, first = made.rubber_mm3, plan.brief.job.units
    built = len(plan.seam.pieces) > 2
    rows = [("In more than two" if built else "More pieces?", made.why)]
    for piece in made.shares:
        rows.append(
            (
                f"  {piece.name}",
                f"{percent(piece.share)} of the skin, {litres(piece.fill_mm3)} of undercut fill, "
                f"{cm2(piece.locked_area_mm2)} undercut, jacket about {kg_by(piece.jacket_kg, first)}",
            )
        )
    if made.order:
        rows.append(("  Taking off", "; ".join(f"{k}. {s.piece} {s.reason}" for k, s in enumerate(made.order, 1))))
    if not built:
        rows.append(
            (
                "  Rubber then",
                f"{litres(v.likely)} ({number(v.low / 1e6)} to {number(v.high / 1e6)} l), "
                f"joints {metres_by(made.joint_length_mm, first)}",
            )
        )
    kept = () if built or _left_beyond_two(plan) else (_LOOSE_WILL_DO,) if plan.rubber.loose else ()
    said = (_STILL_LEFT,) if built else (_STILL_TWO, f"To plan in more, set pieces = {len(made.shares)} under [seam].")
    rows.append(("  Limits", " ".join((*made.notes, *kept, *said))))
    return [*rows, *answers]


def _left_beyond_two(plan: MouldPlan) -> tuple[str, ...]:
    """Which of the brief's limits two pieces still break, loose pieces in their place."""
    fill = plan.rubber.fill
    if fill is None:
        return ()
    return fill_beyond_two(plan.master, fill.left_mm3, fill.left_deep_mm, plan.brief)


def _answer_rows(plan: MouldPlan) -> list[tuple[str, str]]:
    """The table of answers, why it is drawn up, and what could not be weighed."""
    found = plan.answers
    if found is None or not found.rows:
        return []
    why = "; ".join((*found.asks, *found.notes)) or "more pieces were proposed"
    return [("Ways to mould it", why), *((f"  {answer.name}", _answer_words(answer, plan)) for answer in found.rows)]


def _answer_words(answer: Answer, plan: MouldPlan) -> str:
    """One line of the table; the price is of what the answers differ in."""
    cash, hours = money(answer.total, plan.takeoff.currency), f"{answer.hours:.0f} h"
    first = plan.brief.job.units
    if answer.spread:
        low, high = (answer.total * (1.0 + side * answer.spread) for side in (-1.0, 1.0))
        cash, hours = f"about {cash} ({number(low, 2)} to {number(high, 2)})", f"about {hours}"
    return (
        f"{cash} and {hours} of seam, fill and further pieces; "
        f"stretch {stretch_words(answer.stretch)} of what is allowed; fill {litres(answer.fill_mm3)}, "
        f"{mm(answer.deepest_mm)} deep; seam {metres_by(answer.seam_mm, first)}, "
        f"{metres_by(answer.on_show_mm, first)} on show; heaviest jacket or glove {kg_by(answer.heaviest_kg, first)}; "
        f"{answer.reason}"
    )


def _rubber_rows(plan: MouldPlan) -> list[tuple[str, str]]:
    r, density = plan.rubber, rubber_kg_per_mm3(plan)
    v = r.volume_mm3
    held = r.registration.check if r.registration is not None else None
    loose = "" if held is None or held.holds else f"; halves NOT registered, a {held.freest} is too free"
    rows = [
        (
            "Rubber",
            f"{litres(v.likely)} ({number(v.low / 1e6)} to {number(v.high / 1e6)} l), "
            f"{kg_by(v.likely * density, plan.brief.job.units)}; skin "
            f"{mm(r.skin_thickness_mm)}, edge {mm(r.edge_thickness_mm)}; thinnest measured "
            f"{mm(r.min_thickness_mm)}{loose}",
        )
    ]
    for envelope, part in zip(r.envelopes, r.parts):
        sums = " + ".join(f"{name} {number(volume / 1e6)}" for name, volume in part.by_cause)
        rows.append((f"  {envelope.name}", f"{litres(part.total_mm3)} = {sums}"))
    return rows


def _key_words(plan: MouldPlan) -> str:
    checks = plan.keys.checks
    count = len(plan.keys.keys)
    loose = [check for check in checks if not check.holds]
    if not loose:
        return f"{count}; every piece is held, sag {listed(mm(c.sag_mm) for c in checks)}"
    return f"{count}; NOT held: " + "; ".join(check.reason for check in loose)


def _jacket_words(plan: MouldPlan, at: int, first: First) -> str:
    piece = plan.jacket.pieces[at]
    zones = ", ".join(f"{z.name} {ounces(z.mat_oz_ft2)} {mm(z.thickness_mm)}" for z in piece.zones)
    lift = piece.lift_with_glove
    hands = f"{hands_words(lift.lifters_needed)} to lift" if lift.passes else "lifted one after the other"
    weak = [check.what for check in piece.checks if not check.passes]
    return (
        f"{kg_by(piece.mass_kg, first)}, {kg_by(lift.load_kg, first)} with its glove, {hands}; {zones}; "
        f"{counted(len(piece.bolts_mm), 'bolt')}{_clamp_words(len(piece.clamps_mm))}{strapped_words(plan, at)}"
        + (f"; WEAK: {', '.join(weak)}" if weak else "")
    )


def _clamp_words(count: int) -> str:
    return f" and {counted(count, 'clamp')}" if count else ""


def _cast_words(plan: MouldPlan) -> str:
    c = plan.cast
    out, stands = "comes out" if c.comes_out else "does NOT come out", stands_words(c, plan.brief.job.units)
    return f"{weight_words(c, plan.brief.job.units)}, wall {mm(c.thickness_mm)}, {out}; {stands}"


def _order_words(plan: MouldPlan) -> str:
    dear = sorted(plan.takeoff.lines, key=lambda line: -line.cost)
    words = "; ".join(_bought(line) for line in dear[:_MOST_BOUGHT])
    rest = len(dear) - _MOST_BOUGHT
    return words + (f"; and {rest} more in the order list" if rest > 0 else "")


def _bought(line: OrderLine) -> str:
    """Sheets, whose area is no round figure, by their number; all else by its amount."""
    if line.unit == "m2" and not float(line.pack_size).is_integer():
        return f"{counted(line.packs, 'sheet')} {line.name}"
    return f"{line.buy:.4g} {unit_words(line.unit)} {line.name}"


def _cost_words(plan: MouldPlan) -> str:
    t = plan.takeoff
    marks = listed(sorted({line.price_mark for line in t.lines}))
    return (
        f"{money(t.total_cost, t.currency)}; mould {bare_money(t.cost_mould)}, each cast "
        f"{bare_money(t.cost_per_cast)}, one more {bare_money(t.cost_next_cast)} (prices: {marks})"
    )


def _price_words(cash: Money) -> str:
    spread = cash.whole
    hours = sum(line.person_hours for line in cash.labour)
    return (
        f"{money(spread.likely, cash.currency)} ({bare_money(spread.low)} to {bare_money(spread.high)}) with "
        f"{hours:.0f} h of work at {money(cash.hourly_rate, cash.currency)}; mould {bare_money(cash.mould.price)}, "
        f"each cast {bare_money(cash.each.price)}, one more {bare_money(cash.more.price)}"
    )


def caution_lines(plan: MouldPlan) -> tuple[str, ...]:
    """The cautions in few lines: what a product's data sheet decides is named, the rest is said in full, and a last
    line says what decides instead of this plan."""
    if not plan.cautions:
        return ()
    by_sheet = [c.hazard for c in plan.cautions if c.defers_to == SHEET]
    lines = [c.sentence for c in plan.cautions if c.defers_to != SHEET]
    if by_sheet:
        lines.insert(0, f"{listed(by_sheet)}: read each product's safety data sheet; what to do is in the sheets.")
    decides = list(dict.fromkeys(who for c in plan.cautions for who in c.defers_to.split("; ")))
    lines.append("what decides: " + "; ".join(decides) + ".")
    return tuple(line[:1].upper() + line[1:] for line in lines)


def summary_text(plan: MouldPlan) -> str:
    """The summary as plain text, one row a line, for pipes and files."""
    rows = summary_rows(plan)
    width = max(len(name) for name, _ in rows)
    lines = [f"{name.ljust(width)}  {words}" for name, words in rows]
    return "\n".join([*lines, *("Caution: " + line for line in caution_lines(plan))])
