"""The whole job: every stage in order, from a master and a brief to a plan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from ..base.marks import Assumption, Mark
from ..base.progress import SILENT, Progress
from ..base.threads import meanwhile
from ..geometry.rays import RayScene, ray_scene
from ..inputs.brief import Brief
from ..inputs.catalogue import Catalogue, read_catalogue
from ..trade.answers import answer_assumptions
from ..trade.laminate import laminate_assumptions
from ..trade.price import rate_assumptions
from ..trade.seamterms import SOLID_AT_WORST_MM3, SeamTerms, for_directions, terms_for
from ..trade.section import section_assumptions
from ..trade.thickness import choose_thickness
from .answers import measure_loose, recommended_kind, weigh_ways
from .cast import Cast, cast_assumptions, lay_up_cast
from .cautions import Caution, cautions_for
from .cradle import Cradle, build_cradle, cradle_assumptions, lay_cradle_on_sheets
from .division import (
    Division,
    division_assumptions,
    propose_division,
    seam_of_division,
    takes_division,
    weigh_division,
)
from .freshness import stage_stamps, stale_stages
from .handling import lift_assumptions, plan_lifts
from .jacket import Jacket, jacket_assumptions, lay_up_jacket, straps_for
from .keys import Keys, count_keys_in, key_assumptions, rubber_properties, set_keys
from .locks import Locks, find_locks
from .master import Master
from .opening import Opening, find_opening
from .peel import Peel, peel_assumptions, peel_gloves
from .plan import MouldPlan, OpenSurvey
from .programme import Programme, programme_assumptions, set_programme
from .rubber import Rubber, brush_rubber
from .seam import Seam, place_seam, price_openings, seam_assumptions, skin_areas_mm2
from .takeoff import Takeoff, take_off, takeoff_assumptions
from .undercut import UndercutField, undercut_field
from .visibility import how_it_shows
from .wall import WORKING_MARGIN_MM, Wall, build_wall, joint_reach_mm, lay_on_sheets, wall_assumptions

_SEARCHED = 0.4  # of the opening's time goes into the search, the rest into the seams of the best directions


def plan(
    master: Master,
    brief: Brief,
    catalogue: Catalogue | None = None,
    progress: Progress = SILENT,
    before: MouldPlan | None = None,
) -> MouldPlan:
    """Run every stage on a prepared master.

    before : an earlier plan; those of its results that still follow from what they read are taken as they are, so that
    the plan is the same as a fresh one and only what changed is planned again. Raises `PlanImpossible` where the
    geometry allows no plan within the brief, `Cancelled` within a second of `progress.cancel`.
    """
    own_catalogue = catalogue or read_catalogue(None)
    return meanwhile(lambda own: _planned(master, brief, own_catalogue, own, before), progress)


def _planned(
    master: Master, brief: Brief, catalogue: Catalogue, progress: Progress, before: MouldPlan | None
) -> MouldPlan:
    now = stage_stamps(master, brief, catalogue)
    kept = _Kept(before, now)
    opening, field, seam, locks, division = _opened_and_divided(master, brief, catalogue, progress, kept)
    bare = kept.bare_rubber()
    if bare is None:
        progress.begin("rubber")
        bare = brush_rubber(master, seam, brief, progress, catalogue.rubber_for(brief.materials))
    (wall,) = kept.take(("wall",), lambda: (plan_wall(master, seam, bare, catalogue, progress),))
    rubber, keys = kept.take(
        ("rubber", "keys"), lambda: key_glove(master, seam, locks, bare, brief, catalogue, progress)
    )
    jacket, cradle = kept.take(("jacket", "cradle"), lambda: back_glove(rubber, keys, brief, catalogue, progress))
    (peel,) = kept.take(("peel",), lambda: (peel_off(master, seam, locks, rubber, brief, catalogue, progress, keys),))
    (answers,) = kept.take(
        ("answers",),
        lambda: (weigh_ways(master, seam, locks, division, rubber, jacket, brief, catalogue, progress),),
    )
    (cast,) = kept.take(("cast",), lambda: (_cast(master, seam, locks, brief, catalogue, progress, peel),))
    takeoff, programme = kept.take(
        ("takeoff", "programme"),
        lambda: order_and_days(
            master,
            seam,
            locks,
            rubber,
            keys,
            jacket,
            cradle,
            cast,
            brief,
            catalogue,
            progress,
            wall,
            kept.one("programme"),
            peel,
        ),
    )
    made = MouldPlan(
        brief, catalogue, master, opening, field, seam, locks, rubber, keys, jacket, cradle, cast,
        takeoff, programme, assumptions=(), cautions=(), division=division, answers=answers, wall=wall, peel=peel,
        stamps=tuple(now.items()), bare_rubber=replace(bare, envelopes=()),
    )  # fmt: skip
    return with_notes(made)


class _Kept:
    """Results of an earlier plan that still follow from what they read."""

    def __init__(self, before: MouldPlan | None, now: dict[str, str]) -> None:
        self._before = before
        self._stale = set(now) if before is None else set(stale_stages(dict(before.stamps), now))

    def one(self, stage: str) -> Any:
        """A stage's result, or None where it has to run."""
        if self._before is None or stage in self._stale:
            return None
        return self._before.opening.directions if stage == "directions" else getattr(self._before, stage)

    def all(self, stages: tuple[str, ...]) -> bool:
        """Whether none of these stages has to run."""
        return self._before is not None and not self._stale & set(stages)

    def take(self, stages: tuple[str, ...], make: Callable[[], tuple[Any, ...]]) -> tuple[Any, ...]:
        """The results of stages that run together: the earlier ones where all of them hold."""
        return tuple(getattr(self._before, stage) for stage in stages) if self.all(stages) else make()

    def in_two(self) -> bool:
        """Whether the earlier plan's seam is that of two pieces, and not a division's."""
        return self._before is not None and len(self._before.seam.pieces) == 2

    def bare_rubber(self) -> Rubber | None:
        """The glove before its keys were counted in."""
        if self._before is None or self._before.bare_rubber is None or "rubber" in self._stale:
            return None
        return replace(self._before.bare_rubber, envelopes=self._before.rubber.envelopes)


