"""A lattice with its rubber, set in motion: what the compiled steps need, kept together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ...base.progress import SILENT, Progress
from .element import cell_forces
from .lattice import Lattice, embed
from .motion import run_steps

GRAVITY_MM_S2 = 9806.65  # standard gravity, exact by definition
_STEADY = 0.02  # share of mu that holds a cell's one mode without energy
_COURANT = 0.6  # of the greatest stable step
_STEP_ASKED_EVERY = 8


@dataclass(frozen=True)
class RubberLaw:
    """shear_mpa : shear modulus mu at rest. bulk_mpa : how firmly volume is kept; ten to twenty times mu is enough, since
    what the rubber does hardly depends on it. density_kg_per_mm3."""

    shear_mpa: float
    bulk_mpa: float
    density_kg_per_mm3: float = 1.08e-6


@dataclass(frozen=True, eq=False)
class CastField:
    """Signed distance of the cast on a grid, mm, positive outside. values : (x, y, z) float32."""

    values: np.ndarray
    low_mm: np.ndarray
    step_mm: float


_NOWHERE = CastField(np.full((2, 2, 2), 1e9, np.float32), np.zeros(3), 1.0)


@dataclass(eq=False)
class Body:
    """A lattice in motion. u_mm, v_mm_s : (n, 3). held : (n, 3) bool, components that stay where they are put.

    contact : MPa for each mm a skin point sinks in; friction : Coulomb's. spring : N/mm of a hand; `cap_n`, (h,), is the most each pulls.
    """

    lattice: Lattice
    law: RubberLaw
    skin_mm: np.ndarray = field(default_factory=lambda: np.zeros((0, 3)))
    skin_area_mm2: np.ndarray = field(default_factory=lambda: np.zeros(0))
    cast: CastField = _NOWHERE
    contact_mpa_mm: float = 0.4
    friction: float = 0.0
    slip_mm_s: float = 20.0
    gravity: tuple[float, float, float] = (0.0, 0.0, 0.0)
    damping_per_s: float = 5.0
    spring_n_mm: float = 8.0
    heavier: float = 1.0  # mass for motion over true mass; gravity stays true

    def __post_init__(self) -> None:
        n = len(self.lattice.positions_mm)
        self.u_mm = np.zeros((n, 3))
        self.v_mm_s = np.zeros((n, 3))
        self.held = np.zeros((n, 3), bool)
        self.turn = np.tile([1.0, 0.0, 0.0, 0.0], (len(self.lattice.nodes), 1))
        self.mass_t = self.lattice.mass_kg * 1e-3 * self.heavier
        self.cell, self.weights, self.kept = embed(self.lattice, self.skin_mm)
        self.area = self.skin_area_mm2[self.kept].astype(float)
        self.gap_mm = np.full(len(self.cell), 1e9)
        self.grip = np.zeros(0, np.int64)
        self.grip_share = np.zeros(0)
        self.hand_of = np.zeros(0, np.int64)
        self.hand_mm = np.zeros((0, 3))
        self.hand_force_n = np.zeros((0, 3))
        self.cap_n = np.zeros(0)
        self.energy_n_mm = 0.0
        self._moves, self._dt = 0, 0.0

    def set_hands(self, groups: Sequence[np.ndarray]) -> None:
        """Hands that each hold the nodes of a group, from where these are now."""
        self.grip = np.concatenate([np.asarray(g, np.int64) for g in groups])
        self.hand_of = np.repeat(np.arange(len(groups)), [len(g) for g in groups])
        share = np.concatenate([self.mass_t[g] / self.mass_t[g].sum() for g in groups])
        self.grip_share = share
        at = self.lattice.positions_mm + self.u_mm
        self.hand_mm = np.stack([(share[self.hand_of == k, None] * at[g]).sum(axis=0) for k, g in enumerate(groups)])
        self.hand_force_n = np.zeros((len(groups), 3))
        self.cap_n = np.full(len(groups), np.inf)

    def forces(self, u: np.ndarray) -> np.ndarray:
        """Elastic forces (n, 3) N at displacements u."""
        lat, out = self.lattice, np.zeros_like(u)
        cell_forces(
            u, lat.nodes, lat.volume_mm3, lat.middle_mm, lat.eased_mm, lat.moment_mm5, self.turn.copy(), lat.pitch_mm,
            self.law.shear_mpa, self.law.bulk_mpa, _STEADY, out,
        )  # fmt: skip
        return out

    def stable_step_s(self) -> float:
        """The greatest stable time step about where the body is now, by power iteration on its stiffness, less a margin;
        contact and hands add theirs."""
        rng = np.random.default_rng(1)
        way = rng.normal(size=self.u_mm.shape)
        rest = self.forces(self.u_mm)
        top, eps = 0.0, 1e-4 * self.lattice.pitch_mm
        for _ in range(25):
            way /= np.sqrt((self.mass_t[:, None] * way**2).sum())
            scale = eps / np.abs(way).max()
            answer = -(self.forces(self.u_mm + scale * way) - rest) / scale / self.mass_t[:, None]
            top = float(np.sqrt((self.mass_t[:, None] * answer**2).sum()))
            way = answer
        if len(self.cell):
            pressed = np.zeros(len(self.mass_t))
            size = np.abs(self.weights)
            size *= self.area[:, None] * size.sum(axis=1, keepdims=True)
            np.add.at(pressed, self.lattice.nodes[self.cell].ravel(), size.ravel())
            top += self.contact_mpa_mm * float((pressed / self.mass_t).max())
        if len(self.grip):
            top += self.spring_n_mm * float((self.grip_share / self.mass_t[self.grip]).max())
        return _COURANT * 2.0 / np.sqrt(top)

    def _step_s(self) -> float:
        """The time step, asked anew every so many moves: stretched rubber is stiffer."""
        if self._moves % _STEP_ASKED_EVERY == 0:
            self._dt = self.stable_step_s()
        self._moves += 1
        return self._dt

    def hands_at(self) -> np.ndarray:
        """(h, 3) where the held places are now."""
        at = (self.lattice.positions_mm + self.u_mm)[self.grip] * self.grip_share[:, None]
        out = np.zeros_like(self.hand_mm)
        np.add.at(out, self.hand_of, at)
        return out

    def move(
        self, seconds: float, hands_to_mm: np.ndarray | None = None, progress: Progress = SILENT, most_steps: int = 0
    ) -> None:
        """Let `seconds` of motion pass while the hands go to their new places (h, 3) at an even speed."""
        dt = self._step_s()
        steps = max(int(np.ceil(seconds / dt)), 1)
        if most_steps and steps > most_steps:
            raise FloatingPointError(f"{steps} steps")
        start = self.hand_mm
        end = start if hands_to_mm is None else np.asarray(hands_to_mm, float)
        lat = self.lattice
        self.energy_n_mm = run_steps(
            steps, seconds / steps, lat.positions_mm, self.u_mm, self.v_mm_s, self.mass_t,
            np.asarray(self.gravity, float) / self.heavier, lat.nodes, lat.volume_mm3, lat.middle_mm, lat.eased_mm, lat.moment_mm5,
            self.turn, lat.pitch_mm, self.law.shear_mpa, self.law.bulk_mpa, _STEADY, self.cell, self.weights,
            self.area, self.cast.values, self.cast.low_mm, self.cast.step_mm, self.contact_mpa_mm, self.friction,
            self.slip_mm_s, self.damping_per_s, self.grip, self.grip_share, self.hand_of, start, end,
            self.spring_n_mm, self.cap_n, self.hand_force_n, self.gap_mm, self.held,
        )  # fmt: skip
        self.hand_mm = end.copy()
        progress.step(0.0, "peeling")
        if not np.isfinite(self.energy_n_mm):
            raise FloatingPointError("the motion ran away")

    def settle(self, seconds: float, part_s: float, still_n: float = 0.0) -> float:
        """Come to rest: stops where the speed turns against the forces (kinetic damping), until little is out of balance.

        Returns what is out of balance on the free components, as a share of the held ones' (or still_n's) force.
        """
        left = 1.0
        passed = 0.0
        while passed < seconds:
            self.move(part_s)
            passed += part_s
            out = self.forces(self.u_mm)
            out += self.mass_t[:, None] * np.asarray(self.gravity) / self.heavier
            scale = max(np.abs(out[self.held]).sum() / 2 if self.held.any() else 0.0, still_n, 1e-9)
            left = float(np.abs(out[~self.held]).sum() / scale)
            if left < 2e-3:
                break
        return left
