"""What can hurt someone in this plan, and what decides instead of us.

A caution follows from what the plan uses and weighs. None is complete, and none is a certification: the product's
safety data sheet, local codes and licensed practice come first.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from ..base.figures import First, whole_kg_by
from ..inputs.brief import Brief
from ..inputs.catalogue import Catalogue
from ..inputs.materials import Hazard, Material
from ..trade.handling import Lift
from .cast import Cast
from .jacket import Jacket
from .master import Master
from .programme import Programme
from .takeoff import Takeoff

NOT_A_HAZARD = "what this plan is"  # the last caution, on the plan itself
SHEET = "the product's safety data sheet"
CODES = "local codes and whoever answers for the place"
PRACTICE = "licensed practice and local rules for the work"
HEIGHT_OF_WORK_MM = 1500.0  # common practice: above this one stands on something to brush and roll
THICK_LAMINATE_MM = 6.0  # common practice: thicker laid wet on wet overheats
BIG_BATCH_KG = 1.0  # common practice: a pot larger than this, left standing, can smoke
HEAVY_KG = 16.0  # common practice: said from here on, whatever the check for the lift says


@dataclass(frozen=True)
class Caution:
    """One hazard, what to do about it in a sentence, and what it defers to."""

    hazard: str
    sentence: str
    defers_to: str

    def __str__(self) -> str:
        return f"{self.sentence} What decides: {self.defers_to}."


def cautions_for(
    master: Master,
    jacket: Jacket,
    lifts: Sequence[Lift],
    cast: Cast,
    programme: Programme,
    takeoff: Takeoff,
    brief: Brief,
    catalogue: Catalogue,
) -> tuple[Caution, ...]:
    """Cautions for a plan, in the order of the work: chemicals, dust, heat, lifting, standing."""
    hazards = hazards_of(materials_in_use(takeoff, brief, catalogue))
    return (
        *(_CHEMICAL[hazard] for hazard in _CHEMICAL if hazard in hazards),
        *_heat(jacket, cast, programme),
        *_lifting(master, lifts, cast, brief.job.units),
        *_standing(cast, brief.job.units),
        _NO_CERTIFICATE,
    )


def materials_in_use(takeoff: Takeoff, brief: Brief, catalogue: Catalogue) -> tuple[Material, ...]:
    """The catalogue's entries that the order holds, or would by the brief."""
    gelcoat, resin = catalogue.gelcoat_for(brief.materials), catalogue.resin_for(brief.materials)
    named: list[Material] = [catalogue.rubber_for(brief.materials), gelcoat, resin, catalogue.joint_tape]
    named += [catalogue.catalyst_of(material.catalyst) for material in (gelcoat, resin)]
    ordered = {line.code for line in takeoff.lines}
    named += [material for material in catalogue.materials() if material.code in ordered]
    unique = {material.code: material for material in named}
    return tuple(unique.values())


def hazards_of(materials: Iterable[Material]) -> frozenset[Hazard]:
    """Every hazard that the catalogue states of them."""
    return frozenset(hazard for material in materials for hazard in material.hazards)


_CHEMICAL: dict[Hazard, Caution] = {
    "styrene": Caution(
        "styrene vapour",
        "Gelcoat and polyester resin give off styrene, which is harmful to breathe and catches fire: work "
        "with extraction and a fitted organic-vapour respirator, keep flames and sparks away, and never "
        "sleep or eat near curing pieces.",
        SHEET,
    ),
    "peroxide": Caution(
        "peroxide catalyst",
        "Peroxide catalyst blinds and burns: wear goggles and gloves, keep an eyewash at hand, measure "
        "within the data sheet's limits, and never let it meet an accelerator directly, for the two together "
        "can explode.",
        SHEET,
    ),
    "isocyanate": Caution(
        "isocyanates",
        "Two-pack lacquer and polyurethane rubber hold isocyanates, which can make a person allergic for life: air-fed "
        "hood for spraying, extraction, gloves, and in many places training and health surveillance.",
        f"{SHEET}; local rules on training",
    ),
    "tin catalyst": Caution(
        "silicone catalyst",
        "The catalyst of condensation silicone is harmful through the skin: wear gloves, wash at once where "
        "it splashes, and air the room.",
        SHEET,
    ),
    "glass dust": Caution(
        "glass dust",
        "Cut mat and trimmed laminate give off glass fibre and dust: cover the skin, wear a particle respirator and "
        "goggles, trim with extraction or wet, and vacuum instead of sweeping.",
        PRACTICE,
    ),
    "silica dust": Caution(
        "mineral dust",
        "Fumed silica and dry ballast raise dust that harms the lungs: wear a particle respirator when weighing and "
        "filling, and damp ballast down before tipping it.",
        SHEET,
    ),
    "solvent": Caution(
        "solvents",
        "Release wax and brush cleaner hold solvents that catch fire: air the room, keep flames away, and "
        "dry soaked rags flat outdoors before they are thrown away.",
        SHEET,
    ),
}

