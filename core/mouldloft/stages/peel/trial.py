"""One try at peeling a glove: pulled along a path until it is off, or the hands can no more."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse, spatial

from ...base.progress import SILENT, Progress
from .body import GRAVITY_MM_S2, Body, CastField, RubberLaw
from .glove import PeelGlove
from .lattice import Lattice
from .paths import HAND_SPEED_MM_S, PeelPath, pull_along

_GRIP_MM, _GRIP_PITCH_MM = 70.0, 180.0  # a hand's width, and how far apart hands take hold (invented)
_MOVE_S = 0.02  # hands' way between two looks
_CLEAR_MM = 2.0  # skin further off than this no longer touches
_FRAMES = 40
_MOST_S = 8.0  # of motion: a glove that needs longer is held up


@dataclass(frozen=True, eq=False)
class PeelTry:
    """What one try showed.

    off : is all of the skin clear at the end? freed : share of the touching skin that came clear. force_n : greatest sum
    of the hands' forces. stretch : greatest stretch (1 = none) averaged over the stated length; at_mm : where on the
    skin. seconds_free : (k,) when each skin point came clear, inf where it did not. stretches : (k,) greatest at each
    skin point. frames_mm : (f, n, 3) float32 nodes for an animation.
    """

    path: PeelPath
    friction: float
    pitch_mm: float
    off: bool
    freed: float
    force_n: float
    stretch: float
    at_mm: tuple[float, float, float]
    seconds_free: np.ndarray
    stretches: np.ndarray
    frames_mm: np.ndarray


def try_peel(
    glove: PeelGlove,
    cast: CastField,
    law: RubberLaw,
    path: PeelPath,
    friction: float,
    hands_n: float,
    average_mm: float = 20.0,
    progress: Progress = SILENT,
) -> PeelTry:
    """Pull the glove off along `path`. hands_n : the most that all hands together pull at once, N."""
    body = Body(
        glove.lattice, law, glove.skin_mm, glove.skin_area_mm2, cast, friction=friction,
        gravity=(0.0, 0.0, -GRAVITY_MM_S2), damping_per_s=2.0,
    )  # fmt: skip
    groups, along = _grips(glove)
    body.set_hands(groups)
    depth = float(np.ptp(glove.lattice.positions_mm @ glove.pull))
    pull = pull_along(path, body.hand_mm, along, glove.rim_length_mm, glove.pull, 1.3 * depth + 200.0)
    return _pulled(glove, body, pull, path, friction, hands_n, average_mm, progress)


def _grips(glove: PeelGlove) -> tuple[list[np.ndarray], np.ndarray]:
    count = max(int(glove.rim_length_mm / _GRIP_PITCH_MM), 4)
    middles = (np.arange(count) + 0.5) / count * glove.rim_length_mm
    groups, kept = [], []
    for middle in middles:
        half = glove.rim_length_mm / 2
        away = np.abs((glove.rim_along_mm - middle + half) % glove.rim_length_mm - half)
        nodes = glove.rim[away < max(_GRIP_MM / 2, 1.2 * glove.lattice.pitch_mm)]
        if len(nodes) >= 4:
            groups.append(nodes)
            kept.append(middle)
    return groups, np.array(kept)


def _pulled(glove: PeelGlove, body: Body, pull, path, friction, hands_n, average_mm, progress) -> PeelTry:  # type: ignore[no-untyped-def]
    """The pull itself, looked at every few hundredths of a second."""
    begin = body.hand_mm.copy()
    average = averaging(body.lattice, average_mm)
    skin_cells = body.cell
    touched = np.ones(len(skin_cells), bool)
    free_at = np.full(len(skin_cells), np.inf)
    most = np.ones(len(body.lattice.nodes))
    forces, frames, t = [0.0], [body.u_mm.astype(np.float32)], 0.0
    end = min(pull.seconds + 0.4, _MOST_S)
    every = max(int(end / _MOVE_S / _FRAMES), 1)
    while t < end:
        t += _MOVE_S
        holding = pull.delay_s < t
        body.cap_n = np.where(holding, hands_n / max(int(holding.sum()), 1), 0.0)
        target = pull.targets(begin, t)
        at = body.hands_at()
        # a hand that can no more stays where it is, and goes on from there
        wait = np.linalg.norm(target - at, axis=1) > 3 * body.cap_n / body.spring_n_mm + HAND_SPEED_MM_S * _MOVE_S
        body.move(_MOVE_S, np.where((holding & ~wait)[:, None], target, np.where(holding[:, None], body.hand_mm, at)))
        forces.append(float(np.linalg.norm(body.hand_force_n, axis=1).sum()))
        most = np.maximum(most, average @ principal_stretch(body))
        clear = body.gap_mm > _CLEAR_MM
        free_at = np.where(clear, np.minimum(free_at, t), np.inf)
        if len(forces) % every == 0:
            frames.append(body.u_mm.astype(np.float32))
        progress.step(min(t / end, 0.99), f"peeling {path.words}: {100 * clear.mean():.0f} % clear")
        if clear.mean() > 0.999:
            break
    frames.append(body.u_mm.astype(np.float32))
    at_skin = most[skin_cells]
    top = int(at_skin.argmax())
    where = glove.skin_mm[body.kept[top]]
    freed = float(body.area[np.isfinite(free_at)].sum() / body.area[touched].sum())
    return PeelTry(
        path=path, friction=friction, pitch_mm=body.lattice.pitch_mm, off=freed > 0.999, freed=freed,
        force_n=float(np.quantile(forces, 0.98)), stretch=float(np.quantile(at_skin, 0.999)),
        at_mm=(float(where[0]), float(where[1]), float(where[2])), seconds_free=free_at, stretches=at_skin,
        frames_mm=np.stack(frames),
    )  # fmt: skip


def principal_stretch(body: Body) -> np.ndarray:
    """(c,) greatest principal stretch at the middle of each cell's rubber."""
    lat = body.lattice
    u = body.u_mm[lat.nodes]
    signs = np.array([[i, j, k] for i in (-1, 1) for j in (-1, 1) for k in (-1, 1)], float)
    local = lat.middle_mm / (lat.pitch_mm / 2)
    parts = 1 + local[:, None, :] * signs[None]
    grad = np.empty((len(u), 8, 3))
    for k in range(3):
        others = [m for m in range(3) if m != k]
        grad[:, :, k] = signs[None, :, k] * parts[:, :, others[0]] * parts[:, :, others[1]] / (4 * lat.pitch_mm)
    f = np.eye(3) + np.einsum("cai,cak->cik", u, grad)
    return np.sqrt(np.linalg.eigvalsh(np.einsum("cki,ckj->cij", f, f))[:, 2])


def averaging(lattice: Lattice, length_mm: float) -> sparse.csr_matrix:
    """(c, c): mean over the cells within half of `length_mm` of each, by their rubber; one cell alone where it is larger."""
    middle = lattice.positions_mm[lattice.nodes[:, 0]] + lattice.pitch_mm / 2 + lattice.middle_mm
    pairs = spatial.cKDTree(middle).sparse_distance_matrix(
        spatial.cKDTree(middle), max(length_mm / 2, 0.51 * lattice.pitch_mm) * 1.2, output_type="coo_matrix"
    )
    share = np.clip(1.2 - pairs.data / max(length_mm / 2, 1e-9), 0.05, 1.0) * lattice.fill_mm3[pairs.col]
    out = sparse.csr_matrix((share, (pairs.row, pairs.col)), shape=pairs.shape)
    own = sparse.diags(lattice.fill_mm3)
    out = out + own
    return sparse.diags(1.0 / np.asarray(out.sum(axis=1)).ravel()) @ out
