"""A seam's course in words, from the names of the places it passes: no meshes here."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..base.figures import First, listed, metres_by, mm_by

_LEAST_SHARE = 0.035  # of a line: a shorter touch of a place is left out, unless it is the face or the chin
_STEEP = 0.35  # rise over length from which a run goes up or down
_MOST_SAID = 9
_AS_IT_IS = ("between the ears", "between the horns")
_ALWAYS = ("face", "chin", *_AS_IT_IS)


def course_words(names: Sequence[str], points_mm: np.ndarray) -> str:
    """'up the chest, under the chin, between the ears, down the spine' from (k,) names along (k, 3) points."""
    runs = _merged(_long_enough(_runs(list(names)), len(names)))
    words = [_run_words(name, points_mm[first:last]) for name, first, last in runs]
    kept = [word for k, word in enumerate(words) if k == 0 or word != words[k - 1]]
    if len(kept) > _MOST_SAID:
        kept = kept[: _MOST_SAID - 1] + kept[-1:]
    return ", ".join(kept)


def _runs(names: list[str]) -> list[tuple[str, int, int]]:
    out: list[tuple[str, int, int]] = []
    for at, name in enumerate(names):
        if out and out[-1][0] == name:
            out[-1] = (name, out[-1][1], at + 1)
        else:
            out.append((name, at, at + 1))
    return out


def _long_enough(runs: list[tuple[str, int, int]], count: int) -> list[tuple[str, int, int]]:
    least = max(2, round(_LEAST_SHARE * count))
    return [r for r in runs if r[0] and (r[2] - r[1] >= least or (r[0] in _ALWAYS and r[2] - r[1] >= 2))]


def _merged(runs: list[tuple[str, int, int]]) -> list[tuple[str, int, int]]:
    out: list[tuple[str, int, int]] = []
    for name, first, last in runs:
        if out and out[-1][0] == name:
            out[-1] = (name, out[-1][1], last)
        else:
            out.append((name, first, last))
    return out


def _run_words(name: str, points: np.ndarray) -> str:
    if name in _AS_IT_IS:
        return name
    if name == "chin":
        return "under the chin"
    if name.startswith(("tip of ", "far end of ", "face of cut ", "spigot of cut ")):
        return f"over the {name}"
    if name == "top of the head":
        return "over the top of the head"
    if name == "back of the head":
        return "down the back of the head" if points[-1, 2] < points[0, 2] else "up the back of the head"
    length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
    rise = float(points[-1, 2] - points[0, 2])
    way = "along" if length <= 0 or abs(rise) < _STEEP * length else "up" if rise > 0 else "down"
    if name.endswith(("ear", "horn")) and way == "along" and np.ptp(points[:, 2]) > _STEEP / 2 * length:
        way = "round"
    return f"{way} the {name}"


def crossing_words(
    crossed: Sequence[tuple[str, float]], face: bool = True, lettered: bool = False, first: First = "metric"
) -> str:
    """What a seam crosses of face and lettering, said first: 'It crosses the nose (38 mm) and the mouth (41 mm)', or
    that it crosses none of what there is."""
    if not crossed:
        none = [word for word, there in (("eye, nose or mouth", face), ("lettering", lettered)) if there]
        return f"It crosses no {' and no '.join(none)}."
    return f"It crosses {listed(f'the {name} ({mm_by(length, first)})' for name, length in crossed)}."


def alone_words(lines: Sequence[tuple[str, float, bool]], first: First = "metric") -> str:
    """What stands alone: each further line by its place, length and whether it is closed; '' for none."""
    said = [
        f"{'a loop' if closed else 'a line'} of {metres_by(length, first)}, {course}"
        for course, length, closed in lines
    ]
    return f"Besides the longest line there {'is' if len(said) == 1 else 'are'} {'; '.join(said)}." if said else ""
