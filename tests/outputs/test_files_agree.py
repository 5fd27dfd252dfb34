"""The written files against one another: what follows from other figures is worked out again from the files alone.

Nothing of mouldloft's own sums is called: saved plan, order, calendar and offer are read as text, prices from the
bundled catalogue by tomllib, the calendar by icalendar, the paper by pypdf.
"""

from __future__ import annotations

import csv
import io
import itertools
import json
import math
import re
import tomllib
from collections import defaultdict
from datetime import date
from importlib import resources
from types import SimpleNamespace

import pytest
from icalendar import Calendar
from mouldloft.outputs.ics import write_calendar
from mouldloft.outputs.planfile import save_plan
from mouldloft.outputs.sheets.work import write_offer
from mouldloft.stages.takeoff import write_order
from pypdf import PdfReader

MOULD = {"wall", "keys", "glove", "jacket", "cradle", "mould"}


@pytest.fixture(scope="module")
def files(small_plan, tmp_path_factory) -> SimpleNamespace:
    """The saved plan as plain JSON, the order's rows, the calendar's events, the offer's text, the catalogue."""
    folder = tmp_path_factory.mktemp("files")
    saved = json.loads(save_plan(small_plan, folder).read_text(encoding="utf-8"))["plan"]
    order = write_order(small_plan.takeoff, folder / "order.csv").read_text(encoding="utf-8-sig")
    calendar = write_calendar(small_plan.programme, folder / "c.ics", "Hare", "key", 8.0).read_text(encoding="utf-8")
    offer = PdfReader(str(write_offer(small_plan, folder / "offer.pdf"))).pages[0].extract_text()
    prices = tomllib.loads((resources.files("mouldloft") / "inputs/data/materials.toml").read_text(encoding="utf-8"))
    return SimpleNamespace(
        plan=saved,
        rows=list(csv.DictReader(io.StringIO(order))),
        events=[part for part in Calendar.from_ical(calendar).walk() if part.name == "VEVENT"],
        offer=offer.replace("\N{NO-BREAK SPACE}", " "),
        prices=prices,
    )


def by_code(files, kind: str, code: str) -> dict:
    return next(entry for entry in files.prices[kind] if entry["code"] == code)


def value(figure) -> float:
    """A catalogue's figure, with its mark or bare."""
    return figure["value"] if isinstance(figure, dict) else figure


def test_money_is_hours_and_packs(files) -> None:
    take, programme, brief = files.plan["takeoff"], files.plan["programme"], files.plan["brief"]
    bought = sum(float(row["cost"]) for row in files.rows)
    assert take["total_cost"] == pytest.approx(bought, abs=0.005 * len(files.rows))
    casts = brief["run"]["casts"]
    assert take["cost_mould"] + casts * take["cost_per_cast"] == pytest.approx(bought, abs=0.5)
    hours: dict[bool, float] = defaultdict(float)
    for task in programme["tasks"]:
        hours[task["stage"] in MOULD] += task["duration_h"] * task["hands"]
    rate, cash = brief["rates"]["hourly_rate"], take["money"]
    assert cash["mould"]["labour"] == pytest.approx(rate * hours[True])
    assert cash["run"]["labour"] == pytest.approx(rate * hours[False])
    assert cash["each"]["labour"] == pytest.approx(rate * hours[False] / casts)
    more, margin = 1 + brief["money"]["overhead"], 1 + brief["money"]["margin"]
    prices = []
    for name, hours_, material in (("mould", hours[True], take["cost_mould"]),
                                   ("run", hours[False], take["cost_per_cast"] * casts)):  # fmt: skip
        share = cash[name]
        whole = (rate * hours_ + material) * more * margin
        assert sum(share[k] for k in ("labour", "material", "overhead", "margin")) == pytest.approx(whole)
        prices.append(round(whole, -1))
    assert cash["whole"]["likely"] == pytest.approx(sum((rate * hours[k] for k in hours), bought) * more * margin)
    said = [float(found.replace(" ", "")) for found in re.findall(r"([\d ]*\d) EUR", files.offer)]
    assert said[:3] == [*prices, sum(prices)]


