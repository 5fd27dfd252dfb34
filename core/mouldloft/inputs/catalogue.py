"""Materials the workshop buys: read from `materials.toml`, checked by schema, every figure with its mark and source.

A figure in the file is a small table, ``density_kg_m3 = { value = 1080, mark = "published", source = "..." }``, so that
where it comes from stands beside it. In the records here figures are plain floats with the unit in the field's
name, and `Material.sources` says where each one comes from.
"""

from __future__ import annotations

import itertools
import math
import tomllib
import typing
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Annotated, Any

import msgspec

from ..base.errors import CatalogueRefused
from ..base.files import in_plain_words, read_toml
from ..base.marks import Mark
from .brief import MaterialsBrief
from .materials import (
    BallastMaterial,
    BoardMaterial,
    BoltMaterial,
    CatalystMaterial,
    ConsumableMaterial,
    GelcoatMaterial,
    Hazard,
    Label,
    Material,
    MatMaterial,
    Pack,
    Per,
    Rates,
    ReleaseMaterial,
    ResinMaterial,
    RubberMaterial,
    Stated,
    Supplier,
    TapeMaterial,
    ThickenerMaterial,
    figure_words,
)
from .mats import G_M2_PER_OZ_FT2, HAND_LAYER_G_M2, NOMINAL_SHORTFALL, mat_weights

__all__ = [
    "BallastMaterial",
    "BoardMaterial",
    "BoltMaterial",
    "Catalogue",
    "CatalystMaterial",
    "ConsumableMaterial",
    "GelcoatMaterial",
    "Hazard",
    "Label",
    "MatMaterial",
    "Material",
    "Pack",
    "Per",
    "Rates",
    "ReleaseMaterial",
    "ResinMaterial",
    "RubberMaterial",
    "Stated",
    "Supplier",
    "TapeMaterial",
    "ThickenerMaterial",
    "catalogue_from_dict",
    "figure_words",
    "layers_for",
    "read_catalogue",
    "temperature_factor",
]

M = typing.TypeVar("M", bound=Material)

MOST_LAYERS = 24


