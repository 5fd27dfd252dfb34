"""What the catalogue picks: by code, by thickness, by weight; what it says of its figures; what a file of one's own
changes."""

from __future__ import annotations

from dataclasses import replace

import pytest
from mouldloft.base.errors import CatalogueRefused
from mouldloft.base.marks import Assumption, Mark
from mouldloft.inputs.brief import MaterialsBrief
from mouldloft.inputs.catalogue import Catalogue, catalogue_from_dict, layers_for, read_catalogue
from mouldloft.inputs.materials import figure_words


def bundled() -> Catalogue:
    return read_catalogue(None)


@pytest.mark.parametrize("kind", ["rubber", "thickener", "gelcoat", "resin"])
def test_a_material_is_found_by_its_code(kind: str) -> None:
    first = getattr(bundled(), kind)[0]
    own = replace(first, code="own", name="Own")
    both = replace(bundled(), **{kind: (first, own)})
    pick = getattr(both, f"{kind}_for")
    assert pick(MaterialsBrief()) == first
    assert pick(MaterialsBrief(**{kind: "own"})) == own
    with pytest.raises(CatalogueRefused, match=f"no {kind} 'other'; use one of: {first.code}, own"):
        pick(MaterialsBrief(**{kind: "other"}))


def test_catalysts_are_found_by_code() -> None:
    assert bundled().catalyst_of("catalyst-mekp").code == "catalyst-mekp"
    with pytest.raises(CatalogueRefused, match="no catalyst 'vinegar'; use one of: catalyst-tin, catalyst-mekp"):
        bundled().catalyst_of("vinegar")


@pytest.mark.parametrize(
    ("wanted", "found"), [(0.0, 6.0), (6.0, 6.0), (6.5, 12.0), (12.0, 12.0), (12.1, 18.0), (18.0, 18.0), (30.0, 18.0)]
)
def test_the_thinnest_board_that_is_thick_enough(wanted: float, found: float) -> None:
    board = bundled().board[0]
    boards = tuple(replace(board, code=f"b{t:.0f}", thickness_mm=t) for t in (18.0, 6.0, 12.0))
    assert replace(bundled(), board=boards).board_for(wanted).thickness_mm == found


@pytest.mark.parametrize(
    ("size", "code", "name"),
    [
        ((8.0, 50.0), "bolt-m8", "Bolt M8 x 50 with nut and two washers"),
        ((8.0, 30.0), "bolt-m8-30", "Bolt M8 x 30 with nut and two washers"),
        ((12.0, 60.0), "bolt-m10-60-as-12x60", "Bolt M12 x 60 with nut and two washers"),
    ],
)
def test_a_bolt_is_bought_in_its_own_size(size: tuple[float, float], code: str, name: str) -> None:
    bolt = bundled().bolt_for(*size)
    assert (bolt.code, bolt.name, bolt.diameter_mm, bolt.length_mm) == (code, name, *size)


def test_mats_that_drape_and_none_that_does() -> None:
    # over 600 g/m² does not drape by hand (common practice, no source)
    assert [mat.mat_g_m2 for mat in bundled().mats_for(MaterialsBrief())] == [225, 300, 450, 600]
    heavy = tuple(replace(bundled().mat[0], code=f"m{w}", mat_g_m2=w) for w in (1200.0, 900.0))
    assert [mat.mat_g_m2 for mat in replace(bundled(), mat=heavy).mats_for(MaterialsBrief())] == [900]


def test_layers_to_the_most_there_may_be() -> None:
    mats = bundled().mats_for(MaterialsBrief())[:1]  # 225 g/m²
    assert len(layers_for(24 * 225.0, mats)) == 24
    assert len(layers_for(24 * 225.0 / 0.981, mats)) == 24  # 2 % short is what the trade calls full
    with pytest.raises(CatalogueRefused, match="more than 24 layers"):
        layers_for(24 * 225.0 / 0.979, mats)
    assert len(layers_for(1.0, mats)) == 1