def test_everybodys_hours_are_the_calendars(files) -> None:
    programme, casts = files.plan["programme"], files.plan["brief"]["run"]["casts"]
    works = [task for task in programme["tasks"] if task["hands"]]
    spent = 0.0
    for event in files.events:
        people = int(re.match(r"(\d+) p", str(event["DESCRIPTION"])).group(1))
        spent += people * (event["DTEND"].dt - event["DTSTART"].dt).total_seconds() / 3600
    by_hand = sum(task["duration_h"] * task["hands"] for task in works)
    assert spent == pytest.approx(by_hand, abs=0.02)
    assert programme["mould_person_hours"] + programme["run_person_hours"] == pytest.approx(by_hand)
    assert sum(line["hours"] for line in programme["by_person"]) == pytest.approx(by_hand)
    assert sum(line["person_hours"] for line in programme["hours"]) == pytest.approx(by_hand)
    for person in range(1, files.plan["brief"]["run"]["hands"] + 1):
        own = sorted((t["start_h"], t["start_h"] + t["duration_h"]) for t in works if person in t["who"])
        assert all(a[1] <= b[0] + 1e-6 for a, b in itertools.pairwise(own))
    ends = {stage: max(t["day"] for t in works if t["stage"] == stage) for stage in ("mould", "finish")}
    begun = min(t["day"] for t in works if t["stage"] == "casts")
    assert programme["mould_days"] == ends["mould"]
    assert programme["run_days"] == ends["finish"] - begun + 1
    first = date.fromisoformat(files.plan["brief"]["run"]["start_date"])
    assert all((date.fromisoformat(t["date"]) - first).days == t["day"] - 1 for t in works if t["date"])
    weighed = [t for t in works if "number and weigh" in t["name"]]
    assert len(weighed) == casts


def test_rubber_by_cause_by_coat_by_pot_and_in_the_order(files) -> None:
    plan = files.plan
    rubber = by_code(files, "rubber", next(r["code"] for r in files.rows if r["for"] == "glove"))
    density = value(rubber["density_kg_m3"]) * 1e-9
    causes = sum(v for part in plan["rubber"]["parts"] for v in part.values())
    coats = sum(coat["volume_mm3"] for coat in plan["rubber"]["coats"])
    assert coats == pytest.approx(causes, rel=1e-6)
    assert plan["rubber"]["volume_mm3"]["likely"] == pytest.approx(causes, rel=1e-6)
    assert sum(piece["rubber_mass_kg"] for piece in plan["jacket"]["pieces"]) == pytest.approx(causes * density)
    pots = [b for b in plan["programme"]["batches"] if b["base"] == rubber["name"]]
    mixed = sum(b["batches"] * (b["base_g"] + b["catalyst_g"]) for b in pots) / 1000
    tack = plan["programme"]["tack_coat_kg"]  # its thickener, where it has any, is in it
    assert mixed == pytest.approx(causes * density + tack, rel=1e-3)
    hard = value(rubber["catalyst_fraction"])
    bought = {row["code"]: float(row["net likely"]) for row in files.rows if row["net likely"]}
    assert bought[rubber["code"]] == pytest.approx((causes * density + tack) / (1 + hard), rel=5e-3)
    assert bought[rubber["catalyst"]] == pytest.approx(bought[rubber["code"]] * hard, rel=5e-3)