@dataclass(frozen=True, kw_only=True)
class Catalogue:
    """All materials, the workshop's rates, and the currency of the prices."""

    title: Label
    currency: Annotated[str, msgspec.Meta(min_length=1, max_length=8)]
    rubber: Annotated[tuple[RubberMaterial, ...], msgspec.Meta(min_length=1, max_length=200)]
    thickener: Annotated[tuple[ThickenerMaterial, ...], msgspec.Meta(min_length=1, max_length=200)]
    gelcoat: Annotated[tuple[GelcoatMaterial, ...], msgspec.Meta(min_length=1, max_length=200)]
    resin: Annotated[tuple[ResinMaterial, ...], msgspec.Meta(min_length=1, max_length=200)]
    catalyst: Annotated[tuple[CatalystMaterial, ...], msgspec.Meta(min_length=1, max_length=200)]
    mat: Annotated[tuple[MatMaterial, ...], msgspec.Meta(min_length=1, max_length=200)]
    tape: Annotated[tuple[TapeMaterial, ...], msgspec.Meta(min_length=1, max_length=200)]
    bolt: Annotated[tuple[BoltMaterial, ...], msgspec.Meta(min_length=1, max_length=200)]
    board: Annotated[tuple[BoardMaterial, ...], msgspec.Meta(min_length=1, max_length=200)]
    release: Annotated[tuple[ReleaseMaterial, ...], msgspec.Meta(min_length=1, max_length=200)]
    ballast: Annotated[tuple[BallastMaterial, ...], msgspec.Meta(min_length=1, max_length=200)]
    consumable: Annotated[tuple[ConsumableMaterial, ...], msgspec.Meta(max_length=200)] = ()
    supplier: Annotated[tuple[Supplier, ...], msgspec.Meta(max_length=200)] = ()
    rates: Rates

    def delivery_days(self, supplier: str) -> int:
        """Working days from order to door, 0 for a supplier that is not listed."""
        return next((one.delivery_days for one in self.supplier if one.name == supplier), 0)

    def materials(self) -> tuple[Material, ...]:
        """Every entry, kind after kind."""
        return tuple(itertools.chain.from_iterable(getattr(self, kind) for kind in KINDS))

    def rubber_for(self, materials: MaterialsBrief) -> RubberMaterial:
        """The rubber the brief names, or the first. Raises `CatalogueRefused` for an unknown code."""
        return _pick(self.rubber, materials.rubber, "rubber")

    def thickener_for(self, materials: MaterialsBrief) -> ThickenerMaterial:
        """The thickener the brief names, or the first."""
        return _pick(self.thickener, materials.thickener, "thickener")

    def gelcoat_for(self, materials: MaterialsBrief) -> GelcoatMaterial:
        """The gelcoat the brief names, or the first."""
        return _pick(self.gelcoat, materials.gelcoat, "gelcoat")

    def resin_for(self, materials: MaterialsBrief) -> ResinMaterial:
        """The laminating resin the brief names, or the first."""
        return _pick(self.resin, materials.resin, "resin")

    def catalyst_of(self, code: str) -> CatalystMaterial:
        """The catalyst with this code."""
        return _pick(self.catalyst, code, "catalyst")

    def mats_for(self, materials: MaterialsBrief) -> tuple[MatMaterial, ...]:
        """Mats a laminate may be built of, light to heavy: the named one alone, or all that drape (up to 600 g/m²)."""
        if materials.glass is not None:
            return (_pick(self.mat, materials.glass, "glass"),)
        by_weight = sorted(self.mat, key=lambda mat: mat.mat_g_m2)
        draping = [mat for mat in by_weight if mat.mat_g_m2 <= HAND_LAYER_G_M2]
        return tuple(draping or by_weight[:1])

    def mat_layers(self, oz_ft2: float, materials: MaterialsBrief | None = None) -> tuple[MatMaterial, ...]:
        """Layers as sold that make up `oz_ft2` (ounces a square foot), in the order they go down: the schedule of
        `laminate.mat_weights` where the catalogue holds its mats, else by `layers_for`."""
        return self.mats_as(mat_weights(oz_ft2 * G_M2_PER_OZ_FT2), oz_ft2 * G_M2_PER_OZ_FT2, materials)

    def mats_as(
        self, weights_g_m2: Sequence[float], target_g_m2: float, materials: MaterialsBrief | None = None
    ) -> tuple[MatMaterial, ...]:
        """The catalogue's mats for a schedule of weights; where one is missing, or the brief names a mat, what
        `layers_for` makes of `target_g_m2` instead."""
        materials = materials or MaterialsBrief()
        by_weight = {mat.mat_g_m2: mat for mat in reversed(self.mat)}
        if materials.glass is None and weights_g_m2 and all(w in by_weight for w in weights_g_m2):
            return tuple(by_weight[w] for w in weights_g_m2)
        return layers_for(target_g_m2, self.mats_for(materials))

    def board_for(self, thickness_mm: float) -> BoardMaterial:
        """The thinnest board at least this thick, or the thickest there is."""
        boards = sorted(self.board, key=lambda board: board.thickness_mm)
        return next((b for b in boards if b.thickness_mm >= thickness_mm - 1e-9), boards[-1])

    @property
    def joint_tape(self) -> TapeMaterial:
        """The heaviest tape: the joint carries the cast in one piece, tissue does not."""
        return max(self.tape, key=lambda tape: tape.mat_g_m2)

    @property
    def tissue(self) -> TapeMaterial | None:
        """The lightest glass there is, for tight places; None where it is no lighter than the joint's."""
        lightest = min(self.tape, key=lambda tape: tape.mat_g_m2)
        return lightest if lightest.mat_g_m2 < self.joint_tape.mat_g_m2 else None

    def bolt_for(self, diameter_mm: float, length_mm: float) -> BoltMaterial:
        """The bolt of this size; where none is listed, the nearest of its diameter under the size's own name, for a
        dealer who sells one sells them all."""
        nearest = min(self.bolt, key=lambda b: (abs(b.diameter_mm - diameter_mm), abs(b.length_mm - length_mm)))
        if (nearest.diameter_mm, nearest.length_mm) == (diameter_mm, length_mm):
            return nearest
        return replace(
            nearest, code=f"{nearest.code}-as-{diameter_mm:g}x{length_mm:g}", diameter_mm=diameter_mm,
            length_mm=length_mm, name=f"Bolt M{diameter_mm:g} x {length_mm:g} with nut and two washers",
        )  # fmt: skip


