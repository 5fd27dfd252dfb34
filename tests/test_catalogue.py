"""The catalogue: what it refuses, what it picks, and the mat weights by definition of the units."""

from __future__ import annotations

import copy
import math
import tomllib
from dataclasses import replace
from importlib import resources

import pytest
from mouldloft.base.errors import CatalogueRefused
from mouldloft.base.marks import Mark
from mouldloft.inputs.brief import MaterialsBrief
from mouldloft.inputs.catalogue import (
    KINDS,
    Catalogue,
    catalogue_from_dict,
    layers_for,
    read_catalogue,
    temperature_factor,
)
from mouldloft.inputs.mats import G_M2_PER_OZ_FT2, mat_weights


@pytest.fixture(scope="module")
def bundled() -> Catalogue:
    return read_catalogue(None)


@pytest.fixture
def given() -> dict:
    """The bundled catalogue as TOML gives it, free to spoil."""
    text = resources.files("mouldloft.inputs").joinpath("data/materials.toml").read_text(encoding="utf-8")
    return copy.deepcopy(tomllib.loads(text))


def test_an_ounce_a_square_foot_by_definition_of_the_units() -> None:
    # published: 1 lb = 0.45359237 kg and 1 ft = 0.3048 m exactly (international yard and pound agreement, 1959);
    # by definition of the units: 305.15 g/m²
    assert math.isclose(G_M2_PER_OZ_FT2, 453.59237 / 16 / 0.3048**2, rel_tol=1e-12)
    assert abs(G_M2_PER_OZ_FT2 - 305.15) < 0.005


def test_every_figure_of_every_material_has_its_mark(bundled: Catalogue) -> None:
    for material in bundled.materials():
        figures = {
            name
            for name, field in type(material).__dataclass_fields__.items()
            if isinstance(getattr(material, name), (int, float))
        }
        assert figures == {entry.field for entry in material.sources}, material.code
        assert all(isinstance(entry.mark, Mark) for entry in material.sources)
        assert all(pack.mark is Mark.INVENTED for pack in material.packs), "no real price stands in the demo"
    rates = {name for name in type(bundled.rates).__dataclass_fields__ if name != "sources"}
    assert rates == {entry.field for entry in bundled.rates.sources}


def test_published_ranges_hold_for_the_first_rubber_and_the_gelcoat(bundled: Catalogue) -> None:
    # published: the ranges of one data sheet and a workshop's notes, and of two suppliers' gelcoat guides
    rubber = bundled.rubber_for(MaterialsBrief())
    assert 1070 <= rubber.density_kg_m3 <= 1090
    assert 4.8 <= rubber.elongation_at_break <= 5.1
    assert 28 * 0.980665 - 0.05 <= rubber.tear_strength_n_mm <= 30 * 0.980665  # kgf/cm to N/mm
    assert 20 <= rubber.pot_life_min <= 25
    assert 0.02 <= rubber.catalyst_fraction <= 0.10
    gelcoat = bundled.gelcoat_for(MaterialsBrief())
    assert math.isclose(gelcoat.wet_low_mm, 18 * 0.0254, abs_tol=0.005)
    assert math.isclose(gelcoat.wet_high_mm, 25 * 0.0254, abs_tol=0.0051)
    assert (gelcoat.catalyst_fraction_low, gelcoat.catalyst_fraction_high) == (0.012, 0.03)
    assert {225, 300, 450, 600, 900} <= {mat.mat_g_m2 for mat in bundled.mat}


@pytest.mark.parametrize(
    ("oz", "nominal"), [(0.75, 225), (1, 300), (1.5, 450), (2, 600), (4, 1200), (5, 1500), (6, 1800), (12, 3600)]
)
def test_trade_ounces_come_out_as_the_mats_the_trade_calls_so(bundled: Catalogue, oz: float, nominal: float) -> None:
    # published: mat makers' lists call 300 g/m² "1 oz", 450 "1.5 oz", 600 "2 oz"
    assert sum(mat.mat_g_m2 for mat in bundled.mat_layers(oz)) == nominal


def test_the_jackets_schedule_and_the_casts_are_one(bundled: Catalogue) -> None:
    for oz in (1, 2, 4, 5, 6, 10):
        assert [mat.mat_g_m2 for mat in bundled.mat_layers(oz)] == list(mat_weights(oz * G_M2_PER_OZ_FT2))


def test_a_catalogue_without_a_mat_makes_do(bundled: Catalogue) -> None:
    only = replace(bundled, mat=tuple(mat for mat in bundled.mat if mat.mat_g_m2 in (225, 600)))
    assert [mat.mat_g_m2 for mat in only.mat_layers(1)] == [225, 225]
    assert sum(mat.mat_g_m2 for mat in only.mat_layers(4)) == 1200