def _opened_and_divided(
    master: Master, brief: Brief, catalogue: Catalogue, progress: Progress, kept: _Kept
) -> tuple[Opening, UndercutField, Seam, Locks, Division | None]:
    """Opening, undercut, seam and locks, and the division into more pieces where there is one: seam and locks are then
    the division's."""
    known = ("opening", "undercut", "seam", "locks", "division")
    if kept.all(known):
        opening, field, seam, locks, division = (kept.one(stage) for stage in known)
        return opening, field, seam, locks, division
    survey = survey_open_master(master, brief, catalogue, progress, kept)
    seam, locks, division = divide(survey, brief, catalogue, progress)
    return survey.opening, survey.undercut, seam, locks, division


def _cast(
    master: Master,
    seam: Seam,
    locks: Locks,
    brief: Brief,
    catalogue: Catalogue,
    progress: Progress,
    peel: Peel | None,
) -> Cast:
    progress.begin("cast")
    return lay_up_cast(master, seam, locks, brief, catalogue, progress, peel)


def peel_off(
    master: Master,
    seam: Seam,
    locks: Locks,
    rubber: Rubber,
    brief: Brief,
    catalogue: Catalogue,
    progress: Progress = SILENT,
    keys: Keys | None = None,
) -> Peel | None:
    """The gloves, with their keys, peeled off the cast by mechanics, where the brief asks for it."""
    if not brief.peel.run:
        return None
    progress.begin("peel")
    material, own = catalogue.rubber_for(brief.materials), keys.keys if keys is not None else ()
    return peel_gloves(master, seam, locks, rubber, brief, material, progress, keys=own)


