"""The take-off: amounts by hand from areas and ratios, packs against every combination, a CSV no sheet runs."""

from __future__ import annotations

import csv
import io
import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mouldloft.base.errors import CatalogueRefused, OutputRefused
from mouldloft.base.marks import Mark
from mouldloft.inputs.brief import Brief, CastBrief, MaterialsBrief, RunBrief
from mouldloft.inputs.catalogue import Catalogue, read_catalogue
from mouldloft.inputs.materials import Pack
from mouldloft.stages.cast import Cast, lay_up_cast
from mouldloft.stages.cradle import Cradle, CradlePiece
from mouldloft.stages.programme import set_programme
from mouldloft.stages.takeoff import (
    MOULD_SECTIONS,
    Takeoff,
    mould_life,
    order_csv,
    order_rows,
    safe_cell,
    take_off,
    takeoff_assumptions,
    write_order,
)
from mouldloft.stages.wall import SheetLot
from mouldloft.trade.packs import cheapest_packs
from trade_bodies import box, jacket_of, keys_of, locks_of, rubber_of, seam_of

BOX = box(400, 300, 1000)
LINE = np.array([[0.0, 0, 0], [0, 0, 1000], [0, 300, 1000], [0, 300, 0]])
CUT_LIST = (("profile board", 3, 500.0, 400.0, 18.0), ("rail", 4, 600.0, 80.0, 18.0))
SHEETS = SheetLot("plywood-18", (2440.0, 1220.0), 1, (), ())
CRADLE = Cradle((CradlePiece(0, (), (), (), CUT_LIST),), (), (SHEETS,))


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return read_catalogue(None)


@pytest.fixture(scope="module")
def cast(catalogue: Catalogue) -> Cast:
    gentle = Brief(cast=CastBrief(push_n=50.0, basic_wind_m_s=0.0))
    return lay_up_cast(BOX, seam_of(LINE), locks_of(), gentle, catalogue)


def order(
    catalogue: Catalogue, cast: Cast, brief: Brief | None = None, rubber=None, jacket=None, locks=None
) -> Takeoff:
    brief = brief or Brief(run=RunBrief(casts=6))
    works = (locks or locks_of(), rubber or rubber_of(), keys_of(), jacket or jacket_of(), CRADLE, cast)
    programme = set_programme(seam_of(), *works, brief, catalogue)
    return take_off(BOX, *works, brief, catalogue, programme=programme)


def line_of(takeoff: Takeoff, code: str):
    return next(line for line in takeoff.lines if line.code == code)


def test_a_frame_is_bought_and_laid_in_instead_of_sockets(catalogue: Catalogue) -> None:
    slim = lay_up_cast(box(150, 150, 2500), seam_of(LINE), locks_of(), Brief(), catalogue)
    assert slim.frame is not None
    brief = Brief(run=RunBrief(casts=3))
    made = order(catalogue, slim, brief)
    steel = line_of(made, "frame-steel")
    # 40 × 40 × 3 mm sharp-cornered: (40² − 34²) × 625 mm × 7.85 g/cm³, three times
    assert steel.net.likely == pytest.approx(3 * (1600 - 1156) * 625 * 7.85e-6)
    assert (steel.net.low, steel.unit, steel.buy) == (steel.net.likely, "kg", 7.0)
    # packers are bought with it: foam of the gap, two fifths more for what falls away
    foam = line_of(made, "frame-packers")
    assert foam.net.likely == pytest.approx(3 * 1.4 * slim.frame.packer_mm3 * 1e-6)
    assert slim.frame.packer_mm3 == pytest.approx(40 * 625 * (75 - 20 - slim.thickness_mm), rel=0.06)
    assert (foam.unit, foam.supplier, foam.stage) == ("l", steel.supplier, "casts")
    assert not [line for line in made.lines if line.code in ("sockets-stainless", "backing-plates")]
    works = (locks_of(), rubber_of(), keys_of(), jacket_of(), CRADLE, slim)
    tasks = set_programme(seam_of(), *works, brief, catalogue).tasks
    laid = [t for t in tasks if "lay the steel frame in" in t.name and t.hands]
    assert len(laid) == 3
    # 0.625 m at 0.7 m an hour by two, in steps of five minutes
    assert laid[0].duration_h == pytest.approx(0.625 / 0.7 / 2, abs=0.09)


# --- packs -------------------------------------------------------------------------------------------------


def pack(size: float, price: float) -> Pack:
    return Pack(size=size, price=price, mark=Mark.INVENTED)


