"""The end of a run in one screen: what a mould maker reads first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .opening import direction_words
from .rubber import Interval

if TYPE_CHECKING:
    from .pipeline import MouldPlan

_LITRE = 1e6
_SQUARE_METRE = 1e6


def _span(interval: Interval, unit: str, scale: float = 1.0, digits: int = 1) -> str:
    return (
        f"{interval.likely * scale:.{digits}f} {unit} "
        f"({interval.low * scale:.{digits}f} to {interval.high * scale:.{digits}f})"
    )


def summary_rows(plan: MouldPlan) -> tuple[tuple[str, str], ...]:
    """(heading, figures) pairs, in the order of the work. Plain text, no markup."""
    master, opening, seam, locks = plan.master, plan.opening, plan.seam, plan.locks
    rows = [
        ("Master", _master_words(plan)),
        (
            "Opens",
            f"{direction_words(opening.chosen.direction)}; pull {opening.chosen.pull_depth_mm:.0f} mm; "
            f"{opening.directions_tried} directions tried",
        ),
        ("Pieces", f"{len(seam.pieces)}: " + ", ".join(p.name for p in seam.pieces)),
        (
            "Seam",
            f"{seam.kind}, {seam.length_mm / 1000:.2f} m, {seam.figures.on_show_mm / 1000:.2f} m of it on show",
        ),
        (
            "Locked",
            f"{locks.rigid_area_mm2 / 1e4:.0f} cm² would lock anything rigid; "
            f"{locks.piece_locked_area_mm2 / 1e4:.0f} cm² "
            f"to its own piece; glove stretches {100 * locks.worst_stretch:.0f} % "
            f"of {100 * locks.stretch_allowed:.0f} % allowed",
        ),
        ("Lock fill", f"{locks.fill_mm3 / _LITRE:.2f} litres{_worst_lock(plan)}"),
        *_rubber_rows(plan),
        ("Keys", _key_words(plan)),
        *_jacket_rows(plan),
        ("Cast", _cast_words(plan)),
    ]
    if plan.takeoff.lines:
        rows += [("Buy", "; ".join(_order_words(plan))), ("Cost", _cost_words(plan))]
    rows.append(("Days", f"{plan.programme.mould_days} for the mould, {plan.programme.run_days} for the run"))
    if not master.health.is_solid:
        rows.append(("Left out", "; ".join(master.health.left_out)))
    return tuple(rows)


def _master_words(plan: MouldPlan) -> str:
    m = plan.master
    repairs = f"; {len(m.health.repairs)} repairs made" if m.health.repairs else ""
    return (
        f"{m.name}, {m.height_mm:.0f} mm high, {m.skin_area_mm2 / _SQUARE_METRE:.2f} m² of skin, "
        f"{len(m.faces):,} triangles{repairs}; {plan.brief.run.casts} casts"
    )


def _worst_lock(plan: MouldPlan) -> str:
    if not plan.locks.regions:
        return ""
    worst = plan.locks.regions[0]
    return f"; worst: {worst.name}, {worst.fill_mm3 / 1e3:.0f} ml, {worst.depth_mm:.0f} mm deep"


def _rubber_rows(plan: MouldPlan) -> list[tuple[str, str]]:
    r = plan.rubber
    rows = [
        (
            "Rubber",
            f"{_span(r.volume_mm3, 'litres', 1 / _LITRE)}; skin {r.skin_thickness_mm:g} mm, edge "
            f"{r.edge_thickness_mm:g} mm; thinnest measured {r.min_thickness_mm:.1f} mm",
        )
    ]
    for envelope, part in zip(r.envelopes, r.parts):
        rows.append(
            (
                f"  {envelope.name}",
                f"{part.total_mm3 / _LITRE:.1f} litres = skin {part.skin_mm3 / _LITRE:.1f} + lock fill "
                f"{part.lock_fill_mm3 / _LITRE:.1f} + edge {part.edge_mm3 / _LITRE:.1f} + draft "
                f"{part.draft_mm3 / _LITRE:.1f} + flange {part.flange_mm3 / _LITRE:.1f} + tabs "
                f"{part.tabs_mm3 / _LITRE:.2f}",
            )
        )
    return rows


def _key_words(plan: MouldPlan) -> str:
    held = [check for check in plan.keys.checks if check.holds]
    words = f"{len(plan.keys.keys)}; "
    if len(held) == len(plan.keys.checks):
        return words + "every piece held, sag " + ", ".join(f"{c.sag_mm:.1f} mm" for c in plan.keys.checks)
    return words + "; ".join(c.reason for c in plan.keys.checks if not c.holds)


def _jacket_rows(plan: MouldPlan) -> list[tuple[str, str]]:
    rows = []
    for piece in plan.jacket.pieces:
        zones = ", ".join(f"{z.name} {z.mat_oz_ft2:.0f} oz/ft² {z.thickness_mm:.1f} mm" for z in piece.zones)
        failed = [check.what for check in piece.checks if not check.passes]
        lift = piece.lift_with_glove
        hands = f"{lift.lifters_needed} to lift" if lift.lifters_needed else "more than a team may lift: hoist it"
        rows.append(
            (
                f"Jacket, {piece.name}",
                f"{piece.mass_kg:.1f} kg ({lift.load_kg:.1f} kg with glove, {hands}); {zones}; "
                f"{len(piece.bolts_mm)} bolts" + (f"; weak: {', '.join(failed)}" if failed else ""),
            )
        )
    return rows


def _cast_words(plan: MouldPlan) -> str:
    c = plan.cast
    out = "comes out" if c.comes_out else "does NOT come out"
    return f"{c.mass_kg:.1f} kg each, {c.thickness_mm:.1f} mm, {out}; ballast {c.ballast_kg:.0f} kg"


def _order_words(plan: MouldPlan) -> list[str]:
    dear = sorted(plan.takeoff.lines, key=lambda line: -line.cost)[:7]
    return [f"{line.buy:g} {line.unit} {line.name}" for line in dear]


def _cost_words(plan: MouldPlan) -> str:
    t = plan.takeoff
    return (
        f"{t.total_cost:.0f} {t.currency} in all; mould {t.cost_mould:.0f}, each cast {t.cost_per_cast:.0f}, "
        f"one more {t.cost_next_cast:.0f} (prices: {t.lines[0].price_mark})"
    )


def caution_lines(plan: MouldPlan) -> tuple[str, ...]:
    """The cautions as sentences, each with what it defers to."""
    return tuple(str(getattr(c, "sentence", c)) for c in plan.cautions)


def summary_text(plan: MouldPlan) -> str:
    """The summary as plain text, one row a line, for pipes and files."""
    rows = summary_rows(plan)
    width = max(len(name) for name, _ in rows)
    lines = [f"{name.ljust(width)}  {words}" for name, words in rows]
    return "\n".join([*lines, *("Caution: " + line for line in caution_lines(plan))])