def _cautions(made: MouldPlan) -> tuple[Caution, ...]:
    return cautions_for(
        made.master, made.jacket, made.lifts, made.cast, made.programme, made.takeoff, made.brief, made.catalogue
    )


def with_notes(made: MouldPlan) -> MouldPlan:
    """The plan with the lifts, the cautions and the assumptions that follow from all its stages."""
    made = replace(made, lifts=plan_lifts(made.jacket, made.cast, made.brief.jacket))
    made = replace(made, cautions=_cautions(made))
    return replace(made, assumptions=gather_assumptions(made))


def survey_open_master(
    master: Master,
    brief: Brief,
    catalogue: Catalogue | None = None,
    progress: Progress = SILENT,
    kept: _Kept | None = None,
) -> OpenSurvey:
    """The stages that need no closed solid. Fill and stretch of an open mesh are rough; volumes are left out.

    kept : results of an earlier plan, where there is one.
    """
    catalogue = catalogue or read_catalogue(None)
    kept = kept or _Kept(None, {})
    progress.begin("opening")
    scene = ray_scene(master.vertices_mm, master.faces)
    show = how_it_shows(master, brief.seam, progress, scene, (0.0, 0.1))
    opening, field = kept.take(
        ("opening", "undercut"),
        lambda: open_mould(master, brief, progress, scene, show, catalogue, kept.one("directions")),
    )
    if kept.in_two() and kept.all(("seam", "locks")):
        seam, locks = kept.one("seam"), kept.one("locks")
    else:
        seam, locks = draw_seam(
            master, opening, field, brief, catalogue, progress, scene, show, kept.one("seam") if kept.in_two() else None
        )
    return OpenSurvey(master, opening, field, seam, locks, scene, show)


# --- stages that belong together: `plan` runs all of them, the add-on one group at a time --------------------


def open_mould(
    master: Master,
    brief: Brief,
    progress: Progress = SILENT,
    scene: RayScene | None = None,
    show: np.ndarray | None = None,
    catalogue: Catalogue | None = None,
    directions: Opening | None = None,
) -> tuple[Opening, UndercutField]:
    """The way the mould opens, and what that frees: the cheapest pair of direction and seam that keeps the limits.

    scene, show, directions : of this master and brief, if at hand; directions as `search_directions` ranks them.
    """
    progress.begin("opening")
    scene = scene or ray_scene(master.vertices_mm, master.faces)
    if show is None:
        show = how_it_shows(master, brief.seam, progress, scene, (0.0, 0.05))
    terms = terms_for(master.height_mm, brief, catalogue or read_catalogue(None))
    if directions is None:
        search = progress.part(0.05, _SEARCHED)
        directions = find_opening(master, brief.opening, search, scene=scene, show=show, terms=for_directions(terms))
    pricing = progress.part(_SEARCHED, 1.0)
    opening = price_openings(master, directions, brief.seam, terms, show, pricing, brief.opening.seams)
    field: UndercutField | None = None
    if not opening.chosen.keeps_limits:  # on the coarse copy that pairs are priced on; drawn, one may
        last = pricing.part(0.99, 1.0)
        field = undercut_field(master, opening.chosen.direction, scene=scene)
        drawn = place_seam(master, opening, field, brief.seam, last, scene=scene, show=show, terms=terms)
        if not _any_kept(drawn):  # larger limbs may be filled, where nothing else will do
            eased, field = _eased(terms), None
            opening = price_openings(master, directions, brief.seam, eased, show, last, brief.opening.seams)
            opening = replace(opening, solid_most_mm3=eased.solid_most_mm3)
    opening = replace(opening, directions=directions)
    progress.begin("undercut")
    if field is None:
        field = undercut_field(master, opening.chosen.direction, progress, scene=scene)
    return opening, field


def _eased(terms: SeamTerms) -> SeamTerms:
    return replace(terms, solid_most_mm3=SOLID_AT_WORST_MM3)


def _any_kept(seam: Seam) -> bool:
    """Does the seam, or one beside it that cost more, keep every limit?"""
    return not seam.candidates or any(one.limits.kept for one in seam.candidates)