def by_trying_all(amount: float, packs: list[Pack]) -> float:
    most = [math.ceil(amount / p.size) + 1 for p in packs]
    worth = 0.25 * min(p.price / p.size for p in packs)  # of what is left over, for each unit
    return min(
        sum(n * (p.price - worth * p.size) for n, p in zip(counts, packs, strict=True))
        for counts in itertools.product(*(range(m + 1) for m in most))
        if sum(n * p.size for n, p in zip(counts, packs, strict=True)) >= amount - 1e-9
    )


@settings(max_examples=120, deadline=None)
@given(
    st.floats(0.1, 40),
    st.lists(
        st.tuples(st.sampled_from([1.0, 1.1, 2.5, 3.0, 5.0, 7.5, 20.0]), st.integers(1, 400)),
        min_size=1,
        max_size=3,
        unique_by=lambda p: p[0],
    ),
)
def test_packs_are_the_cheapest_of_all_combinations(amount: float, offers: list[tuple[float, int]]) -> None:
    packs = [pack(size, price) for size, price in offers]
    chosen = cheapest_packs(amount, packs)
    assert sum(p.size * n for p, n in chosen) >= amount - 1e-6
    worth = 0.25 * min(p.price / p.size for p in packs)
    assert math.isclose(
        sum((p.price - worth * p.size) * n for p, n in chosen), by_trying_all(amount, packs), abs_tol=1e-3
    )


def test_two_large_packs_beat_forty_six_kilos() -> None:
    packs = [pack(1, 26.0), pack(5, 112.0), pack(25, 480.0)]
    assert cheapest_packs(45.5, packs) == ((packs[2], 2),)  # 50 kg for 960, not 46 kg for 954
    assert cheapest_packs(45.5, packs, leftover_worth=0.0) == ((packs[2], 1), (packs[1], 4), (packs[0], 1))
    assert sum(p.price * n for p, n in cheapest_packs(45.5, packs, 0.0)) == 954.0


