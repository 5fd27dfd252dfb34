"""What the core made of the finished clay and of the run's log, as shapes, colours and rows to show."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from ..scene.reading import Unreadable
from ..work.display import Clay, Place

NO_SCAN = "holds a plan but no scan of the clay: run mouldloft rescan on it, and choose the folder that writes."


def clay_of(folder: str, progress: Any) -> Clay:
    """The scan in a folder that `mouldloft rescan` wrote, against the plan it was laid on. Raises `Unreadable` where
    the plan there is of no scan, `PlanFileRefused` where it cannot be read."""
    from mouldloft.outputs import clay as told
    from mouldloft.outputs.look import to_linear
    from mouldloft.outputs.planfile import PLAN_NAME, open_plan

    progress.begin("Scan against plan")
    if not Path(folder).is_dir() or not (Path(folder) / PLAN_NAME).is_file():
        raise Unreadable(f"There is no plan in {folder}: choose the folder that mouldloft rescan wrote.")
    plan = open_plan(folder)
    clay = plan.clay
    if clay is None:
        raise Unreadable(f"{Path(folder).name} {NO_SCAN}")
    progress.step(0.6, "colours")
    shift = np.asarray(plan.master.shift_mm)  # from the first plan's coordinates to those of the one made again
    places = [
        Place(f"{number}: {abs(patch.most_mm):.1f} mm {'proud' if patch.most_mm > 0 else 'shy'}", -1,
              tuple(np.asarray(patch.middle_mm) - shift), math.sqrt(patch.area_mm2 / math.pi))
        for number, patch in enumerate(clay.patches[: told.PATCHES_LISTED], 1)
    ]  # fmt: skip
    end = told.scale_end_mm(clay)
    ramp = told.clay_colours(clay, np.linspace(-end, end, 33))
    ticks = told.clay_ticks(clay)
    linear = to_linear(told.clay_colours(clay, clay.off_mm))
    return Clay(
        vertices_mm=plan.master.vertices_mm - shift,
        faces=plan.master.faces,
        colours=np.column_stack([linear, np.ones(len(linear))]).astype(np.float32),
        legend={
            "title": "Scan against plan",
            "ramp": [[round(float(v), 4) for v in colour] for colour in ramp],
            "marks": [ticks[0], "", ticks[1], "", ticks[2]],
            "note": told.clay_scale_words(clay),
        },
        places=places,
        said=told.clay_head(clay),
        listed=[told.patch_words(patch) for patch in clay.patches[: told.PATCHES_LISTED]],
        planned_height_mm=clay.height_mm[1],
    )


def log_of(plan: Any, path: str) -> dict[str, Any]:
    """A run's log set against its plan: lines to read, and for each quantity what its chart draws. Raises
    `BriefRefused` as reading the log does."""
    from mouldloft.asbuilt.review import review_lines, review_log
    from mouldloft.asbuilt.runlog import read_log
    from mouldloft.base.figures import number

    review = review_log(plan, read_log(path))
    rows = []
    for reading in review.readings:
        f = reading.factor
        span = f" ({number(f.low)} to {number(f.high)})" if f.observations > 1 else ""
        rows.append(
            {
                "what": reading.what,
                "words": f"{number(f.likely)}{span}",
                "ratios": [round(used / planned, 4) for used, planned in zip(reading.used, reading.planned)],
                "span": [round(v, 4) for v in (f.low, f.likely, f.high)] if f.observations > 1 else [],
            }
        )
    return {"file": Path(path).name, "rows": rows, "lines": review_lines(review)}