def draw_seam(
    master: Master,
    opening: Opening,
    field: UndercutField,
    brief: Brief,
    catalogue: Catalogue,
    progress: Progress = SILENT,
    scene: RayScene | None = None,
    show: np.ndarray | None = None,
    seam: Seam | None = None,
) -> tuple[Seam, Locks]:
    """The seam, and what locks once it is drawn. scene, show, seam : of this master and brief, if at hand."""
    if seam is None:
        progress.begin("seam")
        terms = replace(terms_for(master.height_mm, brief, catalogue), solid_most_mm3=opening.solid_most_mm3)
        seam = place_seam(master, opening, field, brief.seam, progress, scene=scene, show=show, terms=terms)
        if not _any_kept(seam) and terms != _eased(terms):
            last = progress.part(0.99, 1.0)
            seam = place_seam(master, opening, field, brief.seam, last, scene=scene, show=show, terms=_eased(terms))
    progress.begin("locks")
    rubber_material = catalogue.rubber_for(brief.materials)
    return seam, find_locks(master, field, seam, rubber_material, progress, scene=scene)


def divide(
    survey: OpenSurvey, brief: Brief, catalogue: Catalogue, progress: Progress = SILENT
) -> tuple[Seam, Locks, Division | None]:
    """More than two pieces where two are not enough and the brief allows more; seam and locks are then theirs. As
    proposed, only where the table of answers would recommend them."""
    master, seam, locks = survey.master, survey.seam, survey.locks
    division = propose_division(
        master, brief, survey.opening, seam, locks, progress, scene=survey.scene, show=survey.show,
        terms=terms_for(master.height_mm, brief, catalogue),
    )  # fmt: skip
    if division is None:
        return seam, locks, None
    taken = takes_division(brief, division)
    more: tuple[Seam, Locks] | None = None
    if taken or division.comes_off:
        own = seam_of_division(master, division, seam, survey.show)
        rubber_material = catalogue.rubber_for(brief.materials)
        more = own, find_locks(master, survey.undercut, own, rubber_material, progress, scene=survey.scene)
    terms = terms_for(master.height_mm, brief, catalogue)
    width = choose_thickness(master.height_mm, brief.run.casts, brief.rubber).flange_width_mm
    areas = skin_areas_mm2(master)
    measured = weigh_division(division, (seam, locks), more, areas, terms, width)
    if taken and master.health.is_solid:
        two = brush_rubber(master, seam, brief, progress.part(0.9, 1.0), catalogue.rubber_for(brief.materials))
        loose = measure_loose(seam, locks, two, areas, terms)
        measured = (*measured[:1], *((loose,) if loose is not None else ()), *measured[1:])
    if taken and brief.seam.pieces == "as proposed":
        taken = recommended_kind(measured, terms, brief) == "gloves"
    division = replace(division, measured=measured)
    return (*more, division) if taken and more is not None else (seam, locks, division)


def plan_wall(master: Master, seam: Seam, rubber: Rubber, catalogue: Catalogue, progress: Progress = SILENT) -> Wall:
    """The wall between the pieces, as wide as their flanges and a working margin, laid out on sheets as sold."""
    width = rubber.built_to.reach_mm + WORKING_MARGIN_MM
    reach = joint_reach_mm(rubber.built_to.reach_mm, rubber.edge_thickness_mm)
    return lay_on_sheets(build_wall(master, seam, width, progress, reach), catalogue)


def key_glove(
    master: Master,
    seam: Seam,
    locks: Locks,
    bare: Rubber,
    brief: Brief,
    catalogue: Catalogue,
    progress: Progress = SILENT,
) -> tuple[Rubber, Keys]:
    """The keys, and the glove with their rubber counted in."""
    progress.begin("keys")
    properties = rubber_properties(catalogue.rubber_for(brief.materials))
    keys = set_keys(bare, locks, seam, brief.keys, progress, master=master, properties=properties)
    return count_keys_in(bare, keys), keys


