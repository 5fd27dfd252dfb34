"""What a material is, kind by kind, and how fast the work goes: figures with their units, marks and sources."""

from __future__ import annotations

import typing
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

import msgspec

from ..base.figures import unit_words
from ..base.marks import Assumption, Mark
from .mats import G_M2_PER_OZ_FT2

# bounds no material or workshop comes near; without them a slip of the keys makes millions of pots, coats or days
Positive = Annotated[float, msgspec.Meta(gt=0, le=1e6)]
NotNegative = Annotated[float, msgspec.Meta(ge=0, le=1e6)]
Rate = Annotated[float, msgspec.Meta(ge=0.01, le=10_000)]
Hours = Annotated[float, msgspec.Meta(gt=0, le=1000)]
Minutes = Annotated[float, msgspec.Meta(ge=0.5, le=60_000)]
Coat = Annotated[float, msgspec.Meta(ge=0.05, le=100)]
Fraction = Annotated[float, msgspec.Meta(ge=0, le=1)]
Count = Annotated[int, msgspec.Meta(ge=1, le=1000)]
Celsius = Annotated[float, msgspec.Meta(ge=-20, le=80)]
Code = Annotated[str, msgspec.Meta(min_length=1, max_length=60, pattern="^[a-z0-9-]+$")]
Source = Annotated[str, msgspec.Meta(max_length=2000)]
Label = Annotated[str, msgspec.Meta(min_length=1, max_length=160)]
Hazard = Literal["styrene", "peroxide", "isocyanate", "tin catalyst", "glass dust", "silica dust", "solvent"]

Per = Literal[
    "person day", "laminating day", "grinding day", "spraying day", "coat m2", "batch", "job", "skin m2", "wall m2",
    "flange m2", "flange m", "bead m", "dome", "wall clay l", "reinforced m2", "wedge slot", "clamp", "strap", "rope",
    "jacket m2", "frame kg", "packer l", "cast", "cast m2", "joint m", "primer m2", "colour m2", "lacquer m2",
    "socket", "eye", "cored l", "filled l", "crate m2",
]  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Stated:
    """Where one figure of a material comes from."""

    field: str
    mark: Mark
    source: Source


@dataclass(frozen=True, kw_only=True)
class Pack:
    """A pack as sold: size in the material's unit, price in the catalogue's currency."""

    size: Annotated[float, msgspec.Meta(ge=0.001, le=1e6)]
    price: NotNegative
    mark: Mark
    source: Source = ""


@dataclass(frozen=True, kw_only=True)
class Supplier:
    """Who sells, and the working days from order to door."""

    name: Label
    delivery_days: Annotated[int, msgspec.Meta(ge=0, le=250)]
    mark: Mark
    source: Source = ""


@dataclass(frozen=True, kw_only=True)
class Material:
    """What every catalogue entry has. `sources` holds one `Stated` for each of its figures."""

    code: Code
    name: Label
    unit: typing.ClassVar[str] = "kg"
    hazards: tuple[Hazard, ...] = ()
    supplier: Annotated[str, msgspec.Meta(max_length=160)] = ""  # one of the catalogue's, or any other name
    packs: Annotated[tuple[Pack, ...], msgspec.Meta(min_length=1, max_length=12)]
    sources: tuple[Stated, ...] = ()

    def stated(self, field: str) -> Stated:
        """Mark and source of one of the figures. Raises KeyError for a field that is no figure."""
        for entry in self.sources:
            if entry.field == field:
                return entry
        raise KeyError(field)

    def assumptions(self) -> tuple[Assumption, ...]:
        """All figures of this material with their marks; then its prices, those of one mark and source together."""
        prices = []
        for standing in dict.fromkeys((pack.mark, pack.source) for pack in self.packs):
            alike = [pack for pack in self.packs if (pack.mark, pack.source) == standing]
            sizes, money = (", ".join(f"{getattr(pack, of):g}" for pack in alike) for of in ("size", "price"))
            prices.append(Assumption(f"{self.name}: price of {sizes} {unit_words(self.unit)}", money, *standing))
        return (*_stated_words(self, self.name, self.sources), *prices)


# a figure's unit stands at the end of its name; the longer endings first
_UNITS = (
    ("_h_per_board", " h a board"), ("_per_h", " an hour"), ("_l_h", " l an hour"),
    ("_kg_m3", " kg/m³"), ("_kg_m2", " kg/m²"),
    ("_g_m2", " g/m²"), ("_m2_h", " m² an hour"), ("_kg_h", " kg an hour"), ("_m_h", " m an hour"), ("_n_mm", " N/mm"),
    ("_mpa", " MPa"), ("_min", " min"), ("_mm", " mm"), ("_kg", " kg"), ("_c", " °C"), ("_casts", " casts"),
    ("_h", " h"), ("_m", " m"), ("kg_m2", " kg/m²"),
)  # fmt: skip
_COUNTS = ("layers", "amount", "tight_factor")  # neither a length nor a share


