"""The mould kept alive: a tear patched with its own rubber, a second glove in the old jacket, a cast as master."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..base.errors import BriefRefused
from ..base.figures import listed, metres, mm, money, number, packs_words, percent, unit_words
from ..base.marks import Assumption, Mark
from ..stages.plan import MouldPlan
from ..trade.packs import cheapest_packs

# common practice, no source, each of them
BEVEL_DEG = 45.0  # the torn edges are cut to a V that opens outwards
FEATHER_MM = 25.0  # the last thin coat runs this far past the V on each side
FEATHER_THICK_MM = 0.5  # no more: the jacket still has to close over it
LEAST_MIX_KG = 0.1  # less is not weighed truly enough for its catalyst
POT_LOSS = 0.15  # of a small mix stays in the pot and on the brush
LONGEST_PATCH_SHARE = 0.25  # of the seam's length: past it a new glove is the better work
GLOVE_STAGES, GLOVE_PARTS = ("glove", "wall"), ("wall", "keys", "glove")
AS_MASTER_SHRINK = (0.001, 0.006)  # polyester laminate, as a length: from memory, verify; the data sheets decide


@dataclass(frozen=True)
class TearPatch:
    """Rubber for one torn place. rubber_kg : of the whole mix; base_g, catalyst_g : what it is weighed from."""

    length_mm: float
    gap_mm: float
    thickness_mm: float
    volume_mm3: float
    rubber_kg: float
    base_g: float
    catalyst_g: float
    cure_h: float
    steps: tuple[str, ...]


def patch_tear(plan: MouldPlan, length_mm: float, gap_mm: float = 0.0) -> TearPatch:
    """A tear of a length, with so much rubber missing across it, in the glove's skin.

    Raises `BriefRefused` for a length that is none, or so long that a new glove is the better work.
    """
    if not (math.isfinite(length_mm) and length_mm > 0 and math.isfinite(gap_mm) and gap_mm >= 0):
        raise BriefRefused("Give the tear's length in mm, such as --tear 80, and what is missing across it as --gap 5.")
    longest = LONGEST_PATCH_SHARE * plan.seam.length_mm
    if max(length_mm, gap_mm) > longest:
        raise BriefRefused(
            f"A tear of {metres(max(length_mm, gap_mm))} is more than is patched on this glove ({metres(longest)}); "
            "make a second glove in the old jacket: mouldloft repair --glove."
        )
    rubber = plan.catalogue.rubber_for(plan.brief.materials)
    thick = plan.rubber.skin_thickness_mm
    groove = thick**2 * math.tan(math.radians(BEVEL_DEG)) + gap_mm * thick
    film = (2 * thick * math.tan(math.radians(BEVEL_DEG)) + gap_mm + 2 * FEATHER_MM) * FEATHER_THICK_MM
    volume = (groove + film) * (length_mm + 2 * thick)
    mix = max(volume * rubber.density_kg_m3 * 1e-9 / (1 - POT_LOSS), LEAST_MIX_KG)
    catalyst = mix * rubber.catalyst_fraction / (1 + rubber.catalyst_fraction)
    return TearPatch(
        length_mm, gap_mm, thick, volume, mix, (mix - catalyst) * 1000, catalyst * 1000, rubber.cure_h,
        _patch_steps(plan, mix, catalyst, rubber.cure_h),
    )  # fmt: skip


def _patch_steps(plan: MouldPlan, mix: float, catalyst: float, cure_h: float) -> tuple[str, ...]:
    rubber = plan.catalogue.rubber_for(plan.brief.materials)
    weighed = (
        f"{(mix - catalyst) * 1000:.0f} g base and {catalyst * 1000:.1f} g catalyst"
        if rubber.catalyst
        else f"{mix * 1000:.0f} g, both parts as on the pack"
    )
    return (
        "Lay the glove home in its jacket, keys in their sockets, so that the torn edges meet as they were.",
        f"Cut back to sound rubber; bevel both edges at {BEVEL_DEG:.0f}° so that the V opens to the jacket's side.",
        f"Hold the skin side shut with tape; wipe V and {FEATHER_MM:.0f} mm beside it with the cleaner that the "
        "rubber's data sheet names. Let it dry. No release there.",
        "Test first on an offcut of this glove: old silicone usually takes new, not always.",
        f"Mix {weighed}; brush a thin tack coat into the V, then fill it thickened, gauze over it where it is handled.",
        f"Feather out at {mm(FEATHER_THICK_MM)}, no more, or the jacket will not close.",
        f"Leave {cure_h:.0f} h at the data sheet's temperature; peel the tape, trim the skin flush, try the jacket.",
        "Log it as a tear of the next cast: mouldloft log counts them.",
    )


@dataclass(frozen=True)
class Remake:
    """A second glove in the old jacket. lines : (material, amount, unit, packs (size, count), cost); hours : of all
    people, for wall, keys and glove."""

    lines: tuple[tuple[str, float, str, tuple[tuple[float, int], ...], float], ...]
    cost: float
    currency: str
    hours: float
    keep: tuple[str, ...]
    steps: tuple[str, ...]


def second_glove(plan: MouldPlan) -> Remake:
    """Amounts, cost and hours of another glove for the jacket that stands, and what has to be kept for it."""
    materials = {material.code: material for material in plan.catalogue.materials()}
    found = []
    for line in plan.takeoff.lines:
        net = sum(amount for stage, amount in line.by_stage if stage in GLOVE_STAGES)
        material = materials.get(line.code)
        if net <= 0 or material is None or line.code in _wall_boards(plan):
            continue
        needed = net * max(1 + line.waste_fraction, line.net.high / line.net.likely)
        packs = cheapest_packs(needed, material.packs)
        cost = sum(pack.price * count for pack, count in packs)
        bought = tuple((pack.size, count) for pack, count in packs)
        found.append((line.name, needed, line.unit, bought, cost))
    hours = sum(line.person_hours for line in plan.programme.hours if line.part in GLOVE_PARTS)
    return Remake(
        tuple(found), sum(row[4] for row in found), plan.takeoff.currency, hours, _to_keep(plan), _remake_steps(plan)
    )


def _wall_boards(plan: MouldPlan) -> set[str]:
    """Sheets of the wall: its pieces are kept and serve again."""
    return {lot.code for lot in plan.wall.sheets} if plan.wall is not None else set()


def _to_keep(plan: MouldPlan) -> tuple[str, ...]:
    bolts = sum(len(piece.bolts_mm) for piece in plan.jacket.pieces)
    names = [piece.name for piece in plan.jacket.pieces]
    wall = f"the wall's {len(plan.wall.pieces)} pieces with their numbers" if plan.wall is not None else "the wall"
    return (
        "the master whole; where the clay is gone, one sound cast (mouldloft repair --cast-as-master)",
        f"the jacket: {listed(names)}, unclamped but bolted together, out of the sun",
        f"its bolts and fitted bolts by number ({bolts // max(len(names), 1)} places), the cradles",
        f"{wall}, and the bead's former",
        f"the open mould the {len(plan.keys.keys)} keys were cast in",
        "the old glove, as the pattern for where keys and edges sit",
    )


def _remake_steps(plan: MouldPlan) -> tuple[str, ...]:
    names = [envelope.name for envelope in plan.rubber.envelopes]
    return (
        "Clean the jacket's inside to the bare gelcoat or laminate; wax it lightly.",
        "Stand the master, set the wall by its numbered stations, seal and release skin and wall.",
        f"Cast the {len(plan.keys.keys)} keys again; press each into its socket in the jacket, not on the glove.",
        f"Brush the {names[0]}'s coats as the first time, to the same thickness, less the last build coat.",
        "Thicken the last coat, spread it, and set the old jacket down on it wet, keys in their sockets: bolt it "
        "hand-tight to the wall, so that the rubber takes the jacket's shape. What comes out at the rim is trimmed "
        "when it has set.",
        "Turn, take the wall off, release the first glove's flange, and do the same for "
        f"{listed(names[1:]) or 'the other side'}.",
        "Take the first cast from it as a trial cast.",
    )


def cast_as_master(plan: MouldPlan, shrinkage: float | None = None, entries: int = 0) -> list[str]:
    """One cast kept as the master of a second mould, in plain lines. shrinkage : of a cast by the log's marks, a share
    of the length; None where there are none."""
    height = plan.master.height_mm
    if shrinkage is not None:
        size = (
            f"By {entries} pairs of marks a cast is {percent(max(shrinkage, 0.0))} smaller than the master: this one "
            f"stands about {mm(height * (1 - shrinkage))}, its casts about {mm(height * (1 - shrinkage) ** 2)}."
        )
    else:
        low, high = AS_MASTER_SHRINK
        size = (
            f"A polyester laminate is some {percent(low)} to {percent(high)} smaller (from memory, verify): this one "
            f"stands {mm(height * (1 - high))} to {mm(height * (1 - low))}, and what is cast from it is as much "
            "smaller again. Measure two marks and log them."
        )
    return [
        "ONE CAST KEPT AS MASTER",
        "  Choose the best of the run before paint, weigh and number it; never the trial cast if the mould was touched "
        "up after it.",
        f"  {size}",
        "  Post-cure it fully. Fresh polyester stops addition-cure rubber from setting, and its styrene harms a glove: "
        "test patch on it with the rubber of the second mould, whatever its kind.",
        "  Dress flash and joint, fill pinholes, seal the foot and stand it on its board: it is hollow, so brace it "
        f"inside before {number(_glove_kg(plan))} kg of rubber and a jacket hang on it.",
        "  Scan it before it goes under the wall, and plan the second mould from that scan: mouldloft rescan.",
        "  Wax, and PVA film where the wall's glass meets it. Store it dry, upright, out of the sun.",
    ]


def _glove_kg(plan: MouldPlan) -> float:
    rubber = plan.catalogue.rubber_for(plan.brief.materials)
    return plan.rubber.volume_mm3.likely * rubber.density_kg_m3 * 1e-9


def patch_lines(patch: TearPatch) -> list[str]:
    """A patch in plain lines."""
    missing = f", {mm(patch.gap_mm)} missing across it" if patch.gap_mm else ""
    return [
        f"TEAR OF {mm(patch.length_mm).upper()}{missing}, SKIN {mm(patch.thickness_mm)}",
        f"  {number(patch.volume_mm3 / 1000)} ml of its own rubber; mix {number(patch.rubber_kg * 1000)} g "
        f"(what stays in the pot is in it, and less than {LEAST_MIX_KG * 1000:.0f} g is not mixed).",
        *(f"  {at}. {step}" for at, step in enumerate(patch.steps, 1)),
        "  The rubber's data sheet decides on cleaner, catalyst and cure; gloves and goggles for catalyst.",
    ]


def remake_lines(remake: Remake) -> list[str]:
    """A second glove in plain lines."""
    lines = ["SECOND GLOVE IN THE OLD JACKET", "  Keep for it:", *(f"  - {what}" for what in remake.keep), "  Buy:"]
    for name, amount, unit, packs, cost in remake.lines:
        needs = f"needs {number(amount)} {unit_words(unit)}"
        lines.append(f"  - {name}: {packs_words(packs, unit)} ({needs}); {money(cost, remake.currency)}")
    lines.append(f"  In all {money(remake.cost, remake.currency)} and about {remake.hours:.0f} person-hours.")
    return [*lines, "  In this order:", *(f"  {at}. {step}" for at, step in enumerate(remake.steps, 1))]


def repair_assumptions() -> tuple[Assumption, ...]:
    """What patch and remake go by besides the plan's own figures."""
    rule = Mark.COMMON_PRACTICE
    return (
        Assumption("a torn edge is bevelled at", f"{BEVEL_DEG:.0f}°", rule),
        Assumption("a patch runs past its V by", f"{FEATHER_MM:.0f} mm at {FEATHER_THICK_MM:g} mm", rule),
        Assumption("smallest mix", f"{LEAST_MIX_KG * 1000:.0f} g", rule),
        Assumption("polyester laminate's shrinkage", "0.1 to 0.6 %", Mark.MEMORY),
    )