def test_layers_against_brute_force(bundled: Catalogue) -> None:
    mats = bundled.mats_for(MaterialsBrief())
    weights = [mat.mat_g_m2 for mat in mats]
    for target in range(100, 3000, 37):
        got = layers_for(target, mats)
        total = sum(mat.mat_g_m2 for mat in got)
        usable = [w for w in weights if w <= max(target, weights[0]) * 1.02]
        reach = {c: {s for s in _sums(usable, c) if s >= target * 0.98} for c in range(1, len(got) + 1)}
        assert all(not reach[c] for c in range(1, len(got))), "a thinner pile would do"
        assert total == min(reach[len(got)])


def _sums(weights: list[float], count: int) -> set[float]:
    sums = {0.0}
    for _ in range(count):
        sums = {s + w for s in sums for w in weights}
    return sums


def test_named_mat_is_used_alone(bundled: Catalogue) -> None:
    layers = bundled.mat_layers(4, MaterialsBrief(glass="mat-450"))
    assert [mat.code for mat in layers] == ["mat-450"] * 3
    with pytest.raises(CatalogueRefused, match=r"no glass 'mat-7'; use one of: mat-225"):
        bundled.mat_layers(4, MaterialsBrief(glass="mat-7"))


def test_a_laminate_beyond_reason_is_refused(bundled: Catalogue) -> None:
    with pytest.raises(CatalogueRefused, match="more than 24 layers"):
        bundled.mat_layers(24, MaterialsBrief(glass="mat-225"))


def test_temperature_rule() -> None:
    # common practice, no source: half the pot life for every 10 °C warmer
    assert math.isclose(temperature_factor(33, 23, 10), 0.5)
    assert math.isclose(temperature_factor(13, 23, 10), 2.0)
    # Arrhenius' law with 52 kJ/mol (from memory: a usual figure for these cures) agrees to 5 % between 15 and 30 °C
    for celsius in (15, 20, 30):
        arrhenius = math.exp(52_000 / 8.314462618 * (1 / (celsius + 273.15) - 1 / 296.15))
        assert math.isclose(temperature_factor(celsius, 23, 10), arrhenius, rel_tol=0.05)


def _spoil_unknown_kind(d: dict) -> None:
    d["rubbers"] = d.pop("rubber")


def _spoil_unknown_key(d: dict) -> None:
    d["rubber"][0]["densitty_kg_m3"] = d["rubber"][0].pop("density_kg_m3")


def _spoil_missing(d: dict) -> None:
    del d["rubber"][1]["tear_strength_n_mm"]


def _spoil_markless(d: dict) -> None:
    d["resin"][0]["density_kg_m3"] = 1110


def _spoil_mark(d: dict) -> None:
    d["resin"][0]["density_kg_m3"]["mark"] = "everybody knows"


def _spoil_value(d: dict) -> None:
    d["rubber"][0]["pot_life_min"]["value"] = -5


def _spoil_type(d: dict) -> None:
    d["rubber"][0]["pot_life_min"]["value"] = "twenty"


def _spoil_nan(d: dict) -> None:
    d["release"][0]["kg_m2"]["value"] = float("nan")


def _spoil_infinite(d: dict) -> None:
    d["bolt"][0]["length_mm"]["value"] = float("inf")


def _spoil_infinite_pack(d: dict) -> None:
    d["bolt"][0]["packs"][0]["size"] = float("inf")


def _spoil_pack(d: dict) -> None:
    d["mat"][0]["packs"][0]["size"] = 0


def _spoil_pack_key(d: dict) -> None:
    d["mat"][0]["packs"][0]["colour"] = "white"


def _spoil_no_packs(d: dict) -> None:
    d["mat"][0]["packs"] = []


def _spoil_twice(d: dict) -> None:
    d["mat"][1]["code"] = "mat-225"


def _spoil_source(d: dict) -> None:
    d["mat"][0]["mat_g_m2"]["source"] = " "


def _spoil_catalyst(d: dict) -> None:
    d["resin"][0]["catalyst"] = "salt"


def _spoil_limits(d: dict) -> None:
    d["gelcoat"][0]["catalyst_fraction"]["value"] = 0.05


def _spoil_hazard(d: dict) -> None:
    d["mat"][0]["hazards"] = ["ghosts"]


def _spoil_list(d: dict) -> None:
    d["mat"] = {"code": "x"}


def _spoil_rates(d: dict) -> None:
    d["rates"]["brushing_m2_h"]["value"] = 0


def _spoil_rates_table(d: dict) -> None:
    d["rates"] = 3


def _spoil_flag(d: dict) -> None:
    d["builds_on_bundled"] = "yes"