def _stated_words(record: Material | Rates, name: str, sources: Sequence[Stated]) -> Iterator[Assumption]:
    """Its figures in words, each with its mark."""
    for stated in sources:
        what, value = figure_words(stated.field, getattr(record, stated.field))
        yield Assumption(f"{name}: {what}", value, stated.mark, stated.source)


def figure_words(field: str, value: float) -> tuple[str, str]:
    """A field and its value as people read them: ('pot life', '20 min'), ('catalyst fraction', '5 %')."""
    for end, unit in _UNITS:
        if field.endswith(end):
            return field.removesuffix(end).replace("_", " ") or "amount", f"{value:g}{unit}"
    words = field.replace("_", " ")
    return words, f"{value:g}" if field in _COUNTS else f"{100 * value:g} %"


@dataclass(frozen=True, kw_only=True)
class RubberMaterial(Material):
    """A brushable mould rubber. density is of the mix. catalyst_fraction is kg of catalyst for 1 kg of base;
    with `catalyst` None both parts come in the pack and its size counts the mix. Times hold at
    pot_life_temperature_c."""

    viscosity: Literal["pourable", "brushable", "thixotropic"]
    catalyst: Code | None = None
    density_kg_m3: Annotated[float, msgspec.Meta(ge=700, le=2500)]
    pot_life_min: Minutes
    pot_life_temperature_c: Celsius
    recoat_min: Annotated[float, msgspec.Meta(gt=0, le=60_000)]
    recoat_most_min: Annotated[float, msgspec.Meta(gt=0, le=60_000)]  # past it: wipe, thin tack coat, test
    cure_h: Hours
    elongation_at_break: Annotated[float, msgspec.Meta(gt=0, le=20)]
    tear_strength_n_mm: Positive
    tensile_strength_mpa: Positive
    young_modulus_mpa: Positive
    catalyst_fraction: Annotated[float, msgspec.Meta(gt=0, le=2)]
    catalyst_fraction_low: Annotated[float, msgspec.Meta(gt=0, le=2)]
    catalyst_fraction_high: Annotated[float, msgspec.Meta(gt=0, le=2)]
    print_coat_mm: Coat
    build_coat_mm: Coat
    mould_life_casts: Positive
    density_uncertainty: Fraction


@dataclass(frozen=True, kw_only=True)
class ThickenerMaterial(Material):
    """Makes rubber stand on a wall. dose_fraction is kg for 1 kg of base in the thickened coats."""

    dose_fraction: Fraction
    dose_fraction_high: Fraction


@dataclass(frozen=True, kw_only=True)
class ResinMaterial(Material):
    """A polyester that sets by a peroxide catalyst; catalyst_fraction is kg for 1 kg, with the data sheet's limits."""

    catalyst: Code
    density_kg_m3: Annotated[float, msgspec.Meta(ge=700, le=2500)]
    gel_time_min: Minutes
    gel_temperature_c: Celsius
    catalyst_fraction: Annotated[float, msgspec.Meta(gt=0, le=0.1)]
    catalyst_fraction_low: Annotated[float, msgspec.Meta(gt=0, le=0.1)]
    catalyst_fraction_high: Annotated[float, msgspec.Meta(gt=0, le=0.1)]
    cure_h: Hours


@dataclass(frozen=True, kw_only=True)
class GelcoatMaterial(ResinMaterial):
    """The cast's outside. overlay_h is the wait until it carries mat (tacky, not lifting), overlay_most_h the end of
    that."""

    overlay_h: Hours
    overlay_most_h: Hours  # past it the gelcoat is keyed before glass goes on
    wet_low_mm: Coat
    wet_high_mm: Coat


@dataclass(frozen=True, kw_only=True)
class CatalystMaterial(Material):
    """Hardener for a rubber or a polyester."""

    for_kind: Literal["rubber", "polyester"]
    density_kg_m3: Annotated[float, msgspec.Meta(ge=700, le=2500)]


@dataclass(frozen=True, kw_only=True)
class MatMaterial(Material):
    """Chopped strand mat, ordered by area. Pack size is the roll's area."""

    unit: typing.ClassVar[str] = "m2"
    mat_g_m2: Annotated[float, msgspec.Meta(ge=20, le=3000)]
    roll_width_m: Positive

    @property
    def mat_oz_ft2(self) -> float:
        """Weight in ounces a square foot, exact (300 g/m² is 0.983)."""
        return self.mat_g_m2 / G_M2_PER_OZ_FT2


@dataclass(frozen=True, kw_only=True)
class TapeMaterial(Material):
    """Glass tape for the joint inside a cast, or surface tissue in strips: ordered by length, laid in `layers`."""

    unit: typing.ClassVar[str] = "m"
    mat_g_m2: Annotated[float, msgspec.Meta(ge=10, le=3000)]
    width_mm: Positive
    layers: Count


