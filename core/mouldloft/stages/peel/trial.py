"""One try at peeling a glove: pulled along a path until it is off, or the hands can no more."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...base.figures import GRAVITY_M_S2
from ...base.progress import SILENT, Progress
from .body import CastField, MovingRubber, RubberLaw
from .glove import PeelGlove
from .measures import Pockets, averaging, principal_stretch
from .paths import PeelPath, Pull, pull_along

_GRIP_MM, _GRIP_PITCH_MM = 70.0, 180.0  # a hand's width, and how far apart hands take hold (invented)
HAND_MOST_N = 250.0  # what one hand holds on to at most, N (invented)
_MOVE_S = 0.02  # hands' way between two looks
_CLEAR_MM = 2.0  # skin further off than this no longer touches
_MOST_OF = 0.999  # of the skin is stretched less than what is called its greatest: single cells' corners are left out
_OFF = 0.999  # of the skin, clear: the rest is points beside the glove's edge
_STRETCHED_MM = 40.0  # a hand whose rubber gives no more than this waits
FRAMES = 30
_CARRIED = (0.1, 0.25, 0.45, 0.7)  # of its depth: how far a glove that is off is shown carried away
_HELD_UP_S = 0.7  # without a hand's breadth of progress: stuck
_DAMPING_PER_S = 2.0
_CONTACT = 10.0  # stiffness of contact over shear modulus and pitch: skin sinks in a few hundredths of a cell


@dataclass(frozen=True, eq=False)
class PeelTry:
    """What one try showed.

    off : is all of the skin clear at the end, with the rubber whole? torn : did it stretch past what breaks it, where
    the try ends? freed : share of the touching skin that came clear. hands_n : what all
    hands together pulled at most; force_n : greatest sum of their forces, which is what they pulled and may be more
    than what was needed. stretch : greatest stretch (1 = none) averaged over the stated length; at_mm : where on
    the skin. kept : (k,) which of the glove's skin points were followed; free_s : (k,) when each came clear, inf
    where it did not; stretches : (k,) greatest at each; pocket_mm2 : (k,) largest shut pocket each was part of.
    frames_mm : (f, n, 3) nodes' displacements for an animation; frame_force_n, frame_clear : (f,).
    """

    path: PeelPath
    friction: float
    pitch_mm: float
    off: bool
    torn: bool
    freed: float
    hands_n: float
    force_n: float
    stretch: float
    at_mm: tuple[float, float, float]
    kept: np.ndarray
    free_s: np.ndarray
    stretches: np.ndarray
    pocket_mm2: np.ndarray
    frames_mm: np.ndarray
    frame_force_n: np.ndarray
    frame_clear: np.ndarray


def try_peel(
    glove: PeelGlove,
    cast: CastField,
    law: RubberLaw,
    path: PeelPath,
    friction: float,
    hands_n: float,
    average_mm: float = 20.0,
    progress: Progress = SILENT,
    floor_mm: float = -np.inf,
    breaks_at: float = np.inf,
) -> PeelTry:
    """Pull the glove off along `path`. hands_n : the most that all hands together pull at once, N. floor_mm : height
    of the floor that the cast stands on. breaks_at : the stretch that tears the rubber (4 = 400 %), averaged like all.

    Raises `FloatingPointError` where the motion runs away, `Cancelled`.
    """
    body = MovingRubber(
        glove.lattice, law, glove.skin_mm, glove.skin_area_mm2, cast, friction=friction,
        gravity=(0.0, 0.0, -1000.0 * GRAVITY_M_S2), damping_per_s=_DAMPING_PER_S,
        contact_mpa_mm=_CONTACT * law.shear_mpa / glove.lattice.pitch_mm, floor_mm=floor_mm,
    )  # fmt: skip
    groups, along = hand_grips(glove)
    body.set_hands(groups)
    body.hand_most_n, body.hands_most_n = HAND_MOST_N, hands_n
    depth = float(np.ptp(glove.lattice.positions_mm @ glove.pull))
    pull = pull_along(path, body.hand_mm, along, glove.rim_length_mm, glove.pull, 1.3 * depth + 200.0)
    watch = _Watch(glove, body, average_mm)
    _pull_off(body, pull, watch, path, progress, 1.0 + breaks_at)
    return watch.found(path, friction, hands_n, 1.0 + breaks_at)


def hand_grips(glove: PeelGlove) -> tuple[list[np.ndarray], np.ndarray]:
    """Nodes that each hand holds, and how far round the rim it lies, mm."""
    length, pitch = glove.rim_length_mm, glove.lattice.pitch_mm
    count = max(int(length / _GRIP_PITCH_MM), 4)
    groups, kept = [], []
    for middle in (np.arange(count) + 0.5) / count * length:
        away = np.abs((glove.rim_along_mm - middle + length / 2) % length - length / 2)
        nodes = glove.rim[away < max(_GRIP_MM / 2, 1.2 * pitch)]
        if len(nodes) >= 4:
            groups.append(nodes)
            kept.append(middle)
    return groups, np.array(kept)


def _pull_off(
    body: MovingRubber, pull: Pull, watch: _Watch, path: PeelPath, progress: Progress, breaks_at: float
) -> None:
    """The hands go their way; one whose rubber holds it back waits, and all stop where nothing gives any more or where
    the rubber tears: what comes after says nothing, and rubber drawn out thin asks for ever shorter steps."""
    begin = np.zeros_like(body.hand_mm)
    on_way = np.zeros(len(begin))
    body.holding = np.zeros(len(begin), bool)
    t, best, since, whole = 0.0, 0.0, 0.0, pull.seconds
    while t < 4 * whole + 2:
        t += _MOVE_S
        at = body.hands_at()
        fresh = (pull.delay_s < t) & ~body.holding
        begin[fresh] = at[fresh]  # a hand takes the rim where it is when its turn comes
        body.holding |= fresh
        stretched = np.linalg.norm(body.hand_mm - at, axis=1) > _STRETCHED_MM
        on_way = np.where(body.holding & ~(stretched & ~fresh), on_way + _MOVE_S, on_way)
        target = np.where(body.holding[:, None], pull.targets(begin, on_way), at)
        body.hand_mm[fresh | ~body.holding] = at[fresh | ~body.holding]
        body.move(_MOVE_S, target)
        clear = watch.look(t)
        gone = float(pull.gone_mm(on_way).mean()) / pull.reach_mm + clear
        if gone > best + 0.01:
            best, since = gone, t
        progress.step(min(gone / 2, 0.99), f"peeling {path.words}: {100 * clear:.0f} % clear")
        if clear > _OFF or t - since > _HELD_UP_S or watch.stretch > breaks_at:
            return


class _Watch:
    """Looks at the body after every short move and keeps what is asked afterwards."""

    def __init__(self, glove: PeelGlove, body: MovingRubber, average_mm: float) -> None:
        self._glove, self._body = glove, body
        self._average = averaging(body.lattice, average_mm)
        self._pockets = Pockets(glove.skin_mm[body.kept], body.area, glove.open_edge[body.kept])
        self._free = np.full(len(body.cell), np.inf)
        self._most = np.ones(len(body.lattice.nodes))
        self._forces: list[float] = []
        self._frames: list[tuple[float, float, np.ndarray]] = [(0.0, 0.0, body.u_mm.astype(np.float32))]

    def look(self, t: float) -> float:
        """Note how things stand; returns the share of the touching skin that is clear."""
        body = self._body
        clear = body.gap_mm > _CLEAR_MM
        self._free = np.where(clear, np.minimum(self._free, t), np.inf)
        self._most = np.maximum(self._most, self._average @ principal_stretch(body))
        self._pockets.look(clear)
        self._forces.append(float(np.linalg.norm(body.hand_force_n, axis=1).sum()))
        share = float(body.area[clear].sum() / body.area.sum())
        self._frames.append((share, self._forces[-1], body.u_mm.astype(np.float32)))
        if len(self._frames) > 4 * FRAMES:
            self._frames = self._frames[::2]
        return share

    @property
    def stretch(self) -> float:
        """The greatest so far (1 = none)."""
        return float(np.quantile(self._most[self._body.cell], _MOST_OF))

    def found(self, path: PeelPath, friction: float, hands_n: float, breaks_at: float) -> PeelTry:
        body, glove = self._body, self._glove
        at_skin = self._most[body.cell]
        torn = self.stretch > breaks_at
        at = glove.skin_mm[body.kept[int(at_skin.argmax())]]
        freed = float(body.area[np.isfinite(self._free)].sum() / body.area.sum())
        shown = np.unique(np.linspace(0, len(self._frames) - 1, FRAMES).round().astype(int))
        frames = [self._frames[k] for k in shown]
        off = freed > _OFF and not torn
        if off:  # nothing touches any more: it is carried off, for the eye alone
            share, force, last = frames[-1]
            away = float(np.ptp(body.lattice.positions_mm @ glove.pull))
            frames += [(share, force, last + (away * k * glove.pull).astype(np.float32)) for k in _CARRIED]
        return PeelTry(
            path=path, friction=friction, pitch_mm=body.lattice.pitch_mm, off=off, torn=torn, freed=freed,
            hands_n=hands_n, force_n=float(np.quantile(self._forces, 0.98)), stretch=self.stretch,
            at_mm=(float(at[0]), float(at[1]), float(at[2])), kept=body.kept, free_s=self._free, stretches=at_skin,
            pocket_mm2=self._pockets.held_mm2, frames_mm=np.stack([f[2] for f in frames]),
            frame_force_n=np.array([f[1] for f in frames]), frame_clear=np.array([f[0] for f in frames]),
        )  # fmt: skip
