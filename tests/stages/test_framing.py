"""Where sockets do not do: the shell over its foot by hand, room for uprights, and what is said where nothing holds."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
import trimesh
from mouldloft.inputs.brief import Brief, CastBrief
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.stages.baseboard import foot_polygons, level_section
from mouldloft.stages.cast import lay_up_cast
from mouldloft.stages.framing import LEVELS, Loads, check_shell, clear_spots, tube_modulus_mm3, with_packers
from mouldloft.stages.wind import silhouettes
from mouldloft.trade.uprights import checked_frame
from trade_bodies import box, locks_of, seam_of, standing

pytestmark = pytest.mark.usefixtures("hollow_once")
LINE = np.array([[0.0, -50.0, 0.0], [0.0, 50.0, 0.0], [0.0, 0.0, 900.0]])


def cast_of(master, cast: CastBrief | None = None):
    return lay_up_cast(master, seam_of(LINE), locks_of(), Brief(cast=cast or CastBrief()), read_catalogue())


def test_a_tube_of_thin_wall_by_hand() -> None:
    body = box(120, 120, 900)
    # second moment of a square tube, 2/3 t w³ about any axis; least over the diagonal, w / √2 away
    by_hand = 2 / 3 * 4.0 * 120.0**3 / (120.0 / math.sqrt(2))
    found = tube_modulus_mm3(level_section(body.vertices_mm, body.faces, 300.0), 4.0)
    assert found == pytest.approx(by_hand, rel=1e-6)
    # a ring: π r² t
    ring = standing(trimesh.creation.cylinder(80.0, 900.0, sections=256))
    assert tube_modulus_mm3(level_section(ring.vertices_mm, ring.faces, 300.0), 4.0) == pytest.approx(
        math.pi * 80.0**2 * 4.0, rel=1e-3
    )


def test_the_shells_stress_by_hand() -> None:
    body = box(120, 120, 1000)
    seen = silhouettes(body)
    pushed = check_shell(body, Loads(300.0, 900.0, 0.0, seen), 4.0, 0.3)
    # hardest worked at the lowest of 24 levels, 12.5 mm up; ISO 12215-5 (from memory): 800 ψ² − 80 ψ + 37 = 85 N/mm²
    moment = 1.5 * 300.0 * (900.0 - 12.5)
    assert pushed.stress_mpa == pytest.approx(moment / (2 / 3 * 4.0 * 120.0**3 / (120.0 / math.sqrt(2))), rel=1e-6)
    assert pushed.allowed_mpa == pytest.approx(85.0 / 4)
    assert pushed.holds
    # wind over the whole broadside: c q b h² / 2, seen on the diagonal √2 wide
    blown = Loads(0.0, 0.0, 1e-3, seen).moment_nmm(0.0)
    assert blown == pytest.approx(1e-3 * 120.0 * math.sqrt(2) * 1000.0**2 / 2, rel=0.02)


def test_room_for_an_upright() -> None:
    body = box(200, 100, 1000)
    ((x, y),) = clear_spots(body, foot_polygons(body), 600.0, 40.0)
    assert abs(x) <= 60.0 + 1e-6
    assert y == pytest.approx(0.0, abs=10.0 + 1e-6)
    assert clear_spots(body, foot_polygons(body), 600.0, 51.0) == ()
    # a body that leans out from over its foot has no room for a long one, but for a short one
    leaning = trimesh.creation.box((200, 200, 1000))
    leaning.vertices[:, 0] += 0.5 * leaning.vertices[:, 2]
    leaning = standing(leaning)
    assert clear_spots(leaning, foot_polygons(leaning), 700.0, 40.0) == ()
    assert len(clear_spots(leaning, foot_polygons(leaning), 100.0, 40.0)) == 1


def test_a_tall_slender_cast_is_framed() -> None:
    made = cast_of(box(150, 150, 2500))
    assert made.fixings is None
    assert made.frame is not None
    assert made.frame.holds
    assert made.frame.length_mm == 625.0
    # 300 N at 2,250 mm, or the wind, whichever is more; all of it on one upright
    worst = max(check.overturning_nm for check in made.stands)
    assert made.frame.moment_nm == pytest.approx(1.5 * worst)
    assert made.lift_kg == pytest.approx(made.mass_kg + made.baseboard_kg + made.frame.mass_kg)
    assert "no ballast: it is fixed" in " ".join(made.openings).lower()
    # in the middle of a square tube the gap is the same all the way; foam fills it as wide as the upright
    gap = 75.0 - made.frame.side_mm / 2 - made.thickness_mm
    assert made.frame.packer_mm == pytest.approx((gap, gap), abs=3.0)
    assert made.frame.packer_mm3 == pytest.approx(made.frame.side_mm * gap * made.frame.length_mm, rel=0.06)


def test_packers_follow_a_wall_that_leans() -> None:
    """Between a cone and an upright on its middle the gap falls in a line from foot to end."""
    body = standing(trimesh.creation.cone(300.0, 1200.0, sections=256))
    frame = checked_frame("", (40.0, 3.0), ((0.0, 0.0),), 600.0, 1.0, 1.0)
    packed = with_packers(frame, body, 5.0)
    foot, end = 300.0 - 25.0, 150.0 - 25.0
    step = (foot - end) / LEVELS / 2  # the gap is taken at the middle of each level
    assert packed.packer_mm == pytest.approx((end + step, foot - step), rel=0.01)
    assert packed.packer_mm3 == pytest.approx(40.0 * 600.0 * (foot + end) / 2, rel=0.01)
    assert packed.packer_words == "foam packers 40 mm wide, 128 to 272 mm thick, over all of its length"


def test_where_nothing_holds_it_is_an_engineers() -> None:
    made = cast_of(box(60, 60, 900))
    assert (made.fixings, made.frame) == (None, None)
    assert made.unfixed
    assert any("engineer" in said for said in made.advice)
    broad = cast_of(box(600, 400, 1400))
    assert broad.fixings is not None
    assert (broad.frame, broad.unfixed) == (None, "")


def test_sockets_sit_in_the_feet_and_not_between_them() -> None:
    parts = [trimesh.creation.box((260, 260, 400)), trimesh.creation.box((260, 260, 400)),
             trimesh.creation.box((800, 260, 1000))]  # fmt: skip
    parts[0].apply_translation((-270, 0, 0))
    parts[1].apply_translation((270, 0, 0))
    parts[2].apply_translation((0, 0, 700))
    made = cast_of(standing(trimesh.boolean.union(parts, engine="manifold")))
    assert made.fixings is not None
    drains = [words for words in made.openings if words.startswith("Drain")]
    assert [re.search(r"270 mm to the (left|right)", words).group(1) for words in drains] == ["right", "left"]
    assert all(140 < abs(x) < 400 and abs(y) < 130 for x, y in made.fixings.points_mm)


def test_a_part_over_anothers_spigot_is_not_fixed_by_itself() -> None:
    carried = cast_of(box(150, 150, 600), CastBrief(section="carried"))
    assert (carried.stands, carried.needs_fixing, carried.fixings, carried.frame) == ((), False, None, None)
    assert (carried.baseboard_kg, carried.openings) == (0.0, ())
    assert any("over the spigot" in said for said in carried.advice)
    assert not any("No foot" in said or "too small" in said for said in carried.advice)
    carries = cast_of(box(600, 400, 1400), CastBrief(section="carries"))
    assert carries.needs_fixing
    assert any("plan of the whole" in said for said in carries.advice)
