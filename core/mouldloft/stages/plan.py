"""The plan: every stage's result, saved and reopened together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .. import __version__
from ..base.marks import Assumption
from ..geometry.rays import RayScene
from ..inputs.brief import Brief
from ..inputs.catalogue import Catalogue
from ..trade.handling import Lift
from .answers import Answers
from .cast import Cast
from .cautions import Caution
from .clay import ClayDifference
from .cradle import Cradle
from .division import Division
from .jacket import Jacket
from .keys import Keys
from .locks import Locks
from .master import Master
from .opening import Opening
from .peel import Peel
from .programme import Programme
from .rubber import Rubber
from .seam import Seam
from .takeoff import Takeoff
from .undercut import UndercutField
from .wall import Wall

PLAN_VERSION = 1


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
    division: Division | None = None  # more than two pieces, where two are not enough and the brief allows more
    answers: Answers | None = None  # the ways to mould it, side by side
    peel: Peel | None = None  # where the brief asks for it
    wall: Wall | None = None  # of two pieces; more are walled off one against the other
    version: int = PLAN_VERSION
    made_by: str = f"mouldloft {__version__}"
    stamps: tuple[tuple[str, str], ...] = ()  # of what each stage read, as `freshness` has them
    bare_rubber: Rubber | None = None  # the glove before its keys were counted in; its envelopes are the glove's
    mesh_stamp: str = ""  # of the file the master was read from, and how the brief had it read
    lifts: tuple[Lift, ...] = ()  # every lift that happens, with its people
    clay: ClayDifference | None = None  # where the master is a scan of the finished clay: how it differs from its plan


@dataclass(frozen=True, eq=False)
class OpenSurvey:
    """What needs no closed solid: the opening, where the master locks, where the seam falls.

    scene, show : of this master and brief, for stages that ask them again; at full size they take seconds.
    """

    master: Master
    opening: Opening
    undercut: UndercutField
    seam: Seam
    locks: Locks
    scene: RayScene
    show: np.ndarray