KINDS = (
    "rubber", "thickener", "gelcoat", "resin", "catalyst", "mat", "tape", "bolt", "board", "release", "ballast",
    "consumable",
)  # fmt: skip


def layers_for(target_g_m2: float, mats: tuple[MatMaterial, ...]) -> tuple[MatMaterial, ...]:
    """Mats as sold that make up a target weight, light first: the fewest layers whose sum falls at most 2 % short
    (300 g/m² is what the trade calls 1 oz), and of those the least glass. Raises `CatalogueRefused` when it
    would take more than 24 layers."""
    least = target_g_m2 * (1.0 - NOMINAL_SHORTFALL)
    usable = [mat for mat in mats if mat.mat_g_m2 <= max(target_g_m2, mats[0].mat_g_m2) * (1 + NOMINAL_SHORTFALL)]
    for count in range(max(1, math.ceil(least / usable[-1].mat_g_m2 - 1e-9)), MOST_LAYERS + 1):
        fitting = [
            pile
            for pile in itertools.combinations_with_replacement(usable, count)
            if sum(m.mat_g_m2 for m in pile) >= least
        ]
        if fitting:
            return min(fitting, key=lambda pile: (sum(m.mat_g_m2 for m in pile), [m.mat_g_m2 for m in pile]))
    raise CatalogueRefused(
        f"{target_g_m2:.0f} g/m² of glass takes more than {MOST_LAYERS} layers of the mats in the catalogue; "
        "add a heavier mat to it or ask for less glass in the brief."
    )


def temperature_factor(temperature_c: float, stated_at_c: float, doubling_c: float) -> float:
    """What a pot life, gel or cure time is multiplied by away from the temperature it is stated at: half for every
    `doubling_c` (10 °C) warmer. Common practice, no source; it is Arrhenius' law near room temperature."""
    return 2.0 ** ((stated_at_c - temperature_c) / doubling_c)


@cache
def _bundled_text() -> str:
    return resources.files("mouldloft.inputs").joinpath("data/materials.toml").read_text(encoding="utf-8")


def read_catalogue(path: str | Path | None = None) -> Catalogue:
    """The catalogue at `path`, or the bundled one for None. A file that says ``builds_on_bundled = true`` gives
    only what differs: entries with a known code replace that entry, and its entries come first in their kind.

    Raises `CatalogueRefused` for a missing, unreadable, malformed or misspelt one, naming the key.
    """
    if path is None:
        return catalogue_from_dict(tomllib.loads(_bundled_text()))
    try:
        given = read_toml(path)
    except (OSError, ValueError) as error:
        raise CatalogueRefused(f"The catalogue {path} cannot be read ({error}); correct it and run again.") from None
    return catalogue_from_dict(given)


