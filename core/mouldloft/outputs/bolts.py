"""One number for each bolt, the same on sheets, templates and page; those down into the board begin with a D."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..stages.jacket import ONE_PLACE_MM, Jacket


def bolt_names(jacket: Jacket) -> tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]:
    """For each jacket piece its bolts through two flanges and those into the board, by name, in its own order."""
    places: list[np.ndarray] = []
    names: list[str] = []

    def named(bolts_mm: Sequence[Sequence[float]], sign: str) -> tuple[str, ...]:
        said = []
        for bolt in np.asarray(bolts_mm, float).reshape(-1, 3):
            near = np.linalg.norm(np.array(places).reshape(-1, 3) - bolt, axis=1)
            if len(near) and near.min() <= ONE_PLACE_MM:
                said.append(names[int(near.argmin())])
                continue
            places.append(bolt)
            names.append(f"{sign}{1 + sum(name.startswith('D') == bool(sign) for name in names)}")
            said.append(names[-1])
        return tuple(said)

    through = [named(piece.bolts_mm, "") for piece in jacket.pieces]
    return tuple((own, named(piece.foot_bolts_mm, "D")) for own, piece in zip(through, jacket.pieces, strict=True))


def all_bolts(jacket: Jacket) -> tuple[tuple[str, tuple[float, float, float]], ...]:
    """Every bolt through two flanges once, with its place in the plan."""
    found: dict[str, tuple[float, float, float]] = {}
    for (own, _), piece in zip(bolt_names(jacket), jacket.pieces, strict=True):
        for name, (x, y, z) in zip(own, piece.bolts_mm, strict=True):
            found.setdefault(name, (float(x), float(y), float(z)))
    return tuple(found.items())
