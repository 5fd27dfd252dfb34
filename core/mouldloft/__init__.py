"""mouldloft: mould planning for sculptors. The core; it never imports Blender.

import mouldloft as ml

plan = ml.plan_file("hare.stl", height_mm=1400, casts=6)
print(plan.summary())
plan.write("out")
"""

from importlib import import_module
from typing import Any

__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    """The public API, loaded when it is first asked for: the command line and Blender start without it."""
    if not name.startswith("_") and name != "api":
        api = import_module(f"{__name__}.api")
        if name in api.__all__:
            return getattr(api, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return ["__version__", *import_module(f"{__name__}.api").__all__]
