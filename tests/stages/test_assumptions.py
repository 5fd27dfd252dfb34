"""What each stage says it rests on: the brief's own figures, each with its mark, with a source if published."""

from __future__ import annotations

import re

import pytest
from mouldloft.base.marks import Assumption, Mark
from mouldloft.inputs.brief import Brief, CastBrief, CradleBrief, JacketBrief, JointBrief, KeysBrief, RubberBrief
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.stages.cast import cast_assumptions
from mouldloft.stages.cradle import cradle_assumptions
from mouldloft.stages.estimate import STAND_INS
from mouldloft.stages.jacket.layup import jacket_assumptions
from mouldloft.stages.keys.fixture import RubberProperties
from mouldloft.stages.keys.place import key_assumptions
from mouldloft.stages.programme import programme_assumptions
from mouldloft.stages.seam.place import seam_assumptions
from mouldloft.stages.wall.build import wall_assumptions
from mouldloft.trade.laminate import laminate_assumptions
from mouldloft.trade.lifting import lifting_assumptions
from mouldloft.trade.price import rate_assumptions
from mouldloft.trade.section import choose_section, section_assumptions

CAST = CastBrief(
    gelcoat_wet_mm=0.6, mat_oz=6.0, push_n=250.0, basic_wind_m_s=27.5, wind_force_coefficient=1.4, safety_factor=1.7
)
JACKET = JacketBrief(mat_oz=5.0, edge_extra_oz=1.5, leaning_load_n=350.0)
LIMITED = JacketBrief(lift_limit_per_person_kg=18.0)
TOLD = {
    "cast": lambda: cast_assumptions(CAST),
    "cradle": lambda: cradle_assumptions(CradleBrief(working_tilts_deg=(0.0, 7.5), margin_limit_mm=40.0)),
    "jacket": lambda: jacket_assumptions(JACKET),
    "keys": lambda: key_assumptions(KeysBrief(edge_spacing_mm=150.0, middle_spacing_mm=240.0, sag_limit_mm=2.5)),
    "laminate": lambda: laminate_assumptions(0.35),
    "lifting": lambda: lifting_assumptions(JacketBrief()),
    "lifting by the brief": lambda: lifting_assumptions(LIMITED),
    "programme": lambda: programme_assumptions(read_catalogue(None)),
    "seam": lambda: seam_assumptions(Brief().seam),
    "rates": lambda: rate_assumptions(Brief().rates),
    "joint": lambda: section_assumptions(
        choose_section(1400.0, 10.0, RubberBrief(), JointBrief(bolt="M8", jacket_flange_mm=48.0))
    ),
    "wall of boards": lambda: wall_assumptions("plane"),
    "wall of strips": lambda: wall_assumptions("free"),
}
RULE, MEMORY, PUBLISHED = Mark.COMMON_PRACTICE, Mark.MEMORY, Mark.PUBLISHED
# (stage, words of what, value, mark, words of the source)
FIGURES = (
    ("cast", "gelcoat", "0.6 mm", RULE, "guides"),
    ("cast", "mat behind", "6 oz/ft²", RULE, ""),
    ("cast", "push", "250 N", RULE, ""),
    ("cast", "push height", "90 % of the height", RULE, ""),
    ("cast", "basic wind", "27.5 m/s", RULE, "the place's own"),
    ("cast", "force coefficient", "1.4", RULE, ""),
    ("cast", "wind pressure", "peak velocity pressure at the top", PUBLISHED, "EN 1991-1-4"),
    ("cast", "air", "1.25 kg/m³", MEMORY, "EN 1991-1-4"),
    ("cast", "least heights", "1 to 10 m by terrain", PUBLISHED, "EN 1991-1-4"),
    ("cast", "factor against tipping", "1.7", RULE, ""),
    ("cast", "roller on a pole", "up to 1300 mm, through 50 mm", RULE, ""),
    ("cradle", "board spacing", "400 mm at most", RULE, ""),
    ("cradle", "margin", "40 mm at 0°, 7.5°", RULE, ""),
    ("cradle", "how it lies", "open side up, pull straight down", RULE, ""),
    ("jacket", "bolts, nuts and washers", "lengths and heights by the standards", MEMORY, "ISO 4014/4017"),
    ("jacket", "jacket mat", "5 oz, edges 1.5 more", RULE, ""),
    ("jacket", "leaning load", "350 N on a patch", RULE, ""),
    ("jacket", "strength", "3", RULE, ""),
    ("jacket", "Poisson", "0.3", MEMORY, ""),
    ("jacket", "lift limit", "15.5 kg", PUBLISHED, "NIOSH"),  # 23 x 25/30 x 0.925 x 0.97 x 0.9
    ("keys", "spacing", "150 mm along edges, 240 mm over the middle", RULE, ""),
    ("keys", "sag limit", "2.5 mm", RULE, ""),
    ("keys", "modulus", f"{RubberProperties().modulus_mpa:g} MPa", MEMORY, "Gent"),
    ("keys", "held patch", "that of a round plate clamped at its rim", RULE, ""),
    ("laminate", "glass fraction", "0.35", RULE, "the brief"),
    ("laminate", "mat weights", "225, 300, 450, 600, 900", RULE, "mat makers"),
    ("laminate", "thickness", "by the rule of mixtures, glass 2.56 and cured resin 1.20 kg/dm³", MEMORY, "ISO 12215-5"),
    ("laminate", "modulus", "8300 MPa", MEMORY, "ISO 12215-5"),
    ("laminate", "flexural", "168 MPa", MEMORY, "ISO 12215-5"),
    ("laminate", "gelcoat", "1.25 kg/dm³", MEMORY, "makers' lists"),
    ("laminate", "light first", "rule", RULE, ""),
    ("lifting", "multipliers", "seldom 1.00, poor hold 0.90", PUBLISHED, "NIOSH"),
    ("lifting", "team of up to three", "1, 2/3, 1/2 of the sum", PUBLISHED, "HSE L23"),
    ("lifting", "four may lift", "2/5 of the sum", RULE, ""),
    ("lifting", "most in one team", "4", PUBLISHED, "HSE L23"),
    ("lifting", "one person in a team", "20 kg", PUBLISHED, "HSE L23"),
    ("lifting by the brief", "lift limit", "18.0 kg", RULE, "the brief"),
    ("programme", "green trim", "0.75 to 2.5 h after the last glass", RULE, "at 20 °C"),
    ("programme", "laminate laid at once", "4 mm", RULE, "against heat"),
    ("joint", "bolts", "M8, no further than 150 mm apart, 60 from a corner", RULE, ""),
    ("joint", "jacket flange", "48 mm", RULE, ""),
    ("wall of boards", "longest board", "900 mm", RULE, ""),
    ("wall of boards", "stations", "80 mm", RULE, ""),
    ("wall of strips", "stations no further apart", "80 mm", RULE, ""),
    ("wall of strips", "longest strip", "900 mm", RULE, ""),
    ("wall of strips", "set by its stations", "1.5 mm", RULE, ""),
    ("wall of strips", "bent to a stretch", "0.5 %", RULE, ""),
    ("seam", "tightest turn", "60 mm", RULE, ""),
    ("rates", "clean-up of a joint on show", "0.5 h a metre and cast", RULE, ""),
    ("rates", "kept clear", "10 h more a metre and cast", Mark.INVENTED, ""),
)


