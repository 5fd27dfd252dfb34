"""A workshop sheet for each loose piece: how it lies and leaves, how it is laid up, what holds it home."""

from __future__ import annotations

from reportlab.platypus import Flowable, PageBreak, Spacer

from ...base.figures import counted, kg_lb, litres, m2, mm, number, ounces
from ...base.figures import kg as kilograms
from ...stages.opening import direction_words
from ...stages.plan import MouldPlan
from ...trade.lifting import hands_words
from ..look import SOFT_INK
from ..pictures.loose import loose_picture
from ..whereabouts import where_words
from .typeset import facts_table, heading, picture_panel, ruled_table, set_text


def loose_pages(plan: MouldPlan, inner: float) -> list[Flowable]:
    """A page for each loose piece; nothing where there is none."""
    parts: list[Flowable] = []
    for at in range(len(plan.jacket.loose)):
        parts += [PageBreak(), *_page(plan, at, inner)]
    return parts


def _page(plan: MouldPlan, at: int, inner: float) -> list[Flowable]:
    shell, piece = plan.jacket.loose[at], plan.rubber.loose[at]
    name, zone = shell.name.capitalize(), shell.zone
    under = [one.name for one in plan.jacket.loose[:at] if one.piece == shell.piece]
    after = f"the jacket of the {shell.under}" + "".join(f", then {other}" for other in under)
    size = " × ".join(f"{side:.0f}" for side in shell.size_mm)
    facts = [
        ("Lies", f"on the glove of the {shell.under}, under its jacket: {where_words(plan, [shell.centre_mm])[0]}"),
        ("Comes off", f"{direction_words(shell.pull)}, after {after}"),
        ("Instead of", f"{litres(shell.volume_mm3)} of rubber, {mm(piece.deep_mm)} deep along the jacket's pull"),
        ("Size", f"{size} mm: across, up and along its pull"),
        ("Draft", f"{number(plan.brief.rubber.draft_deg, 2, 1)}° at least on the rubber's side"),
        ("Weight", f"{kg_lb(shell.mass_kg, plan.brief.job.units)}, {kilograms(shell.mass_interval_kg.low)} to "
                   f"{kilograms(shell.mass_interval_kg.high)}; {_hands(shell.lift.lifters_needed)}"),
        ("Held home", _held(plan, at)),
    ]  # fmt: skip
    table = ruled_table(
        ("Laminate", "Area", "Mat", "Layers, from the rubber out", "Thick", "Glass", "Resin"),
        [[
            "floor, sides and back", m2(zone.area_mm2), f"{ounces(zone.mat_oz_ft2)} ({number(zone.mat_g_m2)} g/m²)",
            " + ".join(layer.replace(" g/m²", "") for layer in zone.layers) + " g/m²", mm(zone.thickness_mm),
            kilograms(zone.glass_kg), kilograms(zone.resin_kg),
        ]],
        [inner * v for v in (0.18, 0.09, 0.16, 0.25, 0.09, 0.11, 0.12)],
        right=(1, 4, 5, 6),
    )  # fmt: skip
    note = (
        "A closed box: laid up on the waxed rubber once it is cured, its back closed with a lid of glass and faired to "
        "the outside that the glove would have there, so that the jacket lies on it as on rubber. Wax and PVA over its "
        "back before the jacket. Hollow, or filled with cut rigid polyurethane; never poured in place."
    )
    lead = "A rigid insert between glove and jacket, drawn off along its pull."
    return [
        set_text(name, weight="light", size=20, leading=25),
        set_text(lead, size=8.6, colour=SOFT_INK),
        Spacer(1, 4),
        picture_panel(loose_picture(plan, at), inner, 330),
        Spacer(1, 6),
        facts_table(facts, inner, 0.13),
        *heading("How it is made"),
        table,
        set_text(note, size=8.2),
    ]


def _held(plan: MouldPlan, at: int) -> str:
    shell = plan.jacket.loose[at]
    if not shell.held_at_mm:
        return "by its own shape between glove and jacket"
    bolt = plan.jacket.loose_bolt
    size = f"{bolt.size.name} x {bolt.length_mm:g}" if bolt is not None else plan.rubber.built_to.bolt
    places = "; ".join(f"{height:.0f} mm up" for *_, height in shell.held_at_mm)
    return (
        f"{counted(len(shell.held_at_mm), 'bolt')} {size} through the jacket into plates glassed in behind its back "
        f"({places}), drilled before opening, the first one fitted without play: they are its key; out before the "
        "jacket comes off"
    )


def _hands(lifters: int) -> str:
    return hands_words(lifters) if lifters else "by hoist"
