"""A lattice with its rubber, set in motion: what the compiled steps need, kept together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy import sparse

from .element import cell_forces
from .folds import find_folds, held_apart, middle_weights
from .lattice import RubberLattice, embed
from .motion import Cells, Hands, Touch, contact_forces, distances, run_steps

_STEADY = 0.02  # share of mu that holds a cell's one mode without energy
_COURANT = 0.6  # of the greatest stable step
_FLOOR = 2.0  # stiffness of the floor under a node over shear modulus and pitch: a glove sinks in a few millimetres
_ROUNDS, _ROUNDS_AGAIN = 25, 8  # of power iteration, the first time and then
_TRIES = 4


@dataclass(frozen=True)
class RubberLaw:
    """shear_mpa : shear modulus mu at rest. bulk_mpa : how firmly volume is kept; ten to twenty times mu is enough,
    since what the rubber does hardly depends on it. density_kg_per_mm3."""

    shear_mpa: float
    bulk_mpa: float
    density_kg_per_mm3: float = 1.08e-6


def law_of(young_mpa: float, density_kg_per_mm3: float, bulk_over_shear: float = 15.0) -> RubberLaw:
    """The law with the modulus asked: the shear modulus a third of it, and what the slight give of the volume takes off
    put back: E = μ (3 − μ/K), K the factor of (J − 1)²/2 (small strain of the law above; derivation ours)."""
    shear = young_mpa / (3.0 - 1.0 / bulk_over_shear)
    return RubberLaw(shear, bulk_over_shear * shear, density_kg_per_mm3)


@dataclass(frozen=True, eq=False)
class CastField:
    """Signed distance of the cast on a grid, mm, positive outside. values : (x, y, z) float32."""

    values: np.ndarray
    low_mm: np.ndarray
    step_mm: float

    @cached_property
    def border_mm(self) -> float:
        """The least distance on the grid's border: what lies outside the grid is no nearer to the cast."""
        v = self.values
        return float(min(side.min() for side in (v[0], v[-1], v[:, 0], v[:, -1], v[:, :, 0], v[:, :, -1])))


_NOWHERE = CastField(np.full((2, 2, 2), 1e9, np.float32), np.zeros(3), 1.0)


