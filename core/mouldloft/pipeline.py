"""The whole job: every stage in order, from a master and a brief to a plan."""

from __future__ import annotations

from dataclasses import dataclass, replace

from . import __version__
from .brief import Brief
from .cast import Cast, cast_assumptions, lay_up_cast
from .catalogue import Catalogue, read_catalogue
from .cautions import Caution, cautions_for
from .cradle import Cradle, build_cradle, cradle_assumptions
from .jacket import Jacket, jacket_assumptions, lay_up_jacket
from .keys import Keys, key_assumptions, rubber_stuff, set_keys
from .laminate import laminate_assumptions
from .marks import Assumption, Mark
from .master import Master
from .opening import Opening, find_opening
from .programme import Programme, programme_assumptions, set_programme
from .progress import SILENT, Progress
from .rays import ray_scene
from .rubber import Rubber, add_tabs, brush_rubber
from .seam import Seam, place_seam, seam_assumptions
from .takeoff import Takeoff, take_off, takeoff_assumptions
from .undercut import Locks, UndercutField, find_locks, undercut_field

PLAN_VERSION = 1
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
    "takeoff",
    "programme",
)


@dataclass(frozen=True, eq=False)
class MouldPlan:
    """All that was decided and proved, stage by stage. Saved and reopened by `planfile`."""

    brief: Brief
    catalogue: Catalogue
    master: Master
    opening: Opening
    undercut: UndercutField
    seam: Seam
    locks: Locks
    rubber: Rubber
    keys: Keys
    jacket: Jacket
    cradle: Cradle
    cast: Cast
    takeoff: Takeoff
    programme: Programme
    assumptions: tuple[Assumption, ...]
    cautions: tuple[Caution, ...]
    version: int = PLAN_VERSION
    made_by: str = f"mouldloft {__version__}"


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
    progress.begin("rubber")
    rubber = brush_rubber(master, seam, locks, brief, progress)
    progress.begin("keys")
    stuff = rubber_stuff(catalogue.rubber_for(brief.materials))
    keys = set_keys(rubber, locks, seam, brief.keys, progress, master=master, stuff=stuff)
    rubber = add_tabs(rubber, keys)
    progress.begin("jacket")
    jacket = lay_up_jacket(master, seam, rubber, keys, brief, catalogue, progress)
    progress.begin("cradle")
    cradle = build_cradle(jacket, rubber, keys, brief.cradle, progress)
    progress.begin("cast")
    cast = lay_up_cast(master, seam, locks, rubber, brief, catalogue, progress)
    progress.begin("takeoff")
    takeoff = take_off(master, locks, rubber, keys, jacket, cradle, cast, brief, catalogue, progress)
    progress.begin("programme")
    programme = set_programme(rubber, keys, jacket, cast, brief, catalogue, progress)
    made = MouldPlan(
        brief, catalogue, master, survey.opening, survey.undercut, seam, locks, rubber, keys, jacket, cradle, cast,
        takeoff, programme, assumptions=(), cautions=(),
    )  # fmt: skip
    made = replace(made, cautions=cautions_for(made))
    return replace(made, assumptions=gather_assumptions(made))


@dataclass(frozen=True, eq=False)
class OpenSurvey:
    """What needs no closed solid: the opening, where the master locks, where the seam falls."""

    master: Master
    opening: Opening
    undercut: UndercutField
    seam: Seam
    locks: Locks


def survey_open_master(
    master: Master, brief: Brief, catalogue: Catalogue | None = None, progress: Progress = SILENT
) -> OpenSurvey:
    """The stages that need no closed solid. Fill and stretch of an open mesh are rough; volumes are left out."""
    catalogue = catalogue or read_catalogue(None)
    scene = ray_scene(master.vertices_mm, master.faces)  # one for all: at full size it takes a second to build
    progress.begin("opening")
    opening = find_opening(master, brief.opening, progress, scene=scene)
    progress.begin("undercut")
    field = undercut_field(master, opening.chosen.direction, progress, scene=scene)
    progress.begin("seam")
    seam = place_seam(master, opening, field, brief.seam, progress, scene=scene)
    progress.begin("locks")
    locks = find_locks(master, field, seam, catalogue.rubber_for(brief.materials), progress, scene=scene)
    return OpenSurvey(master, opening, field, seam, locks)


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
        *key_assumptions(brief.keys),
        *laminate_assumptions(brief.jacket.glass_fraction),
        *jacket_assumptions(brief.jacket),
        *cradle_assumptions(brief.cradle),
        *cast_assumptions(brief.cast),
        *takeoff_assumptions(brief, made.catalogue),
        *programme_assumptions(made.catalogue),
    )
    return tuple(dict.fromkeys((*own, *stages)))