def test_gelcoat_outside_its_guides_says_it_is_the_briefs() -> None:
    # common practice: two suppliers' guides lay gelcoat 0.46 to 0.64 mm wet
    sources = [cast_assumptions(CastBrief(gelcoat_wet_mm=wet))[0].source for wet in (0.45, 0.46, 0.64, 0.65)]
    assert [source.startswith("the brief") for source in sources] == [True, False, False, True]


# what a reader can look up: a numbered standard, a numbered publication, a DOI, or authors with a year
FINDABLE = re.compile(
    r"\b(EN|ISO|NIOSH|HSE|INDG|JCGM)\b[ A-Z]*[\d-]+|\bdoi\b|[A-Z][a-z]+,? (19|20)\d\d\b|NIOSH Publication"
)


def test_published_names_what_can_be_looked_up() -> None:
    catalogue = read_catalogue(None)
    said = [(f"{stage}: {a.what}", a.mark, a.source) for stage, tell in TOLD.items() for a in tell()]
    entries = [*catalogue.materials(), catalogue.rates]
    said += [(f"{getattr(e, 'code', 'rates')}: {s.field}", s.mark, s.source) for e in entries for s in e.sources]
    said += [
        (f"{body}: {f}", getattr(p, f).mark, getattr(p, f).source) for body, p in STAND_INS.items() for f in vars(p)
    ]
    published = [entry for entry in said if entry[1] is PUBLISHED]
    assert published, "some are"
    assert [entry for entry in published if not FINDABLE.search(entry[2])] == []


@pytest.mark.parametrize("stage", TOLD)
def test_each_says_what_how_much_and_by_what_right(stage: str) -> None:
    said = TOLD[stage]()
    assert len({a.what for a in said}) == len(said)
    for told in said:
        for text in (told.what, told.value):
            assert isinstance(text, str)
            assert not isinstance(text, Mark)
            assert text.strip()
        assert isinstance(told.mark, Mark)
        assert isinstance(told.source, str)
        assert told.mark is not PUBLISHED or told.source.strip()


@pytest.mark.parametrize(("stage", "what", "value", "mark", "source"), FIGURES)
def test_the_figures_told_are_the_figures_used(stage: str, what: str, value: str, mark: Mark, source: str) -> None:
    said: list[Assumption] = [a for a in TOLD[stage]() if what in a.what]
    assert said, f"nothing on {what}"
    assert any(a.value == value and a.mark is mark and source in a.source for a in said), said
