"""What each section says once it has run: one line, and remarks below it, from the core's records."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


def _short(value: float) -> str:
    """A figure to about three places, without a nought that says nothing: 6, 4.5, 0.35, 120."""
    from mouldloft.base import figures

    text = figures.number(value)
    return text.rstrip("0").rstrip(".") if "." in text else text


MM_PER_FOOT, MM3_PER_GALLON = 304.8, 3.785411784e6  # the US gallon of 231 cubic inches


@dataclass(frozen=True)
class Units:
    """Figures as the scene reads them: metric, or feet, pounds and US gallons."""

    imperial: bool = False

    def mm(self, value: float) -> str:
        """A length given in millimetres."""
        from mouldloft.base import figures

        if not self.imperial:
            return figures.mm(value)
        inches = value / figures.MM_PER_INCH
        if abs(inches) < 24.0:
            return f"{_short(inches)} in"
        feet, rest = divmod(round(inches), 12)
        return f"{feet} ft {rest} in"

    def metres(self, value: float) -> str:
        """A long length given in millimetres."""
        from mouldloft.base import figures

        return f"{_short(value / MM_PER_FOOT)} ft" if self.imperial else figures.metres(value)

    def m2(self, value: float) -> str:
        """An area given in mm²."""
        from mouldloft.base import figures

        return f"{_short(value / MM_PER_FOOT**2)} sq ft" if self.imperial else figures.m2(value)

    def litres(self, value: float) -> str:
        """A volume given in mm³."""
        from mouldloft.base import figures

        return f"{_short(value / MM3_PER_GALLON)} US gal" if self.imperial else figures.litres(value)

    def kg(self, value: float) -> str:
        """A mass given in kilograms."""
        from mouldloft.base import figures

        return f"{_short(value / figures.KG_PER_LB)} lb" if self.imperial else figures.kg(value)


METRIC = Units()


def _sculpt(done: dict[str, Any], units: Units) -> str:

    master = done["master"]
    said = [f"{units.mm(master.height_mm)} tall, {units.m2(master.skin_area_mm2)} of skin"]
    if master.volume_mm3 > 0:
        said.append(units.litres(master.volume_mm3))
    health = master.health
    said.append("sound" if health.is_solid else "not a closed solid")
    return "; ".join(said)


def _opening(done: dict[str, Any], units: Units) -> str:
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


def _seam(done: dict[str, Any], units: Units) -> str:
    from mouldloft.base import figures

    seam, locks = done["seam"], done["locks"]
    by_rule = figures.strain_by_rule(locks.worst_stretch, locks.elongation_at_break)
    said = [
        f"{units.metres(seam.length_mm)} of {seam.kind} seam in {figures.counted(len(seam.lines), 'line')}",
        f"by rule the rubber stretches {by_rule} at most ({figures.percent(locks.stretch_allowed)} allowed)",
        f"{units.litres(locks.fill_mm3)} of undercut fill",
    ]
    return "; ".join(said)


def _glove(done: dict[str, Any], units: Units) -> str:
    from mouldloft.base import figures

    rubber = done["bare_rubber"]
    volume = rubber.volume_mm3
    return (
        f"{units.litres(volume.likely)} of rubber ({units.litres(volume.low)} to {units.litres(volume.high)}) in "
        f"{figures.counted(len(rubber.coats), 'coat')}; skin {units.mm(rubber.skin_thickness_mm)}, "
        f"edge {units.mm(rubber.edge_thickness_mm)}"
    )


def keys_line(checks: Any, count: int, units: Units = METRIC) -> str:
    """The fixture checks in one line; also said after a key was moved."""
    from mouldloft.base import figures

    if all(check.holds for check in checks):
        sag = max(0.1, *(check.sag_mm for check in checks))  # told to a tenth, and as a most
        return f"{figures.counted(count, 'key')} hold the glove: no slide or turn is free, sag {units.mm(sag)} at most"
    said = []
    slack = min(checks, key=lambda check: check.stiffness / check.least_stiffness)
    if slack.stiffness < slack.least_stiffness:
        said.append(f"a slide or turn is too free ({slack.stiffness:.3f}, at least {slack.least_stiffness:.3f})")
    deep = max(checks, key=lambda check: check.sag_mm / check.sag_limit_mm)
    if deep.sag_mm > deep.sag_limit_mm:
        said.append(f"it sags {units.mm(deep.sag_mm)} (limit {units.mm(deep.sag_limit_mm)})")
    return f"{figures.counted(count, 'key')} do not hold the glove: {'; '.join(said)}"


def _keys(done: dict[str, Any], units: Units) -> str:
    return keys_line(done["keys"].checks, len(done["keys"].keys), units)


def _jacket(done: dict[str, Any], units: Units) -> str:
    from mouldloft.base import figures

    jacket, cradle = done["jacket"], done["cradle"]
    pieces = [f"{piece.name} {units.kg(piece.mass_kg)}" for piece in jacket.pieces]
    boards = sum(len(piece.boards) for piece in cradle.pieces)
    lies = "no cradle: on a bag of sand" if cradle.instead else figures.counted(boards, "cradle board")
    said = [", ".join(pieces), lies]
    failed = sum(not check.passes for piece in jacket.pieces for check in piece.checks)
    said.append(f"{figures.counted(failed, 'check')} not passed" if failed else "stiff and strong enough")
    return "; ".join(said)


def _casts(done: dict[str, Any], units: Units) -> str:

    cast = done["cast"]
    said = [f"{units.kg(cast.mass_kg)} each", "comes out of the glove" if cast.comes_out else "does not come out"]
    if cast.needs_fixing:
        said.append("to be fixed to the ground")
    elif cast.ballast_kg > 0:
        said.append(f"{units.kg(cast.ballast_kg)} of ballast in the foot")
    return "; ".join(said)


def _order(done: dict[str, Any], units: Units) -> str:
    from mouldloft.base import figures

    takeoff, programme = done["takeoff"], done["programme"]
    return (
        f"{figures.money(takeoff.total_cost, takeoff.currency)} in {figures.counted(len(takeoff.lines), 'line')}; "
        f"mould {figures.counted(programme.mould_days, 'day')}, run {figures.counted(programme.run_days, 'day')}; "
        f"one more cast {figures.money(takeoff.cost_next_cast, takeoff.currency)}"
    )


def _solids(done: dict[str, Any], units: Units) -> str:
    from mouldloft.base import figures

    solids = done["solids"]
    gloves, jackets = (sum(s.volume_mm3 for s in solids if s.kind == kind) for kind in ("glove", "jacket"))
    return (
        f"{figures.counted(len(solids), 'closed solid')}; gloves {units.litres(gloves)} with keys, "
        f"jackets {units.litres(jackets)}"
    )


_LINES: dict[str, Callable[[dict[str, Any], Units], str]] = {
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


def line_of(key: str, done: dict[str, Any], units: Units = METRIC) -> str:
    """What the section has to say."""
    return _LINES[key](done, units)


SEAM_NAMES = {"plane": "Plane", "relief": "Relief", "free": "Free", "own": "Your line"}


def _price(total: float, hours: float, currency: str) -> str:
    """What a seam costs over the run, no finer than it is known."""
    from mouldloft.base import figures

    return f"{figures.number(round(total, -1))} {currency}, {round(hours)} h"


def candidate_line(found: Any, currency: str) -> str:
    """A seam beside the others, as short as a list asks: what it costs over the run."""
    return f"{SEAM_NAMES.get(found.kind, found.kind)}: {_price(found.price.total, found.price.hours, currency)}"


def shaped_line(now: Any, before: Any, currency: str, units: Units) -> str:
    """A seam under the hand: cost over the run, length and fill, and what they were. now, before : a `Told` each."""

    def said(told: Any) -> str:
        lengths = f"{units.metres(told.length_mm)} long, {units.litres(told.fill_mm3)} of undercut fill"
        return f"{_price(told.total, told.hours, currency)}; {lengths}"

    here, was = said(now), said(before)
    return f"Seam: {here}" if here == was else f"Seam: {here}  (before: {was})"


def way_words(direction: Any) -> str:
    """Where a direction points, in a few words."""
    from mouldloft.stages.opening import direction_words

    return direction_words(direction)


def dragged_line(locked_fraction: float, locked_area_mm2: float, fill_mm3: float, units: Units) -> str:
    """What a direction under the hand costs: skin locked, and rubber to fill it."""
    from mouldloft.base import figures

    said = f"{figures.percent(locked_fraction)} of the skin locked ({units.m2(locked_area_mm2)})"
    return said if fill_mm3 != fill_mm3 else f"{said}, {units.litres(fill_mm3)} of undercut fill"


def remarks_of(key: str, done: dict[str, Any]) -> list[str]:
    """What else there is to say, each once: repairs, reasons, advice, cautions."""
    return list(dict.fromkeys(remark for remark in _remarks(key, done) if remark))


def _remarks(key: str, done: dict[str, Any]) -> list[str]:
    from mouldloft.base import figures

    if key == "sculpt":
        health = done["master"].health
        stance = [health.stance] if health.stance else []
        return [*health.repairs, *stance, *health.notes, *health.left_out]
    if key == "opening":
        chosen = done["opening"].chosen  # of those found, the list says why
        return [chosen.reason] if chosen.origin == "brief" else []
    if key == "seam":
        return [*done["seam"].notes, *_more_pieces(done["division"])]
    if key == "glove":
        return [done["bare_rubber"].thickness_reason]
    if key == "keys":
        return [check.reason for check in done["keys"].checks]
    if key == "jacket":
        return [*done["jacket"].advice, *done["cradle"].advice]
    if key == "casts":
        return [done["cast"].comes_out_reason, *done["cast"].advice]
    if key == "order":
        ways = [
            f"{way.name}: {figures.money(way.total, done['takeoff'].currency)}; {way.reason}"
            for way in done["answers"].rows
        ]
        return [done["takeoff"].mould_life_reason, done["programme"].temperature_note, *ways]
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
