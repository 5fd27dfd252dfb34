"""What seams are weighed by: the price's rates and the limits' figures, gathered from brief and catalogue."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..inputs.brief import Brief, RatesBrief
from ..inputs.catalogue import Catalogue, read_catalogue
from ..inputs.materials import RubberMaterial
from .laminate import lay_up, mat_g_m2_from_oz
from .lifting import one_person_limit_kg, team_share
from .price import RubberPrice, UnitPrices, unit_prices
from .thickness import choose_thickness

# greatest size, and beside it how tight a fair line may turn: common practice, no source; between them by ratio
_SIZES_MM = (300.0, 1000.0, 3000.0, 5000.0)
_TURNS_MM = (18.0, 60.0, 60.0, 100.0)
_FAIR_MM = 3.0  # from a smooth curve over 100 mm, where the tightest turn is 60 mm
_FAIR_OVER_MM = 100.0
_WORKING_FRACTION = 1.0 / 3.0  # of the elongation at break


LEAN_DEG = 50.0  # from square to an opening: how far one leans to look in (common practice, no source)
TURNED_AWAY = 0.72  # |n . d| over which no line leant so far meets the skin's inside by more than a glance
SOLID_MM = 60.0  # a limb no thicker is cored or filled with resin in thin lifts: nobody lays it up (common practice)
# of the skin: what stretches past a value over less than that says nothing of the glove (ten square centimetres of a
# figure of man's size, a thumb's breadth round an ear's tip; invented)
LEAST_STRETCHED = 1.0 / 2000.0
TIP_MM = 25.0  # fingers and tips no thicker are filled whatever they belong to (common practice, no source)
# a quarter of a litre, a hand or an ear's tip; past it a thin limb is laid up all the same, parted down its length: no
# brush lays gelcoat in a sleeve over forearm or shin, and what is poured into it is heavy and heats (common practice)
SOLID_MOST_MM3 = 2.5e5
SOLID_AT_WORST_MM3 = 1.0e6  # a litre: where no seam keeps the limits otherwise (common practice, no source)
WIDTHS_DEEP = 4.0  # times its own width: how deep into a tube a hand with a brush lays up (common practice)
_PLACES = 20.0  # a place nobody can lay up is taken for this share of the skin


@dataclass(frozen=True)
class SeamTerms:
    """rubber_kg_m2, jacket_kg_m2, cast_kg_m2 : what a half carries for each square metre. lift_kg : what its hands may
    lift together. stretch_allowed : strain the glove may need. solid_most_mm3 : a thin limb no larger is filled."""

    rates: RatesBrief
    casts: int
    rubber: RubberPrice
    unit: UnitPrices
    stretch_allowed: float
    rubber_kg_m2: float
    jacket_kg_m2: float
    cast_kg_m2: float
    lift_kg: float
    currency: str = ""
    solid_most_mm3: float = SOLID_MOST_MM3


@dataclass(frozen=True)
class FairRule:
    """How even a seam has to run: within `off_mm` of a smooth curve over `over_mm`, no turn under `turn_mm`."""

    off_mm: float
    over_mm: float
    turn_mm: float


def fair_rule(size_mm: float) -> FairRule:
    """By the master's greatest size [common practice, no source]; a plane of 2 m turns no tighter than 60 mm."""
    turn = float(np.exp(np.interp(np.log(max(size_mm, 1.0)), np.log(_SIZES_MM), np.log(_TURNS_MM))))
    if size_mm < _SIZES_MM[0]:
        turn = _TURNS_MM[0] * size_mm / _SIZES_MM[0]
    scale = turn / 60.0
    return FairRule(_FAIR_MM * scale, _FAIR_OVER_MM * scale, turn)


def never_price(terms: SeamTerms, skin_mm2: float) -> float:
    """Money a mm² of skin where a half could not be laid up or stretched: more than the seam round such a place."""
    return 8.0 * terms.unit.shown_mm / float(np.sqrt(max(skin_mm2 / _PLACES, 1.0)))


def price_of_rubber(rubber: RubberMaterial, waste_fraction: float) -> RubberPrice:
    """By the pack that is cheapest for its size, with what is left in the pot."""
    per_kg = min(pack.price / pack.size for pack in rubber.packs)
    kg = rubber.density_kg_m3 / 1000.0
    return RubberPrice(per_kg * kg * (1.0 + waste_fraction), kg)


def seam_terms(brief: Brief | None = None, catalogue: Catalogue | None = None, skin_mm: float = 10.0) -> SeamTerms:
    """The terms of a brief and a catalogue. skin_mm : the glove's thickness."""
    brief, catalogue = brief or Brief(), catalogue or read_catalogue(None)
    stuff = catalogue.rubber_for(brief.materials)
    rubber = price_of_rubber(stuff, brief.materials.waste_fraction)
    jacket = lay_up(mat_g_m2_from_oz(brief.jacket.mat_oz), brief.jacket.glass_fraction)
    cast = lay_up(mat_g_m2_from_oz(brief.cast.mat_oz), brief.cast.glass_fraction)
    gelcoat = brief.cast.gelcoat_wet_mm * catalogue.gelcoat_for(brief.materials).density_kg_m3 / 1000.0
    each = one_person_limit_kg(brief.jacket)
    hands = brief.jacket.lifters
    return SeamTerms(
        brief.rates,
        brief.run.casts,
        rubber,
        unit_prices(brief.run.casts, rubber, brief.rates),
        stuff.elongation_at_break * _WORKING_FRACTION,
        skin_mm * rubber.kg_per_litre,
        jacket.mass_kg_m2,
        cast.mass_kg_m2 + gelcoat,
        each * hands * team_share(hands),
        catalogue.currency,
    )


def terms_for(height_mm: float, brief: Brief, catalogue: Catalogue) -> SeamTerms:
    """The terms of a master of this height, with the skin that the thickness rule gives its glove."""
    return seam_terms(brief, catalogue, choose_thickness(height_mm, brief.run.casts, brief.rubber).skin_mm)


def for_directions(terms: SeamTerms) -> SeamTerms:
    """The terms that directions are ranked by: without what a half weighs, which only a drawn seam is held to."""
    return replace(terms, rubber_kg_m2=0.0, jacket_kg_m2=0.0, cast_kg_m2=0.0, lift_kg=0.0)