def back_glove(
    rubber: Rubber,
    keys: Keys,
    brief: Brief,
    catalogue: Catalogue,
    progress: Progress = SILENT,
) -> tuple[Jacket, Cradle]:
    """The jacket behind the glove, and the cradle it lies in."""
    progress.begin("jacket")
    jacket = lay_up_jacket(rubber, keys, brief, catalogue, progress)
    progress.begin("cradle")
    cradle = build_cradle(jacket, rubber, keys, brief.cradle, progress)
    return jacket, lay_cradle_on_sheets(cradle, catalogue)


def order_and_days(
    master: Master,
    seam: Seam,
    locks: Locks,
    rubber: Rubber,
    keys: Keys,
    jacket: Jacket,
    cradle: Cradle,
    cast: Cast,
    brief: Brief,
    catalogue: Catalogue,
    progress: Progress = SILENT,
    wall: Wall | None = None,
    programme: Programme | None = None,
    peel: Peel | None = None,
) -> tuple[Takeoff, Programme]:
    """What to buy, and the days it takes. The sheets of a planned wall are bought as they are nested.

    programme : of all this, if at hand. peel : where the gloves were peeled, for the mould's life.
    """
    if programme is None:
        progress.begin("programme")  # before the take-off, which counts its pots and person days
        programme = set_programme(seam, locks, rubber, keys, jacket, cradle, cast, brief, catalogue, progress)
    progress.begin("takeoff")
    parts = (master, locks, rubber, keys, jacket, cradle, cast)
    order = take_off(
        *parts, brief, catalogue, progress, programme=programme, wall=wall, peel=peel,
        straps=straps_for(jacket, rubber, seam),
    )  # fmt: skip
    return order, programme


def gather_assumptions(made: MouldPlan) -> tuple[Assumption, ...]:
    """Every figure the plan rests on that is not geometry, with its mark; each once."""
    brief, rubber = made.brief, made.rubber
    own = (
        Assumption("unit of the master's file", made.master.unit_assumed, Mark.COMMON_PRACTICE),
        Assumption("rubber thickness", rubber.thickness_reason, Mark.COMMON_PRACTICE),
        Assumption("draft of the glove's outside", f"{brief.rubber.draft_deg:g}°", Mark.COMMON_PRACTICE),
        Assumption(
            "stretch allowed, of elongation at break",
            f"{100 * made.locks.stretch_allowed / made.locks.elongation_at_break:.0f} %",
            Mark.COMMON_PRACTICE,
        ),
        Assumption("brushing varies by", f"{100 * brief.rubber.brushing_variation:.0f} %", Mark.COMMON_PRACTICE),
        Assumption(
            "detail still to be carved adds to the skin",
            f"{100 * (made.master.detail_allowance - 1):.0f} % ± "
            f"{100 * made.master.detail_allowance_uncertainty:.0f} %",
            Mark.COMMON_PRACTICE,
        ),
    )
    stages = (
        *rate_assumptions(brief.rates, made.catalogue.currency),
        *seam_assumptions(brief.seam, max(made.master.size_mm)),
        *wall_assumptions(made.seam.kind),
        *section_assumptions(made.rubber.built_to),
        *division_assumptions(brief.seam),
        *(answer_assumptions(brief.rates) if made.answers is not None and made.answers.rows else ()),
        *key_assumptions(brief.keys, rubber_properties(made.catalogue.rubber_for(brief.materials))),
        *laminate_assumptions(brief.jacket.glass_fraction),
        *jacket_assumptions(brief.jacket),
        *peel_assumptions(made.peel),
        *lift_assumptions(made.lifts),
        *cradle_assumptions(brief.cradle),
        *cast_assumptions(brief.cast),
        *takeoff_assumptions(brief, made.catalogue),
        *programme_assumptions(made.catalogue),
    )
    return tuple(dict.fromkeys((*own, *stages)))
