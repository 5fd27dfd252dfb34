"""What all operators share: when they may run, and how a refusal is said."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ClassVar, Protocol

from ...scene import reading
from ...work import jobs

UNDO: Any = {"UNDO"}  # no REGISTER: long work is not for the last operation's panel to run again
BUSY = "Something is still running: wait for it, or stop it with Escape"


class Reports(Protocol):
    """What can put a sentence into Blender's report."""

    report: Callable[..., None]


def say(operator: Reports, error: BaseException) -> set[str]:
    """Put a refusal of the core into Blender's report, and anything unforeseen with its kind."""
    from mouldloft.base.errors import Cancelled, MouldloftError

    if isinstance(error, Cancelled):
        operator.report({"INFO"}, str(error))
    elif isinstance(error, (MouldloftError, reading.Unreadable)):
        operator.report({"ERROR"}, str(error))
    else:
        import traceback

        traceback.print_exception(error)
        operator.report({"ERROR"}, unforeseen(error))
    return {"CANCELLED"}


def unforeseen(error: BaseException) -> str:
    """One sentence about an error that nobody thought of."""
    from mouldloft.base.errors import MouldloftError

    if isinstance(error, (MouldloftError, reading.Unreadable)):
        return str(error)
    return f"Something unforeseen ({type(error).__name__}: {error}); see the console."


def sight_of(context, at) -> tuple[Any, Any]:
    """Where the line of sight through a place of the 3D view's region begins, and its direction, in the world."""
    from bpy_extras.view3d_utils import region_2d_to_origin_3d, region_2d_to_vector_3d

    region, view = context.region, context.region_data
    return region_2d_to_origin_3d(region, view, at), region_2d_to_vector_3d(region, view, at)


class Idle:
    """An operator that must not run beside a job."""

    report: Callable[..., None]  # as bpy.types.Operator has them
    poll_message_set: ClassVar[Callable[..., None]]

    @classmethod
    def poll(cls, context):
        if jobs.job() is not None:
            jobs.clear()
        if jobs.job() is not None:
            cls.poll_message_set(BUSY)
            return False
        return True
