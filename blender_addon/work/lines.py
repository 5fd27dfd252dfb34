"""What each section says once it has run: one line, and remarks below it, from the core's records."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any


def _sculpt(done: dict[str, Any]) -> str:
    from mouldloft.base import figures

    master = done["master"]
    said = [f"{figures.mm(master.height_mm)} tall, {figures.m2(master.skin_area_mm2)} of skin"]
    if master.volume_mm3 > 0:
        said.append(figures.litres(master.volume_mm3))
    health = master.health
    said.append("sound" if health.is_solid else "not a closed solid")
    return "; ".join(said)


def _opening(done: dict[str, Any]) -> str:
    from mouldloft.base import figures
    from mouldloft.stages.opening import direction_words

    words = direction_words(done["opening"].chosen.direction)
    return f"Opens {words}; {figures.percent(done['undercut'].locked_fraction)} of the skin locks a rigid mould"


def way_line(number: int, found: Any) -> str:
    """A direction found, as short as a list asks: what it locks and where it points."""
    from mouldloft.base import figures
    from mouldloft.stages.opening import direction_words

    where = direction_words(found.direction).removeprefix("to the ").replace("towards the ", "")
    return f"{number}. {figures.percent(found.locked_fraction)}: {where}"


def _seam(done: dict[str, Any]) -> str:
    from mouldloft.base import figures

    seam, locks = done["seam"], done["locks"]
    said = [
        f"{figures.metres(seam.length_mm)} of {seam.kind} seam in {figures.counted(len(seam.lines), 'line')}",
        f"rubber stretches {figures.percent(locks.worst_stretch)} at most "
        f"({figures.percent(locks.stretch_allowed)} allowed)",
        f"{figures.litres(locks.fill_mm3)} of lock fill",
    ]
    return "; ".join(said)


def _glove(done: dict[str, Any]) -> str:
    from mouldloft.base import figures

    rubber = done["bare_rubber"]
    volume = rubber.volume_mm3
    return (
        f"{volume.likely / 1e6:.1f} l of rubber ({volume.low / 1e6:.1f} to {volume.high / 1e6:.1f}) in "
        f"{figures.counted(len(rubber.coats), 'coat')}; skin {figures.mm(rubber.skin_thickness_mm)}, "
        f"edge {figures.mm(rubber.edge_thickness_mm)}"
    )


def keys_line(checks: Any, count: int) -> str:
    """The fixture checks in one line; also said after a key was moved."""
    from mouldloft.base import figures

    if all(check.holds for check in checks):
        sag = max(0.1, *(check.sag_mm for check in checks))  # told to a tenth, and as a most
        return f"{figures.counted(count, 'key')} hold the glove: no slide or turn is free, sag {sag:.1f} mm at most"
    said = []
    slack = min(checks, key=lambda check: check.stiffness / check.least_stiffness)
    if slack.stiffness < slack.least_stiffness:
        said.append(f"a slide or turn is too free ({slack.stiffness:.3f}, at least {slack.least_stiffness:.3f})")
    deep = max(checks, key=lambda check: check.sag_mm / check.sag_limit_mm)
    if deep.sag_mm > deep.sag_limit_mm:
        said.append(f"it sags {figures.mm(deep.sag_mm)} (limit {figures.mm(deep.sag_limit_mm)})")
    return f"{figures.counted(count, 'key')} do not hold the glove: {'; '.join(said)}"


def _keys(done: dict[str, Any]) -> str:
    return keys_line(done["keys"].checks, len(done["keys"].keys))


def _jacket(done: dict[str, Any]) -> str:
    from mouldloft.base import figures

    jacket, cradle = done["jacket"], done["cradle"]
    pieces = [f"{piece.name} {figures.kg(piece.mass_kg)}" for piece in jacket.pieces]
    boards = sum(len(piece.boards) for piece in cradle.pieces)
    said = [", ".join(pieces), f"{figures.counted(boards, 'cradle board')}"]
    failed = sum(not check.passes for piece in jacket.pieces for check in piece.checks)
    said.append(f"{figures.counted(failed, 'check')} not passed" if failed else "stiff and strong enough")
    return "; ".join(said)


def _casts(done: dict[str, Any]) -> str:
    from mouldloft.base import figures

    cast = done["cast"]
    said = [f"{figures.kg(cast.mass_kg)} each", "comes out of the glove" if cast.comes_out else "does not come out"]
    if cast.ballast_kg > 0:
        said.append(f"{figures.kg(cast.ballast_kg)} of ballast in the foot")
    return "; ".join(said)


def _order(done: dict[str, Any]) -> str:
    from mouldloft.base import figures

    takeoff, programme = done["takeoff"], done["programme"]
    return (
        f"{figures.money(takeoff.total_cost, takeoff.currency)} in {figures.counted(len(takeoff.lines), 'line')}; "
        f"mould {figures.counted(programme.mould_days, 'day')}, run {figures.counted(programme.run_days, 'day')}; "
        f"one more cast {figures.money(takeoff.cost_next_cast, takeoff.currency)}"
    )


def _solids(done: dict[str, Any]) -> str:
    from mouldloft.base import figures

    solids = done["solids"]
    gloves, jackets = (sum(s.volume_mm3 for s in solids if s.kind == kind) for kind in ("glove", "jacket"))
    return (
        f"{figures.counted(len(solids), 'closed solid')}; gloves {figures.litres(gloves)} with keys, "
        f"jackets {figures.litres(jackets)}"
    )


_LINES: dict[str, Callable[[dict[str, Any]], str]] = {
    "sculpt": _sculpt,
    "opening": _opening,
    "seam": _seam,
    "glove": _glove,
    "keys": _keys,
    "jacket": _jacket,
    "casts": _casts,
    "order": _order,
    "solids": _solids,
}


def line_of(key: str, done: dict[str, Any]) -> str:
    """What the section has to say."""
    return _LINES[key](done)


def remarks_of(key: str, done: dict[str, Any]) -> list[str]:
    """What else there is to say: repairs, reasons, advice, cautions."""
    from mouldloft.base import figures

    if key == "sculpt":
        health = done["master"].health
        return [done["master"].unit_assumed, *health.repairs, *health.left_out]
    if key == "opening":
        return [done["opening"].chosen.reason]
    if key == "seam":
        return list(done["seam"].notes)
    if key == "glove":
        return [done["bare_rubber"].thickness_reason]
    if key == "keys":
        return [check.reason for check in done["keys"].checks]
    if key == "jacket":
        return [*done["jacket"].advice, *done["cradle"].advice, *_more_pieces(done["division"])]
    if key == "casts":
        return [done["cast"].comes_out_reason, *done["cast"].advice]
    if key == "order":
        return [done["takeoff"].mould_life_reason, done["programme"].temperature_note]
    return [f"{solid.name}: {figures.litres(solid.volume_mm3)}" for solid in done["solids"]]


def _more_pieces(division: Any) -> list[str]:
    if division is None:
        return []
    order = "; ".join(f"{number}. {step.piece} {step.reason}" for number, step in enumerate(division.order, 1))
    return [division.why, order, *division.notes]


def is_good(key: str, done: dict[str, Any]) -> bool:
    """False where the section ran but a limit is not kept."""
    if key == "sculpt":
        return bool(done["master"].health.is_solid)
    if key == "seam":
        return bool(done["locks"].worst_stretch <= done["locks"].stretch_allowed)
    if key == "keys":
        return all(check.holds for check in done["keys"].checks)
    if key == "jacket":
        return all(check.passes for piece in done["jacket"].pieces for check in piece.checks)
    if key == "casts":
        return bool(done["cast"].comes_out)
    return True
