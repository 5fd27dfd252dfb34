"""An empty log for the bench: every coat and cast of the plan has its entry, to be filled in."""

from __future__ import annotations

import csv
import io
import json

from ..base.figures import number
from ..stages.plan import MouldPlan
from .review import planned_cast, planned_coats

_HEAD = """# Log of this run. Fill in what was weighed and clocked, and take the # off the lines you fill and off the
# [[...]] above them; leave out what was not measured. Kilograms are of the whole mix as weighed out, hours of all
# people together. Read it with:
#   mouldloft log PLAN_FOLDER run-log.toml
"""
CSV_COLUMNS = (
    "kind", "piece", "coat", "rubber_kg", "number", "weight_kg", "gelcoat_kg", "resin_kg", "glass_kg", "hours",
    "temperature_c", "tears", "what", "before_mm", "after_mm", "cast", "date", "note",
)  # fmt: skip


def blank_log(plan: MouldPlan) -> str:
    """The log as TOML, planned figures in comments beside what is to be filled in. It reads once an entry is filled."""
    lines = [_HEAD]
    for (piece, coat), (kilograms, hours) in planned_coats(plan).items():
        lines += [
            "# [[coat]]",
            f"# piece = {json.dumps(piece, ensure_ascii=False)}",
            f"# coat = {json.dumps(coat, ensure_ascii=False)}",
            f"# rubber_kg =        # planned {number(kilograms)}",
            f"# hours =            # planned {number(hours)}",
            "# temperature_c =",
            "# date =             # such as 2027-03-04",
            "",
        ]
    planned = planned_cast(plan)
    for cast in plan.brief.run.numbers:
        lines += ["# [[cast]]", f"# number = {cast}"]
        lines += [f"# {name} =".ljust(21) + f"# planned {number(planned[name])}" for name in planned]
        lines += ["# temperature_c =", "# tears = 0", "# date =", ""]
    lines += [
        "# Two marks on the master, measured again on a cast: as many pairs as you like.",
        "# [[marks]]",
        '# what = "ear tip to paw"',
        "# before_mm =",
        "# after_mm =",
        "# cast = 1",
    ]
    return "\n".join(lines) + "\n"


def blank_csv(plan: MouldPlan) -> str:
    """The same as a table: a row for every coat and cast, its cells to be filled in."""
    out = io.StringIO()
    writer = csv.DictWriter(out, CSV_COLUMNS, lineterminator="\n")
    writer.writeheader()
    for piece, coat in planned_coats(plan):
        writer.writerow({"kind": "coat", "piece": piece, "coat": coat})
    for cast in plan.brief.run.numbers:
        writer.writerow({"kind": "cast", "number": cast})
    writer.writerow({"kind": "marks", "what": ""})
    return out.getvalue()
