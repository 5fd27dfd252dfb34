"""The run's log as a chart in the view: for each quantity, used over planned entry by entry."""

from __future__ import annotations

import json
from typing import Any

MOST_ROWS, MOST_ENTRIES = 40, 2000  # a .blend may come from anybody


def _figures(values: Any) -> list[float]:
    return [float(v) for v in values[:MOST_ENTRIES] if isinstance(v, (int, float)) and 0.0 <= v < 1e4]


def log_kept(settings: Any) -> dict[str, Any]:
    """What the log said, as kept in the scene, with nothing in it that is not of its kind; {} where there is none."""
    try:
        told = json.loads(settings.log_text or "{}")
        if not told:
            return {}
        rows = [
            {
                "what": str(row["what"])[:80],
                "words": str(row["words"])[:80],
                "ratios": _figures(row["ratios"]),
                "span": _figures(row["span"]),
            }
            for row in told["rows"][:MOST_ROWS]
        ]
        return {
            "file": str(told["file"])[:200],
            "rows": rows,
            "lines": [str(line)[:600] for line in told["lines"][:200]],
        }
    except (ValueError, KeyError, TypeError):
        return {}


def end_of(rows: list[dict[str, Any]]) -> float:
    """Where the chart's scale ends: a half above all that it holds, two at least."""
    most = max((value for row in rows for value in (*row["ratios"], *row["span"])), default=1.0)
    return max(2.0, 0.5 * (int(most / 0.5) + 1))
