"""The whole job: every stage in order, from a master and a brief to a plan."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..base.marks import Assumption, Mark
from ..base.progress import SILENT, Progress
from ..geometry.rays import RayScene, ray_scene
from ..inputs.brief import Brief
from ..inputs.catalogue import Catalogue, read_catalogue
from ..trade.laminate import laminate_assumptions
from .cast import Cast, cast_assumptions, lay_up_cast
from .cautions import Caution, cautions_for
from .cradle import Cradle, build_cradle, cradle_assumptions
from .division import division_assumptions, propose_division, seam_of_division, takes_division
from .jacket import Jacket, jacket_assumptions, lay_up_jacket
from .keys import Keys, add_tabs, key_assumptions, rubber_stuff, set_keys
from .locks import Locks, find_locks
from .master import Master
from .opening import Opening, find_opening
from .plan import MouldPlan, OpenSurvey
from .programme import Programme, programme_assumptions, set_programme
from .rubber import Rubber, brush_rubber
from .seam import Seam, place_seam, seam_assumptions
from .takeoff import Takeoff, take_off, takeoff_assumptions
from .undercut import UndercutField, undercut_field
from .visibility import how_it_shows
from .wall import wall_assumptions

STAGES = (
    "master",
    "opening",
    "undercut",
    "seam",
    "locks",
    "rubber",
    "keys",
    "jacket",
    "cradle",
    "cast",
    "programme",
    "takeoff",
)


def plan(
    master: Master,
    brief: Brief,
    catalogue: Catalogue | None = None,
    progress: Progress = SILENT,
) -> MouldPlan:
    """Run every stage on a prepared master.

    Raises `PlanImpossible` where the geometry allows no plan within the brief, `Cancelled` when told to stop.
    """
    catalogue = catalogue or read_catalogue(None)
    survey = survey_open_master(master, brief, catalogue, progress)
    seam, locks = survey.seam, survey.locks
    division = propose_division(
        master, brief, survey.opening, seam, locks, progress, scene=survey.scene, show=survey.show
    )
    if division is not None and takes_division(brief, division):
        seam = seam_of_division(master, division, seam, survey.show)
        stuff = catalogue.rubber_for(brief.materials)
        locks = find_locks(master, survey.undercut, seam, stuff, progress, scene=survey.scene)
    progress.begin("rubber")
    bare = brush_rubber(master, seam, brief, progress, catalogue.rubber_for(brief.materials))
    rubber, keys = key_glove(master, seam, locks, bare, brief, catalogue, progress)
    jacket, cradle = back_glove(rubber, keys, brief, catalogue, progress)
    progress.begin("cast")
    cast = lay_up_cast(master, seam, locks, brief, catalogue, progress)
    takeoff, programme = reckon_work(master, locks, rubber, keys, jacket, cradle, cast, brief, catalogue, progress)
    made = MouldPlan(
        brief, catalogue, master, survey.opening, survey.undercut, seam, locks, rubber, keys, jacket, cradle, cast,
        takeoff, programme, assumptions=(), cautions=(), division=division,
    )  # fmt: skip
    return with_notes(made)


def _cautions(made: MouldPlan) -> tuple[Caution, ...]:
    return cautions_for(made.master, made.jacket, made.cast, made.programme, made.takeoff, made.brief, made.catalogue)


def with_notes(made: MouldPlan) -> MouldPlan:
    """The plan with the cautions and the assumptions that follow from all its stages."""
    made = replace(made, cautions=_cautions(made))
    return replace(made, assumptions=gather_assumptions(made))


def survey_open_master(
    master: Master, brief: Brief, catalogue: Catalogue | None = None, progress: Progress = SILENT
) -> OpenSurvey:
    """The stages that need no closed solid. Fill and stretch of an open mesh are rough; volumes are left out."""
    catalogue = catalogue or read_catalogue(None)
    progress.begin("opening")
    scene = ray_scene(master.vertices_mm, master.faces)
    show = how_it_shows(master, brief.seam, progress, scene, (0.0, 0.1))
    opening, field = open_mould(master, brief, progress, scene, show)
    seam, locks = draw_seam(master, opening, field, brief, catalogue, progress, scene, show)
    return OpenSurvey(master, opening, field, seam, locks, scene, show)


# --- stages that belong together: `plan` runs all of them, the add-on one group at a time --------------------


def open_mould(
    master: Master,
    brief: Brief,
    progress: Progress = SILENT,
    scene: RayScene | None = None,
    show: np.ndarray | None = None,
) -> tuple[Opening, UndercutField]:
    """The way the mould opens, and what that frees. scene, show : of this master and brief, if at hand."""
    progress.begin("opening")
    scene = scene or ray_scene(master.vertices_mm, master.faces)
    if show is None:
        show = how_it_shows(master, brief.seam, progress, scene, (0.0, 0.1))
    opening = find_opening(master, brief.opening, progress, scene=scene, show=show)
    progress.begin("undercut")
    return opening, undercut_field(master, opening.chosen.direction, progress, scene=scene)


def draw_seam(
    master: Master,
    opening: Opening,
    field: UndercutField,
    brief: Brief,
    catalogue: Catalogue,
    progress: Progress = SILENT,
    scene: RayScene | None = None,
    show: np.ndarray | None = None,
) -> tuple[Seam, Locks]:
    """The seam, and what locks once it is drawn. scene, show : of this master and brief, if at hand."""
    progress.begin("seam")
    seam = place_seam(master, opening, field, brief.seam, progress, scene=scene, show=show)
    progress.begin("locks")
    stuff = catalogue.rubber_for(brief.materials)
    return seam, find_locks(master, field, seam, stuff, progress, scene=scene)


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
    stuff = rubber_stuff(catalogue.rubber_for(brief.materials))
    keys = set_keys(bare, locks, seam, brief.keys, progress, master=master, stuff=stuff)
    return add_tabs(bare, keys), keys


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
    return jacket, build_cradle(jacket, rubber, keys, brief.cradle, progress)


def reckon_work(
    master: Master,
    locks: Locks,
    rubber: Rubber,
    keys: Keys,
    jacket: Jacket,
    cradle: Cradle,
    cast: Cast,
    brief: Brief,
    catalogue: Catalogue,
    progress: Progress = SILENT,
) -> tuple[Takeoff, Programme]:
    """What to buy, and the days it takes."""
    progress.begin("programme")  # before the take-off, which counts its pots and person days
    programme = set_programme(rubber, keys, jacket, cast, brief, catalogue, progress)
    progress.begin("takeoff")
    parts = (master, locks, rubber, keys, jacket, cradle, cast)
    return take_off(*parts, brief, catalogue, progress, programme), programme


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
        *seam_assumptions(brief.seam),
        *wall_assumptions(made.seam.kind),
        *division_assumptions(brief.seam),
        *key_assumptions(brief.keys, rubber_stuff(made.catalogue.rubber_for(brief.materials))),
        *laminate_assumptions(brief.jacket.glass_fraction),
        *jacket_assumptions(brief.jacket),
        *cradle_assumptions(brief.cradle),
        *cast_assumptions(brief.cast),
        *takeoff_assumptions(brief, made.catalogue),
        *programme_assumptions(made.catalogue),
    )
    return tuple(dict.fromkeys((*own, *stages)))