@dataclass(eq=False)
class MovingRubber:
    """A lattice in motion. u_mm, v_mm_s : (n, 3). held : (n, 3) bool, components that stay where they are put.

    contact_mpa_mm : MPa for each mm a skin point sinks in; friction : Coulomb's. spring_n_mm : of a hand. holding :
    (h,) bool, which hands have taken hold; each pulls hand_most_n at most, all together hands_most_n.
    floor_mm : height of a smooth floor; nodes that lie below it at rest sink no deeper than that.
    """

    lattice: RubberLattice
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
    floor_mm: float = -np.inf
    heavier: float = 1.0  # mass for motion over true mass; gravity stays true

    def __post_init__(self) -> None:
        n = len(self.lattice.positions_mm)
        self.u_mm = np.zeros((n, 3))
        self.v_mm_s = np.zeros((n, 3))
        self.held = np.zeros((n, 3), bool)
        self.turn = np.tile([1.0, 0.0, 0.0, 0.0], (len(self.lattice.nodes), 1))
        self.mass_t = self.lattice.inertia_kg * 1e-3 * self.heavier
        self.level_mm = np.minimum(self.lattice.positions_mm[:, 2], self.floor_mm)
        self.cell, self.weights, self.kept = embed(self.lattice, self.skin_mm)
        self.area = self.skin_area_mm2[self.kept].astype(float)
        at = self.skin_mm[self.kept].astype(float)
        places = self.lattice.positions_mm[self.lattice.nodes[self.cell]]
        self.shift_mm = at - np.einsum("ka,kai->ki", self.weights, places)
        self.rest_mm = np.minimum(distances(at, self.cast.values, self.cast.low_mm, float(self.cast.step_mm)), 0.0)
        self.reach = np.abs(self.weights).sum(axis=1)
        rows, corners = np.repeat(np.arange(len(self.cell)), 8), self.lattice.nodes[self.cell].ravel()
        self._skin = sparse.csr_matrix((self.weights.ravel(), (rows, corners)), shape=(len(self.cell), n))
        self.gap_mm = np.full(len(self.cell), 1e9)
        self._middle = middle_weights(self.lattice)
        self.folds = find_folds(self.lattice, self._middle, self.u_mm, self.law.shear_mpa)
        self.grip = np.zeros(0, np.int64)
        self.grip_share = np.zeros(0)
        self.hand_of = np.zeros(0, np.int64)
        self.hand_mm = np.zeros((0, 3))
        self.hand_force_n = np.zeros((0, 3))
        self.holding = np.zeros(0, bool)
        self.hand_most_n, self.hands_most_n = np.inf, np.inf
        self.energy_n_mm = 0.0
        self._way: np.ndarray | None = None

    def set_hands(self, groups: Sequence[np.ndarray]) -> None:
        """Hands that each hold the nodes of a group, from where these are now."""
        self.grip = np.concatenate([np.asarray(g, np.int64) for g in groups])
        self.hand_of = np.repeat(np.arange(len(groups)), [len(g) for g in groups])
        share = np.concatenate([self.mass_t[g] / self.mass_t[g].sum() for g in groups])
        self.grip_share = share
        at = self.lattice.positions_mm + self.u_mm
        self.hand_mm = np.stack([(share[self.hand_of == k, None] * at[g]).sum(axis=0) for k, g in enumerate(groups)])
        self.hand_force_n = np.zeros((len(groups), 3))
        self.holding = np.ones(len(groups), bool)

    def forces(self, u: np.ndarray) -> np.ndarray:
        """Elastic forces (n, 3) N at displacements u."""
        lat, out = self.lattice, np.zeros_like(u)
        cell_forces(
            u, lat.nodes, lat.volume_mm3, lat.middle_mm, lat.eased_mm, lat.moment_mm5, self.turn.copy(), lat.pitch_mm,
            self.law.shear_mpa, self.law.bulk_mpa, _STEADY, out,
        )  # fmt: skip
        return out

    @property
    def _floor_n_mm(self) -> float:
        return _FLOOR * self.law.shear_mpa * self.lattice.pitch_mm

    def stable_step_s(self) -> float:
        """The greatest stable time step about where the body is now, by power iteration on its stiffness, less a
        margin: rubber, and contact, folds, floor and hands as if all of them held, each way."""
        way = np.random.default_rng(1).normal(size=self.u_mm.shape) if self._way is None else self._way
        rest = self.forces(self.u_mm)
        top, eps = 0.0, 1e-4 * self.lattice.pitch_mm
        for _ in range(_ROUNDS if self._way is None else _ROUNDS_AGAIN):
            way /= np.sqrt((self.mass_t[:, None] * way**2).sum())
            scale = eps / np.abs(way).max()
            answer = (rest - self.forces(self.u_mm + scale * way)) / scale + self._held_back(way)
            answer /= self.mass_t[:, None]
            top = float(np.sqrt((self.mass_t[:, None] * answer**2).sum()))
            way = answer
        self._way = way  # where the next one begins: what is stiff stays stiff, or gets stiffer
        return _COURANT * 2.0 / np.sqrt(top)

    def _held_back(self, way: np.ndarray) -> np.ndarray:
        """(n, 3) forces against a small displacement, of all that may hold the rubber but its own cells, N."""
        back = np.zeros_like(way)
        if len(self.cell):
            pressed = self._skin @ way
            back += self._skin.T @ (self.contact_mpa_mm * self.area[:, None] * pressed)
        if np.isfinite(self.floor_mm):
            back[:, 2] += self._floor_n_mm * way[:, 2]
        if len(self.grip):
            moved = np.zeros_like(self.hand_mm)
            np.add.at(moved, self.hand_of, self.grip_share[:, None] * way[self.grip])
            np.add.at(back, self.grip, self.spring_n_mm * self.grip_share[:, None] * moved[self.hand_of])
        return back + held_apart(way, self.lattice.nodes, self.folds)

    def hands_at(self) -> np.ndarray:
        """(h, 3) where the held places are now."""
        at = (self.lattice.positions_mm + self.u_mm)[self.grip] * self.grip_share[:, None]
        out = np.zeros_like(self.hand_mm)
        np.add.at(out, self.hand_of, at)
        return out

    def touching_n(self) -> float:
        """The sum of the cast's pushes on the skin, N, as the body lies now; `gap_mm` is set."""
        at, force = self.lattice.positions_mm + self.u_mm, np.zeros_like(self.u_mm)
        touch, due = self._touch(), np.zeros(len(self.cell), np.int64)
        return float(contact_forces(at, self.v_mm_s, self.lattice.nodes, touch, force, self.gap_mm, due, 0, 1.0))

    def _touch(self) -> Touch:
        cast = self.cast
        return Touch(
            self.cell, self.weights, self.area, self.shift_mm, self.rest_mm, self.reach, cast.values, cast.low_mm,
            float(cast.step_mm), cast.border_mm, float(self.contact_mpa_mm), float(self.friction),
            float(self.slip_mm_s),
        )  # fmt: skip

    def _cells(self) -> Cells:
        lat, law = self.lattice, self.law
        return Cells(
            lat.nodes, lat.volume_mm3, lat.middle_mm, lat.eased_mm, lat.moment_mm5, self.turn, float(lat.pitch_mm),
            float(law.shear_mpa), float(law.bulk_mpa), _STEADY,
        )  # fmt: skip

    def _hands(self) -> Hands:
        most = np.where(self.holding, self.hand_most_n, 0.0)
        return Hands(self.grip, self.grip_share, self.hand_of, float(self.spring_n_mm), most, float(self.hands_most_n))

    def move(self, seconds: float, hands_to_mm: np.ndarray | None = None) -> None:
        """Let `seconds` of motion pass while the hands go to their new places (h, 3) at an even speed.

        Raises `FloatingPointError` where the motion runs away.
        """
        end = self.hand_mm if hands_to_mm is None else np.asarray(hands_to_mm, float)
        self.folds = find_folds(self.lattice, self._middle, self.u_mm, self.law.shear_mpa)
        dt = self.stable_step_s()
        before = self.u_mm.copy(), self.v_mm_s.copy(), self.turn.copy()
        for _ in range(_TRIES):  # rubber stretched within the move is stiffer than it was
            self._run(seconds, dt, end)
            if np.isfinite(self.energy_n_mm) and np.isfinite(self.u_mm).all():
                self.hand_mm = end.copy()
                return
            for now, was in zip((self.u_mm, self.v_mm_s, self.turn), before):
                now[:] = was
            dt /= 2
        raise FloatingPointError("the motion ran away")

    def _weight(self) -> np.ndarray:
        """(n, 3) N."""
        return self.lattice.mass_kg[:, None] * 1e-3 * np.asarray(self.gravity, float)

    def _run(self, seconds: float, dt: float, end: np.ndarray) -> None:
        steps = max(int(np.ceil(seconds / dt)), 1)
        weight = self._weight()
        self.energy_n_mm = run_steps(
            steps, seconds / steps, self.lattice.positions_mm, self.u_mm, self.v_mm_s, self.mass_t, weight,
            self.level_mm, self._floor_n_mm, float(self.damping_per_s), self._cells(), self._touch(), self._hands(),
            self.folds, self.hand_mm, end, self.hand_force_n, self.gap_mm, self.held,
        )  # fmt: skip

    def settle(self, seconds: float, part_s: float, still_n: float = 0.0) -> float:
        """Come to rest: stops where the speed turns against the forces (kinetic damping), until little is out of
        balance.

        Returns what is out of balance on the free components, as a share of the held ones' (or still_n's) force.
        """
        left = 1.0
        passed = 0.0
        while passed < seconds:
            self.move(part_s)
            passed += part_s
            out = self.forces(self.u_mm)
            out += self._weight()
            scale = max(np.abs(out[self.held]).sum() / 2 if self.held.any() else 0.0, still_n, 1e-9)
            left = float(np.abs(out[~self.held]).sum() / scale)
            if left < 2e-3:
                break
        return left