def test_packs_far_past_the_search_stay_exact() -> None:
    # 3-unit packs are best by amount; 30 001 takes 10 000 of them and one single
    chosen = cheapest_packs(30_001.0, [pack(1, 2.0), pack(3, 5.0)])
    assert {p.size: n for p, n in chosen} == {3.0: 10_000, 1.0: 1}
    # 907 is the better pack, but the amount is met to the last unit with fifteen of the other
    amount = 907 * 12 + 911 * 15
    exact = min(907.0 * math.ceil((amount - 911 * k) / 907) + 911.5 * k for k in range(amount // 911 + 1))
    chosen = cheapest_packs(float(amount), [pack(907, 907.0), pack(911, 911.5)], leftover_worth=0.0)
    assert sum(p.price * n for p, n in chosen) == exact
    assert cheapest_packs(0.0, [pack(1, 2.0)]) == ()
    with pytest.raises(CatalogueRefused, match="master's size"):
        cheapest_packs(1e18, [pack(1, 2.0)])


def test_of_equal_cost_the_least_is_left_over() -> None:
    chosen = cheapest_packs(4.0, [pack(5, 10.0), pack(2, 5.0)], leftover_worth=0.0)
    assert [(p.size, n) for p, n in chosen] == [(2.0, 2)]


# --- amounts -----------------------------------------------------------------------------------------------


def test_rubber_and_its_catalyst_by_hand(catalogue: Catalogue, cast: Cast) -> None:
    made = order(catalogue, cast)
    # 1 m² x 8 mm x 1.08 kg/dm³ is 8.64 kg of mix: 100 parts of base to 5 of catalyst
    rubber, hardener = line_of(made, "silicone-tin-brush"), line_of(made, "catalyst-tin")
    assert math.isclose(rubber.net.likely, 8.64 / 1.05, rel_tol=1e-9)
    assert math.isclose(hardener.net.likely, 8.64 / 1.05 * 0.05, rel_tol=1e-9)
    # a tenth by volume, a hundredth by density, independent: root of the sum of squares
    assert math.isclose(rubber.net.high / rubber.net.likely, 1 + math.hypot(0.1, 0.01), rel_tol=1e-9)
    assert dict(rubber.net.causes) == {"brushing": 0.1, "density": 0.01}
    # thickener goes into the build coats only: 7.2 of 8 mm
    thick = line_of(made, "thickener-liquid")
    assert math.isclose(thick.net.likely, 8.64 / 1.05 * 0.02 * (7.2 / 8.0), rel_tol=1e-6)


def test_a_kit_needs_no_catalyst_of_its_own(catalogue: Catalogue, cast: Cast) -> None:
    brief = Brief(materials=MaterialsBrief(rubber="polyurethane-brush"))
    made = order(catalogue, cast, brief)
    assert math.isclose(line_of(made, "polyurethane-brush").net.likely, 1e6 * 8 * 1.02e-6, rel_tol=1e-9)
    codes = {line.code for line in made.lines}
    assert "catalyst-tin" not in codes
    assert "thickener-liquid" not in codes  # it stands by itself


def test_glass_resin_and_gelcoat_of_jacket_and_run_by_hand(catalogue: Catalogue, cast: Cast) -> None:
    made = order(catalogue, cast)
    # jacket: two pieces of 0.6 m² in 300 + 450 + 450; casts: 6 x 1.52 m² in 300 + 600 + 600
    assert math.isclose(line_of(made, "mat-300").net.likely, 1.2 + 6 * 1.52, rel_tol=1e-9)
    assert math.isclose(line_of(made, "mat-450").net.likely, 2 * 1.2, rel_tol=1e-9)
    assert math.isclose(line_of(made, "mat-600").net.likely, 2 * 6 * 1.52, rel_tol=1e-9)
    jacket_resin = 1.2 * 1.2 * 7 / 3
    resin = line_of(made, "resin-polyester")
    by_hand = jacket_resin + 6 * (cast.resin_kg + cast.joint_resin_kg)
    assert math.isclose(resin.net.likely, by_hand, rel_tol=1e-9)
    assert dict(resin.by_stage)["jacket"] == pytest.approx(jacket_resin)
    assert resin.stage == "jacket and casts"
    gelcoat = line_of(made, "gelcoat-polyester")
    assert math.isclose(gelcoat.net.likely, 6 * 1.52 * 0.55e-3 * 1250, rel_tol=1e-9)
    # published: 2 % lies within the 1.2 to 3 % of the suppliers' guides
    peroxide = line_of(made, "catalyst-mekp")
    assert math.isclose(peroxide.net.likely, 0.02 * (resin.net.likely + gelcoat.net.likely), rel_tol=1e-9)
    assert math.isclose(line_of(made, "tape-joint-150").net.likely, 6 * 2 * 2.6, rel_tol=1e-9)
    assert line_of(made, "bolt-m8").net.likely == 18
    assert math.isclose(line_of(made, "ballast-gravel").net.likely, 6 * cast.ballast_kg, rel_tol=1e-9)


def test_no_ballast_is_ordered_for_a_cast_that_is_fixed(catalogue: Catalogue) -> None:
    slim = lay_up_cast(box(120, 120, 1400), seam_of(LINE), locks_of(), Brief(), catalogue)
    assert slim.needs_fixing
    assert "ballast-gravel" not in {line.code for line in order(catalogue, slim).lines}


def test_boards_of_wall_cradle_and_bases(catalogue: Catalogue, cast: Cast) -> None:
    made = order(catalogue, cast)
    thick = dict(line_of(made, "plywood-18").by_stage)
    assert math.isclose(thick["cradle"], 2.44 * 1.22, rel_tol=1e-9)  # the whole sheet
    assert math.isclose(thick["casts"], 6 * cast.baseboard_area_mm2 * 1e-6, rel_tol=1e-9)
    # the wall is the flange of one piece: 3 m x 50 mm
    assert math.isclose(dict(line_of(made, "plywood-9").by_stage)["wall"], 0.15, rel_tol=1e-9)


def test_what_is_bought_covers_waste_and_the_high_amount(catalogue: Catalogue, cast: Cast) -> None:
    made = order(catalogue, cast)
    assert len(made.lines) >= 15
    for line in made.lines:
        assert line.net.low <= line.net.likely <= line.net.high
        assert line.buy >= line.net.likely * (1 + line.waste_fraction) - 1e-6, line.code
        assert line.buy >= line.net.high - 1e-6, line.code
        assert math.isclose(line.buy, line.packs * line.pack_size, rel_tol=1e-9)
        assert math.isclose(line.buy, sum(size * n for size, n, _ in line.pack_list), rel_tol=1e-9)
        assert math.isclose(line.cost, sum(price * n for _, n, price in line.pack_list), rel_tol=1e-9)
        assert math.isclose(sum(a for _, a in line.by_stage), line.net.likely, rel_tol=1e-9)
        assert line.price_mark == Mark.INVENTED.value


def test_costs_add_up(catalogue: Catalogue, cast: Cast) -> None:
    made = order(catalogue, cast)
    assert math.isclose(made.total_cost, sum(line.cost for line in made.lines), rel_tol=1e-12)
    assert math.isclose(made.cost_mould + 6 * made.cost_per_cast, made.total_cost, rel_tol=1e-9)
    assert made.currency == catalogue.currency
    only_mould = [line for line in made.lines if {s for s, _ in line.by_stage} <= set(MOULD_SECTIONS)]
    assert made.cost_mould > sum(line.cost for line in only_mould)


def test_one_more_cast_costs_what_the_run_grows_by(catalogue: Catalogue, cast: Cast) -> None:
    # with packs of next to nothing, at one price an amount, whole packs no longer hide it
    def fine(entry):
        first = entry.packs[0]
        return replace(entry, packs=(replace(first, size=first.size / 1000, price=first.price / 1000),))

    kinds = (
        "gelcoat",
        "resin",
        "catalyst",
        "mat",
        "tape",
        "board",
        "release",
        "ballast",
        "consumable",
        "rubber",
        "bolt",
    )
    grains = replace(catalogue, **{kind: tuple(fine(e) for e in getattr(catalogue, kind)) for kind in kinds})
    six, seven = (order(grains, cast, Brief(run=RunBrief(casts=n))) for n in (6, 7))
    grown = seven.total_cost - six.total_cost
    # the order grows by the high amount where that is over the likely one with waste; the next cast is the likely one
    assert 0.8 * grown <= six.cost_next_cast <= grown


def test_more_casts_never_less_of_anything(catalogue: Catalogue, cast: Cast) -> None:
    few, many = (order(catalogue, cast, Brief(run=RunBrief(casts=n))) for n in (2, 12))
    for line in few.lines:
        assert line_of(many, line.code).net.likely >= line.net.likely - 1e-9
    assert many.cost_per_cast < few.cost_per_cast * 1.5
    assert math.isclose(line_of(few, "silicone-tin-brush").net.likely, line_of(many, "silicone-tin-brush").net.likely)


def test_waste_moves_the_order_not_the_net(catalogue: Catalogue, cast: Cast) -> None:
    none, half = (order(catalogue, cast, Brief(materials=MaterialsBrief(waste_fraction=w))) for w in (0.0, 0.5))
    assert line_of(none, "resin-polyester").net == line_of(half, "resin-polyester").net
    assert line_of(half, "resin-polyester").waste_fraction == pytest.approx(0.5)
    assert line_of(half, "silicone-tin-brush").buy > line_of(none, "silicone-tin-brush").buy


# --- life --------------------------------------------------------------------------------------------------


def test_life_falls_with_stretch_thinness_and_weakness(catalogue: Catalogue) -> None:
    rubber_material = catalogue.rubber[0]
    full, reason = mould_life(rubber_of(), locks_of(0.0), rubber_material)
    assert full == rubber_material.mould_life_casts
    assert "not a promise" in reason
    assert "common practice" in reason
    # our own rule, by hand: at half the allowed stretch 1 - 0.75 / 2, at 3 of 6 mm a half, at 10 of 20 N/mm a half
    assert math.isclose(mould_life(rubber_of(), locks_of(0.8), rubber_material)[0], full * 0.625)
    assert math.isclose(
        mould_life(replace(rubber_of(), min_thickness_mm=3.0), locks_of(), rubber_material)[0], full / 2
    )
    assert math.isclose(
        mould_life(rubber_of(), locks_of(), replace(rubber_material, tear_strength_n_mm=10.0))[0], full / 2
    )
    assert mould_life(rubber_of(), locks_of(99.0), rubber_material)[0] >= 1.0


def test_a_run_longer_than_a_glove_lasts_says_so(catalogue: Catalogue, cast: Cast) -> None:
    long = order(catalogue, cast, Brief(run=RunBrief(casts=70)))
    assert long.gloves_needed == 3
    assert any("plan 3 gloves" in said for said in long.advice)
    assert order(catalogue, cast).advice == ()


# --- the list ----------------------------------------------------------------------------------------------


def test_csv_reads_back_with_the_same_numbers(catalogue: Catalogue, cast: Cast) -> None:
    made = order(catalogue, cast)
    rows = list(csv.DictReader(io.StringIO(order_csv(made))))
    assert len(rows) == sum(len(line.pack_list) for line in made.lines)
    assert math.isclose(sum(float(r["cost"]) for r in rows), made.total_cost, abs_tol=0.01 * len(rows))
    for line in made.lines:
        own = [r for r in rows if r["code"] == line.code]
        assert math.isclose(sum(float(r["bought"]) for r in own), line.buy, rel_tol=1e-4)
        assert math.isclose(float(own[0]["net likely"]), line.net.likely, rel_tol=0.006)


def test_no_cell_starts_a_formula(catalogue: Catalogue, cast: Cast) -> None:
    nasty = ("=1+1", "+cmd", "-2", "@SUM(A1)", "\t=1", "\r=1", " =1", "＝1", "|calc", "%0")
    for text in nasty:
        assert safe_cell(text) == "'" + text
    for text in ("M8", "3.5", "a=b", "", "  ", "25 kg"):
        assert safe_cell(text) == text
    bad = replace(catalogue.mat[1], name='=HYPERLINK("http://x","mat"),\n"x"')
    spoilt = replace(catalogue, mat=(bad, *catalogue.mat), currency="=1")
    cells = [cell for row in csv.reader(io.StringIO(order_csv(order(spoilt, cast)))) for cell in row]
    assert "'" + bad.name in cells
    assert not [cell for cell in cells if cell.lstrip()[:1] in tuple("=+-@")]


def test_the_order_is_written_whole(catalogue: Catalogue, cast: Cast, tmp_path) -> None:
    made = order(catalogue, cast)
    path = write_order(made, tmp_path / "order.csv")
    assert path.read_text(encoding="utf-8-sig") == order_csv(made)
    with pytest.raises(OutputRefused):
        write_order(made, tmp_path / "none" / "order.csv")
    assert order_rows(made)[0][0] == "code"


def test_assumptions_name_what_the_order_rests_on(catalogue: Catalogue) -> None:
    said = takeoff_assumptions(Brief(), catalogue)
    assert any("density" in a.what for a in said)
    assert any(a.mark is Mark.INVENTED and "price" in a.what for a in said)


def test_same_input_same_order(catalogue: Catalogue, cast: Cast) -> None:
    assert order(catalogue, cast) == order(catalogue, cast)


def test_an_unknown_resin_is_refused(catalogue: Catalogue, cast: Cast) -> None:
    with pytest.raises(CatalogueRefused, match="no resin 'honey'"):
        order(catalogue, cast, Brief(materials=MaterialsBrief(resin="honey")))


def test_the_list_opens_in_countries_that_write_decimal_commas(catalogue: Catalogue, cast: Cast, tmp_path) -> None:
    made = order(catalogue, cast)
    path = write_order(made, tmp_path / "order-semicolon.csv", comma_decimals=True)
    assert path.read_bytes().startswith(b"\xef\xbb\xbf")  # a spreadsheet takes it for UTF-8
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig")), delimiter=";"))
    plain = list(csv.DictReader(io.StringIO(order_csv(made))))
    for there, here in zip(rows, plain, strict=True):
        assert "." not in there["cost"]
        assert float(there["cost"].replace(",", ".")) == float(here["cost"])
        assert there["material"] == here["material"]


def test_what_is_ordered_comes_before_it_is_used(catalogue: Catalogue, cast: Cast) -> None:
    """The day a material is needed is no later than the first task of any stage that uses it, test patches and cast
    keys among them; the day to order by lies its supplier's working days before, counted by hand."""
    from mouldloft.stages.takeoff.delivery import order_by, wanted

    assert order_by("2027-03-01", 5) == "2027-02-22"  # both Mondays
    assert order_by("2027-03-03", 3) == "2027-02-26"  # Wednesday, and the Friday before
    assert order_by("2027-03-06", 1) == "2027-03-04"  # a Saturday: there on Friday, so ordered on Thursday
    assert order_by("", 5) == ""
    days = {"wall": (1, "2027-03-01"), "jacket": (8, "2027-03-08"), "casts": (16, "2027-03-16")}
    assert wanted(["casts", "jacket"], days, 3).day == 8
    made = order(catalogue, cast)
    rubber = next(line for line in made.lines if line.stage == "glove")
    assert rubber.wanted.day == 1
    assert {line.supplier for line in made.lines} <= {one.name for one in catalogue.supplier}


def test_a_catalogue_without_suppliers_is_as_good(catalogue: Catalogue, cast: Cast) -> None:
    plain = replace(catalogue, supplier=())
    assert catalogue.delivery_days("Fixings") == 3
    assert plain.delivery_days("Fixings") == 0
    assert order(plain, cast).total_cost == order(catalogue, cast).total_cost
