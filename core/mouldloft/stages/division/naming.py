"""Names of pieces that a workshop can find."""

from __future__ import annotations

import numpy as np

_ROUND = ("front", "front left", "left", "back left", "back", "back right", "right", "front right")
_STEEP = 0.7  # of a pull's length: a steeper one names a top or bottom piece


def named_shares(
    pulls: np.ndarray, labels: np.ndarray, areas_mm2: np.ndarray, centres_mm: np.ndarray
) -> tuple[np.ndarray, tuple[str, ...]]:
    """(p,) skin of each piece, and their names. labels, areas_mm2, centres_mm : of each face."""
    count = len(pulls)
    own = np.bincount(labels, areas_mm2, minlength=count)
    middle = np.stack([np.bincount(labels, areas_mm2 * centres_mm[:, k], minlength=count) for k in range(3)], axis=1)
    return own, name_by_pull(pulls, middle / np.maximum(own, 1e-9)[:, None])


def name_by_pull(pulls: np.ndarray, centres_mm: np.ndarray) -> tuple[str, ...]:
    """Names a workshop can find: by the side each piece comes off to; of two to one side the lower and the upper, of
    more by number from below."""
    sides = []
    for x, y, z in pulls:
        turn = np.degrees(np.arctan2(x, -y)) % 360  # 0 front, 90 left
        sides.append(("top" if z > 0 else "bottom") if abs(z) > _STEEP else _ROUND[round(turn / 45) % 8])
    names = []
    for k, side in enumerate(sides):
        alike = [n for n in range(len(sides)) if sides[n] == side]
        place = sorted(alike, key=lambda n: (float(centres_mm[n][2]), n)).index(k)
        if len(alike) == 1:
            names.append(f"{side} piece")
        elif len(alike) == 2:
            names.append(f"{('lower', 'upper')[place]} {side} piece")
        else:
            names.append(f"{side} piece {place + 1}")
    return tuple(names)