def catalogue_from_dict(given: dict[str, Any]) -> Catalogue:
    """Check a nested dict, as TOML gives it, against the schema. Raises `CatalogueRefused` with the key named."""
    if _flag(given, "builds_on_bundled"):
        given = _over_bundled(given)
    known = {"title", "currency", "rates", "builds_on_bundled", "supplier", *KINDS}
    _refuse_unknown(given, known, "at its top level")
    plain: dict[str, Any] = {key: given[key] for key in ("title", "currency") if key in given}
    for kind in KINDS:
        if kind in given:
            plain[kind] = [_plain_entry(entry, _ENTRY[kind], kind) for entry in _tables(given[kind], kind)]
    if "supplier" in given:
        plain["supplier"] = _tables(given["supplier"], "supplier")
        for one in plain["supplier"]:
            _refuse_unknown(one, set(Supplier.__dataclass_fields__), f"in supplier '{one.get('name', '?')}'")
    if "rates" in given:
        plain["rates"] = _plain_rates(given["rates"])
    try:
        catalogue = msgspec.convert(plain, Catalogue, strict=True)
    except msgspec.ValidationError as error:
        raise CatalogueRefused(_named(str(error), plain)) from None
    _check_sense(catalogue)
    return catalogue


_ENTRY: dict[str, type[Material]] = {
    "rubber": RubberMaterial,
    "thickener": ThickenerMaterial,
    "gelcoat": GelcoatMaterial,
    "resin": ResinMaterial,
    "catalyst": CatalystMaterial,
    "mat": MatMaterial,
    "tape": TapeMaterial,
    "bolt": BoltMaterial,
    "board": BoardMaterial,
    "release": ReleaseMaterial,
    "ballast": BallastMaterial,
    "consumable": ConsumableMaterial,
}
_WORDS = {
    "code",
    "name",
    "hazards",
    "supplier",
    "packs",
    "viscosity",
    "catalyst",
    "for_kind",
    "per",
    "sold_by",
    "only_with",
}  # fields without a mark


def _flag(given: dict[str, Any], key: str) -> bool:
    value = given.get(key, False)
    if not isinstance(value, bool):
        raise CatalogueRefused(f"The catalogue's '{key}' is not true or false; correct it and run again.")
    return value


def _over_bundled(given: dict[str, Any]) -> dict[str, Any]:
    """The bundled catalogue with the given entries put first, replacing those of the same code."""
    merged = tomllib.loads(_bundled_text())
    for key, value in given.items():
        if key in KINDS:
            own = _tables(value, key)
            codes = {entry.get("code") for entry in own if isinstance(entry.get("code"), str)}
            merged[key] = own + [entry for entry in merged.get(key, []) if entry["code"] not in codes]
        elif key == "rates" and isinstance(value, dict):
            merged[key] = {**merged[key], **value}
        elif key != "builds_on_bundled":
            merged[key] = value
    return merged


def _tables(value: Any, kind: str) -> list[dict[str, Any]]:
    if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
        raise CatalogueRefused(f"The catalogue's '{kind}' is not a list of tables; write it as [[{kind}]].")
    return value


def _refuse_unknown(given: dict[str, Any], known: set[str], where: str) -> None:
    for key in given:
        if key not in known:
            known_ones = ", ".join(sorted(known))
            raise CatalogueRefused(
                f"The catalogue has {str(key)[:60]!r} {where}, which is not known; use one of: {known_ones}."
            )


def _plain_entry(entry: dict[str, Any], record: type, kind: str) -> dict[str, Any]:
    """Figures' tables replaced by their values, with their marks gathered under `sources`."""
    where = f"in {kind} '{entry.get('code', '?')}'"
    _refuse_unknown(entry, set(record.__dataclass_fields__) - {"sources"}, where)  # type: ignore[attr-defined]
    packs = entry.get("packs", [])
    for pack in packs if isinstance(packs, list) else []:
        if isinstance(pack, dict):
            _refuse_unknown(pack, set(Pack.__dataclass_fields__), f"in a pack of {kind} '{entry.get('code', '?')}'")
    words = {key: value for key, value in entry.items() if key in _WORDS}
    return words | _figures({k: v for k, v in entry.items() if k not in _WORDS}, where)


def _plain_rates(given: Any) -> dict[str, Any]:
    if not isinstance(given, dict):
        raise CatalogueRefused("The catalogue's 'rates' is not a table; write it as [rates].")
    _refuse_unknown(given, set(Rates.__dataclass_fields__) - {"sources"}, "in [rates]")
    return _figures(given, "in [rates]")