def test_a_cast_is_the_sum_of_what_it_is_laid_of(files) -> None:
    cast, brief, seam = files.plan["cast"], files.plan["brief"], files.plan["seam"]
    casts = brief["run"]["casts"]
    parts = ("gelcoat_kg", "glass_kg", "resin_kg", "joint_tape_kg", "joint_resin_kg")
    assert cast["mass_kg"] == pytest.approx(sum(cast[name] for name in parts))
    fixed = cast["fixings"]
    plates = fixed["count"] * fixed["plate_side_mm"] ** 2 * fixed["plate_thickness_mm"] * 7.85e-6
    sockets = cast["lift_kg"] - cast["mass_kg"] - cast["baseboard_kg"] - plates
    assert 0 < sockets < 0.3 * fixed["count"]
    joining = cast["joining"]
    assert joining["near_mm"] + joining["pole_mm"] + joining["bedded_mm"] == pytest.approx(seam["length_mm"])
    assert cast["joint_tape_m"] * 1000 == pytest.approx(seam["length_mm"])
    bought = {row["code"]: float(row["net likely"]) for row in files.rows if row["net likely"]}
    jackets = [zone for piece in files.plan["jacket"]["pieces"] for zone in piece["zones"]]
    resin = sum(zone["resin_kg"] for zone in jackets) + casts * (cast["resin_kg"] + cast["joint_resin_kg"])
    assert bought["resin-polyester"] == pytest.approx(resin, rel=5e-3)
    assert bought["gelcoat-polyester"] == pytest.approx(casts * cast["gelcoat_kg"], rel=5e-3)
    mats: dict[float, float] = defaultdict(float)
    for zone in jackets:
        for weight in zone["weights_g_m2"]:
            mats[weight] += zone["area_mm2"] / 1e6
    for words in cast["layers"]:
        mats[float(words.split()[0])] += casts * cast["area_mm2"] / 1e6
    for weight, area in mats.items():
        assert bought[f"mat-{weight:.0f}"] == pytest.approx(area, rel=5e-3)
    # glass of the mats is their area by their weight
    assert sum(w * a for w, a in mats.items()) / 1000 == pytest.approx(
        sum(zone["glass_kg"] for zone in jackets) + casts * cast["glass_kg"], rel=1e-6
    )
    assert bought["sockets-stainless"] == casts * fixed["count"]
    tight = casts * joining["tight_share"] * cast["area_mm2"] / 1e6
    assert bought["tissue-30"] == pytest.approx(tight / 0.2, rel=5e-3)  # 200 mm wide


def test_packs_cover_and_no_others_are_cheaper(files) -> None:
    """Every combination of the sizes sold is tried; a quarter of what is left over counts, at the best price."""
    waste = {row["code"]: float(row["waste %"]) / 100 for row in files.rows if row["waste %"]}
    entries = {e["code"]: e for kind in files.prices.values() if isinstance(kind, list) for e in kind if "code" in e}
    checked = 0
    for code in waste.keys() & entries.keys():
        own = [row for row in files.rows if row["code"] == code]
        need = max(float(own[0]["net likely"]) * (1 + waste[code]), float(own[0]["net high"]))
        bought, cost = sum(float(r["bought"]) for r in own), sum(float(r["cost"]) for r in own)
        assert bought >= need * 0.994, code  # printed to three figures
        packs = [(value(p["size"]), value(p["price"])) for p in entries[code]["packs"]]
        worth = 0.25 * min(price / size for size, price in packs)
        most = [range(math.ceil(need * 1.006 / size) + 1) for size, _ in packs]
        if math.prod(len(r) for r in most) > 200_000:
            continue
        checked += 1
        cheapest = min(
            sum(n * (price - worth * size) for n, (size, price) in zip(counts, packs))
            for counts in itertools.product(*most)
            if sum(n * size for n, (size, _) in zip(counts, packs)) >= need * 1.006
        )
        assert cost - worth * bought <= cheapest + 0.01, code
    assert checked > 20


def test_fixings_by_the_moment_balance_again(files) -> None:
    """Sum of moments about each side of the foot's outline, sides by plain cross products; factors of EN 1990."""
    cast, brief = files.plan["cast"], files.plan["brief"]["cast"]
    fixed, ring = cast["fixings"], cast["foot_hull_mm"]
    area2 = sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(ring, ring[1:] + ring[:1]))
    if area2 < 0:
        ring = ring[::-1]
    moment = 1.5 * max(check["overturning_nm"] for check in cast["stands"])
    weight = 0.9 * 9.80665 * (cast["mass_kg_interval"]["low"] + cast["baseboard_kg"])
    x, y, _ = cast["centre_of_mass_mm"]
    worst = 0.0
    for a, b in zip(ring, ring[1:] + ring[:1]):
        long = math.dist(a, b)
        if long < 1e-6:
            continue

        def off(px: float, py: float, a=a, b=b, long=long) -> float:
            return ((b[0] - a[0]) * (py - a[1]) - (b[1] - a[1]) * (px - a[0])) / long / 1000

        levers = [off(*point) for point in fixed["points_mm"]]
        left = max(moment - weight * off(x, y), 0.0)
        worst = max(worst, left * max(levers) / sum(lever**2 for lever in levers))
    assert fixed["pull_n"] == pytest.approx(worst, rel=2e-3)
    wind = brief["wind_force_coefficient"] * cast["wind_area_mm2"] * 1e-6 * cast["wind_pressure_pa"]
    assert fixed["shear_n"] == pytest.approx(1.5 * max(brief["push_n"], wind) / fixed["count"])