_NO_CERTIFICATE = Caution(
    NOT_A_HAZARD,
    "This plan checks loads, lifts and standing by stated rules; it certifies nothing, and a person who "
    "answers for the work has to look at it before anyone relies on it.",
    f"{PRACTICE}; {CODES}",
)


def _heat(jacket: Jacket, cast: Cast, programme: Programme) -> Iterator[Caution]:
    """Resin left thick or in the pot heats itself."""
    resin_pots = [b for b in programme.batches if "laminate" in b.coat or b.coat == "gelcoat"]
    biggest = max((b.batch_kg for b in resin_pots), default=0.0)
    thickest = max(
        (zone.thickness_mm for piece in jacket.pieces for zone in piece.zones),
        default=0.0,
    )
    thickest = max(thickest, cast.laminate_mm)
    if not resin_pots and thickest <= 0:
        return
    said = [
        "Catalysed resin heats itself: spread it out, never leave it standing in the pot or pooled in a "
        "corner, and set leftovers out of doors on bare ground."
    ]
    if biggest > BIG_BATCH_KG:
        said.append(f"Pots of up to {biggest:.1f} kg here are large enough to smoke.")
    if thickest > THICK_LAMINATE_MM:
        said.append(
            f"The laminate of up to {thickest:.1f} mm is laid in at least two goes, the first left to cool, "
            "so that it does not overheat."
        )
    yield Caution("heat of curing", " ".join(said), SHEET)


def _lifting(master: Master, lifts: Sequence[Lift], cast: Cast, first: First) -> Iterator[Caution]:
    heaviest = max((lift for lift in lifts if lift.kind != "cast out"), key=lambda lift: lift.load_kg, default=None)
    if heaviest is not None and heaviest.load_kg >= HEAVY_KG:
        hands = {0: "more than four people", 1: "one person"}.get(heaviest.people, f"at least {heaviest.people} people")
        yield Caution(
            "lifting the mould",
            f"The heaviest lift ({heaviest.what}) is about {whole_kg_by(heaviest.load_kg, first)}{heaviest.where}; by "
            f"the check it takes {hands}: plan the path, clear the floor, lift together and never over anyone.",
            PRACTICE,
        )
    if any(lift.tail_kg for lift in lifts):
        yield Caution(
            "lowering the mould on a rope",
            "The rail or post that takes the rope has to bear the mould, and the rope goes round the mould under its "
            "flange, never through a bolt hole; nobody stands where it would fall.",
            f"{PRACTICE}; {CODES}",
        )
    if cast.lift_kg >= HEAVY_KG:
        yield Caution(
            "lifting the cast",
            f"Each cast, with what is glassed into it, weighs about {whole_kg_by(cast.lift_kg, first)}, without "
            "ballast: lift it by the foot and body, never by a thin limb, with as many hands as your own assessment "
            "says.",
            PRACTICE,
        )
    yield Caution(
        "opening the mould",
        "A jacket let go under tension springs: take the bolts out a little all round, wedge at the marked "
        "points, and keep hands and faces out of the flange.",
        PRACTICE,
    )
    if master.height_mm > HEIGHT_OF_WORK_MM:
        yield Caution(
            "working at height",
            f"The piece stands {master.height_mm / 1000:.1f} m tall: brush and roll its top from a "
            "platform with a rail, not from a ladder with a pot in the hand.",
            PRACTICE,
        )


def _standing(cast: Cast, first: First) -> Iterator[Caution]:
    for check in cast.stands:
        short = check.factor * check.overturning_nm > check.holding_nm
        if not short or check.overturning_nm <= 0:
            continue
        fixed = cast.needs_fixing
        held = (
            "fix it to the ground"
            if fixed
            else f"put at least {whole_kg_by(check.ballast_kg, first)} of ballast low in its foot"
        )
        if check.cause == "wind":
            yield Caution(
                "wind",
                f"As it comes the cast does not stand {check.factor:g} times the stated wind about its "
                f"{check.tip_edge}: {held} before it is left alone.",
                CODES,
            )
        else:
            yield Caution(
                "tipping over",
                f"A stated {check.cause} can tip the cast over its {check.tip_edge}: {held}"
                + (" before it is left alone." if fixed else "; where children may climb, fix it to the ground too."),
                CODES,
            )