def _figures(given: dict[str, Any], where: str) -> dict[str, Any]:
    """{field: value, ..., "sources": [...]} from {field: {value, mark, source}}."""
    plain: dict[str, Any] = {}
    sources = []
    for key, figure in given.items():
        if not isinstance(figure, dict):
            raise CatalogueRefused(
                f"The catalogue's '{key}' {where} stands without its mark; "
                'write it as { value = ..., mark = "...", source = "..." }.'
            )
        _refuse_unknown(figure, {"value", "mark", "source"}, f"in '{key}' {where}")
        if "value" not in figure or "mark" not in figure:
            raise CatalogueRefused(f"The catalogue's '{key}' {where} needs both a value and a mark; add them.")
        plain[key] = figure["value"]
        sources.append({"field": key, "mark": figure["mark"], "source": figure.get("source", "")})
    return plain | {"sources": sources}


def _named(complaint: str, plain: dict[str, Any]) -> str:
    """msgspec says `$.rubber[0].pot_life_min`; say the entry's code too, since people do not count tables."""
    entry = ""
    for kind in KINDS:
        start = complaint.find(f"$.{kind}[")
        if start >= 0:
            index = complaint[start + len(kind) + 3 :].split("]")[0]
            if index.isdigit() and int(index) < len(plain.get(kind, [])):
                entry = f" in {kind} '{plain[kind][int(index)].get('code', '?')}'"
    return f"The catalogue is not right{entry}: {in_plain_words(complaint)}; correct that value and run again."


def _check_sense(catalogue: Catalogue) -> None:
    """What a schema of single values cannot see: codes used twice, limits the wrong way round, marks without source."""
    seen: set[str] = set()
    for material in catalogue.materials():
        if material.code in seen:
            raise CatalogueRefused(f"The catalogue has the code '{material.code}' twice; rename one of them.")
        seen.add(material.code)
        _check_marks(material.sources, f"'{material.code}'")
        for pack in material.packs:
            _check_marks((Stated(field="packs", mark=pack.mark, source=pack.source),), f"'{material.code}'")
    for one in catalogue.supplier:
        _check_marks((Stated(field="delivery_days", mark=one.mark, source=one.source),), f"'{one.name}'")
    _check_marks(catalogue.rates.sources, "[rates]")
    hardened: tuple[RubberMaterial | ResinMaterial, ...] = catalogue.rubber + catalogue.gelcoat + catalogue.resin
    for entry in hardened:
        _check_catalyst(catalogue, entry)


def _check_marks(sources: tuple[Stated, ...], where: str) -> None:
    for entry in sources:
        if entry.mark is Mark.PUBLISHED and not entry.source.strip():
            raise CatalogueRefused(
                f"The catalogue marks '{entry.field}' of {where} as published but names no source; name it, or use "
                f"the mark '{Mark.MEMORY.value}'."
            )


def _check_catalyst(catalogue: Catalogue, entry: RubberMaterial | ResinMaterial) -> None:
    if entry.catalyst is not None and entry.catalyst not in {c.code for c in catalogue.catalyst}:
        raise CatalogueRefused(
            f"The catalogue's '{entry.code}' names the catalyst '{entry.catalyst}', which it does not hold; add it."
        )
    if not entry.catalyst_fraction_low <= entry.catalyst_fraction <= entry.catalyst_fraction_high:
        raise CatalogueRefused(
            f"The catalogue's 'catalyst_fraction' of '{entry.code}' ({entry.catalyst_fraction:g}) lies outside its own "
            f"limits {entry.catalyst_fraction_low:g} to {entry.catalyst_fraction_high:g}; correct it by the data sheet."
        )


def _pick(entries: tuple[M, ...], code: str | None, kind: str) -> M:
    if code is None:
        return entries[0]
    for entry in entries:
        if entry.code == code:
            return entry
    raise CatalogueRefused(
        f"The catalogue has no {kind} '{code}'; use one of: {', '.join(entry.code for entry in entries)}."
    )