def _spoil_empty_kind(d: dict) -> None:
    d["resin"] = []


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (_spoil_unknown_kind, "'rubbers' at its top level"),
        (_spoil_unknown_key, "'densitty_kg_m3' in rubber 'silicone-tin-brush'"),
        (_spoil_missing, "rubber 'silicone-platinum-brush'.*tear_strength_n_mm"),
        (_spoil_markless, "'density_kg_m3' in resin 'resin-polyester' stands without its mark"),
        (_spoil_mark, "resin 'resin-polyester'.*everybody knows"),
        (_spoil_value, "rubber 'silicone-tin-brush'.*pot_life_min"),
        (_spoil_type, "rubber 'silicone-tin-brush'.*expected a number.*pot_life_min"),
        (_spoil_nan, "kg_m2"),
        (_spoil_infinite, "bolt 'bolt-m8'.*length_mm"),
        (_spoil_infinite_pack, "bolt 'bolt-m8'.*packs.0..size"),
        (_spoil_pack, "mat 'mat-225'.*size"),
        (_spoil_pack_key, "'colour' in a pack of mat 'mat-225'"),
        (_spoil_no_packs, "mat 'mat-225'.*packs"),
        (_spoil_twice, "code 'mat-225' twice"),
        (_spoil_source, "'mat_g_m2' of 'mat-225' as published but names no source"),
        (_spoil_catalyst, "names the catalyst 'salt'"),
        (
            _spoil_limits,
            r"'catalyst_fraction' of 'gelcoat-polyester' \(0.05\) lies outside its own limits 0.012 to 0.03",
        ),
        (_spoil_hazard, "mat 'mat-225'.*ghosts"),
        (_spoil_list, r"write it as \[\[mat\]\]"),
        (_spoil_rates, "brushing_m2_h"),
        (_spoil_rates_table, r"write it as \[rates\]"),
        (_spoil_flag, "'builds_on_bundled' is not true or false"),
        (_spoil_empty_kind, "resin"),
    ],
)
def test_a_spoilt_catalogue_is_refused_with_the_key_named(given: dict, spoil, words: str) -> None:
    catalogue_from_dict(copy.deepcopy(given))  # right before it is spoilt
    spoil(given)
    with pytest.raises(CatalogueRefused, match=words) as refused:
        catalogue_from_dict(given)
    assert "\n" not in str(refused.value)
    assert refused.value.exit_code == 4


def test_own_catalogue_over_the_bundled_one(tmp_path, bundled: Catalogue) -> None:
    figures = "\n".join(
        f'{s.field} = {{ value = {getattr(bundled.rubber[0], s.field)}, mark = "from memory, verify" }}'
        for s in bundled.rubber[0].sources
        if s.field != "density_kg_m3"
    )
    path = tmp_path / "own.toml"
    path.write_text(
        'builds_on_bundled = true\ntitle = "Ours"\n[[rubber]]\ncode = "ours"\nname = "Ours"\n'
        'viscosity = "brushable"\ncatalyst = "catalyst-tin"\n'
        'density_kg_m3 = { value = 1200, mark = "published", source = "its data sheet" }\n'
        f"{figures}\n"
        'packs = [{ size = 10, price = 99, mark = "invented for the demo" }]\n'
        '[rates]\nmixing_min = { value = 6, mark = "common practice, no source" }\n',
        encoding="utf-8",
    )
    own = read_catalogue(path)
    assert own.rubber_for(MaterialsBrief()).density_kg_m3 == 1200
    assert own.rubber_for(MaterialsBrief(rubber="silicone-tin-brush")) == bundled.rubber[0]
    assert own.resin == bundled.resin
    assert own.rates.mixing_min == 6
    assert own.rates.brushing_m2_h == bundled.rates.brushing_m2_h


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"title = ", "not valid TOML"),
        (b"\xff\xfe\x00", "cannot be read"),
        (b"", "rubber|title|rates"),
        (b"a = " + b"[" * 5000 + b"]" * 5000, "not valid TOML|too deeply"),
        (b"#" * (4 * 1024 * 1024 + 1), "cannot be read .*larger"),
    ],
)
def test_a_broken_file_is_one_sentence(tmp_path, content: bytes, words: str) -> None:
    path = tmp_path / "materials.toml"
    path.write_bytes(content)
    with pytest.raises(CatalogueRefused, match=words):
        read_catalogue(path)


def test_a_missing_file_and_a_folder_are_one_sentence(tmp_path) -> None:
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(CatalogueRefused, match="cannot be read"):
            read_catalogue(path)


def test_unknown_rubber_names_the_known_ones(bundled: Catalogue) -> None:
    with pytest.raises(CatalogueRefused, match="no rubber 'jelly'; use one of: silicone-tin-brush"):
        bundled.rubber_for(MaterialsBrief(rubber="jelly"))


def test_each_kind_is_held_and_each_entry_has_a_price(bundled: Catalogue) -> None:
    for kind in KINDS:
        assert len(getattr(bundled, kind)) >= 1
    assert all(len(m.assumptions()) == len(m.sources) + 1 for m in bundled.materials())  # prices in one