def test_what_a_material_says_of_its_figures() -> None:
    rubber = bundled().rubber[0]
    said = rubber.assumptions()
    assert len(said) == len(rubber.sources) + 1  # the packs' prices together
    assert said[-1] == Assumption(f"{rubber.name}: price of 1, 5, 25 kg", "26, 112, 480", Mark.INVENTED)
    stated = rubber.stated("cure_h")
    assert stated.field == "cure_h"
    assert Assumption(f"{rubber.name}: cure", "24 h", stated.mark, stated.source) in said
    density = rubber.stated("density_kg_m3")
    assert Assumption(f"{rubber.name}: density", "1080 kg/m³", Mark.COMMON_PRACTICE, density.source) in said
    assert density.source.startswith("1.07 to 1.09")
    pack = replace(rubber.packs[0], source="a list")
    assert replace(rubber, packs=(pack, *rubber.packs[1:])).assumptions()[-2:] == (
        Assumption(f"{rubber.name}: price of 1 kg", "26", Mark.INVENTED, "a list"),
        Assumption(f"{rubber.name}: price of 5, 25 kg", "112, 480", Mark.INVENTED),
    )
    with pytest.raises(KeyError, match="colour"):
        rubber.stated("colour")


def test_what_the_rates_say() -> None:
    rates = bundled().rates
    said = rates.assumptions()
    assert len(said) == len(rates.sources)
    mark = Mark.COMMON_PRACTICE
    assert Assumption("working rate: wall", "0.4 m an hour", mark, "") in said
    assert Assumption("working rate: laminating", "1.2 kg an hour", mark, "dry glass a pair of hands") in said


@pytest.mark.parametrize(
    ("field", "value", "read"),
    [
        ("pot_life_min", 20.0, ("pot life", "20 min")),
        ("catalyst_fraction_low", 0.012, ("catalyst fraction low", "1.2 %")),
        ("elongation_at_break", 4.8, ("elongation at break", "480 %")),
        ("mould_life_casts", 30.0, ("mould life", "30 casts")),
        ("keys_per_h", 10.0, ("keys", "10 an hour")),
        ("cradle_h_per_board", 0.75, ("cradle", "0.75 h a board")),
        ("clean_m2_h", 3.0, ("clean", "3 m² an hour")),
        ("kg_m2", 0.06, ("amount", "0.06 kg/m²")),
        ("layers", 2, ("layers", "2")),
    ],
)
def test_a_figure_reads_with_its_unit(field: str, value: float, read: tuple[str, str]) -> None:
    assert figure_words(field, value) == read


def test_a_file_of_ones_own_over_the_bundled_one() -> None:
    figure = {"value": 7.0, "mark": "common practice, no source"}
    entry = {
        "code": "plywood-9", "name": "Birch", "thickness_mm": figure, "density_kg_m3": figure | {"value": 700},
        "cutting_loss": figure | {"value": 0.3}, "packs": [{"size": 3, "price": 40, "mark": "invented for the demo"}],
    }  # fmt: skip
    made = catalogue_from_dict(
        {"builds_on_bundled": True, "title": "Ours", "board": [entry], "rates": {"wall_m_h": figure}}
    )
    assert made.title == "Ours"
    assert made.currency == bundled().currency
    assert [b.code for b in made.board] == ["plywood-9", "plywood-18", "petg-sheet-1"]
    assert made.board[0].name == "Birch"
    assert made.rates.wall_m_h == 7.0
    assert made.rates.trim_m_h == bundled().rates.trim_m_h
    assert made.rubber == bundled().rubber


def test_a_number_in_quotes_is_no_number() -> None:
    figure = {"value": "7", "mark": "common practice, no source"}
    with pytest.raises(CatalogueRefused, match="wall_m_h"):
        catalogue_from_dict({"builds_on_bundled": True, "rates": {"wall_m_h": figure}})
    for wrong in ({"code": "x"}, ["x"], "x"):
        with pytest.raises(CatalogueRefused, match=r"write it as \[\[board\]\]"):
            catalogue_from_dict({"builds_on_bundled": True, "board": wrong})