@dataclass(frozen=True, kw_only=True)
class BoltMaterial(Material):
    """Bolt with nut and two washers for the jacket's flange."""

    unit: typing.ClassVar[str] = "pcs"
    diameter_mm: Positive
    length_mm: Positive


@dataclass(frozen=True, kw_only=True)
class BoardMaterial(Material):
    """Sheet timber for wall, cradle and baseboard, thin sheet for a bent wall. Pack size is one sheet's area;
    cutting loses cutting_loss of what is not nested on sheets of length_mm by width_mm."""

    unit: typing.ClassVar[str] = "m2"
    thickness_mm: Positive
    length_mm: Positive = 2440.0
    width_mm: Positive = 1220.0
    density_kg_m3: Annotated[float, msgspec.Meta(ge=100, le=1500)]
    cutting_loss: Fraction


@dataclass(frozen=True, kw_only=True)
class ReleaseMaterial(Material):
    """Release agent: kg for a square metre in all its coats."""

    kg_m2: Positive


@dataclass(frozen=True, kw_only=True)
class BallastMaterial(Material):
    """What goes low into the foot. density is as filled (bulk)."""

    density_kg_m3: Annotated[float, msgspec.Meta(ge=500, le=12_000)]


@dataclass(frozen=True, kw_only=True)
class ConsumableMaterial(Material):
    """Used up by the work: amount for one `per`, which the plan counts (a person's day, a coat's square metre, a batch,
    a metre of joint). sold_by : the unit of amount and packs."""

    sold_by: Literal["pcs", "kg", "l", "m", "m2"] = "pcs"
    per: Per
    amount: Positive
    only_with: Literal["", "two-pack", "one-pack"] = ""  # the lacquer of the brief that it belongs to

    @property
    def unit(self) -> str:  # type: ignore[override]
        """What packs and amounts are counted in."""
        return self.sold_by


@dataclass(frozen=True, kw_only=True)
class Rates:
    """How fast the work goes, for one pair of hands, and the workshop's limits. `sources` as in `Material`."""

    brushing_m2_h: Rate  # one coat of rubber or gelcoat
    laminating_kg_h: Rate  # dry glass wetted out and rolled
    mixing_min: Annotated[float, msgspec.Meta(gt=0, le=1000)]  # weigh, add, stir, scrape, stir again
    usable_pot_life: Annotated[float, msgspec.Meta(ge=0.05, le=1)]  # share of pot life with the brush in it
    batch_limit_kg: Rate
    warm_doubling_c: Annotated[float, msgspec.Meta(ge=1, le=100)]  # degrees that halve the time a mix takes to set
    wall_m_h: Rate  # dividing wall built, filleted and sealed
    release_m2_h: Rate
    keys_per_h: Rate
    cradle_h_per_board: Hours
    wall_away_h: Hours  # wall taken down, the other side of it cleaned
    open_mould_h: Hours
    clean_m2_h: Rate
    trim_m_h: Rate  # flange or joint trimmed
    drill_bolts_per_h: Rate
    join_m_h: Rate  # seam taped from the inside
    finish_m_h: Rate  # seam cleaned up on the outside of a cast
    baseboard_h: Hours
    board_h: Hours  # mould board
    stand_master_h: Hours
    test_patch_h: Hours  # a surface
    mark_seam_m_h: Rate
    cover_m2_h: Rate  # far side covered
    key_mould_h: Hours
    cast_keys_per_h: Rate
    edge_tape_m_h: Rate
    wedge_formers_per_h: Rate
    cut_back_m_h: Rate
    rib_h: Hours  # each
    grip_h: Hours  # each
    turn_h: Hours
    fit_cradle_h: Hours
    number_h: Hours
    glove_home_h: Hours
    green_trim_m_h: Rate
    shut_mould_h: Hours
    weigh_h: Hours
    hatch_h: Hours  # each, each cast
    core_l_h: Rate
    look_over_h: Hours
    degrease_m2_h: Rate
    paint_m2_h: Rate  # a coat
    spray_setup_h: Hours  # a coat
    tight_factor: Annotated[float, msgspec.Meta(ge=1, le=10)]  # hours in a tight place over those on the open
    laminate_uncertainty: Fraction  # glass to resin, by hand
    gelcoat_uncertainty: Fraction
    rate_uncertainty: Fraction
    cut_mat_kg_h: Rate = 6.0  # mat cut to shape and numbered (common practice; older catalogues lack it)
    crate_h: Hours = 2.0  # each (common practice; older catalogues lack it)
    set_bead_m_h: Rate = 6.0  # on the wall; three domes count as a metre (common practice; older catalogues lack it)
    upright_m_h: Rate = 0.7  # packed, tabbed in on both sides (common practice; older catalogues lack it)
    sources: tuple[Stated, ...] = ()

    def assumptions(self) -> tuple[Assumption, ...]:
        """All rates with their marks."""
        return tuple(_stated_words(self, "working rate", self.sources))
