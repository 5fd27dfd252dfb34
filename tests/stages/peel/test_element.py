"""The lattice's rubber against closed forms of finite elasticity and of beams."""

from __future__ import annotations

import numpy as np
import pytest
from mouldloft.stages.peel.body import CastField, MovingRubber, RubberLaw
from mouldloft.stages.peel.element import CORNERS, cell_forces
from mouldloft.stages.peel.lattice import RubberLattice, lattice_of
from scipy import integrate, sparse
from scipy.sparse import linalg
from scipy.spatial.transform import Rotation

MU = 0.2


def one_cell(u, turn, pitch=10.0, bulk=4.0):
    """Energy and forces of one part-filled cell with its turn settled."""
    rng = np.random.default_rng(3)
    square = rng.normal(size=(3, 3))
    square = square @ square.T * pitch**5 * 0.02
    moment = square[[0, 1, 2, 1, 0, 0], [0, 1, 2, 2, 2, 1]][None]
    nodes = np.arange(8, dtype=np.int32)[None]
    middle, volume, turn = rng.normal(size=(1, 3)), np.array([600.0]), turn.copy()
    for _ in range(120):
        force = np.zeros_like(u)
        energy = cell_forces(u, nodes, volume, middle, middle, moment, turn, pitch, MU, bulk, 0.02, force)
    return energy, force


def test_forces_are_the_energys_slope_and_turn_with_the_body():
    """Forces against central differences of the energy; a turned cell has the same energy and turned forces."""
    rng = np.random.default_rng(0)
    at = CORNERS * 5.0
    bent = at + 0.05 * at * at[:, [1, 2, 0]] * 0.2 + rng.normal(size=(8, 3)) * 0.1
    none = np.array([[1.0, 0, 0, 0]])
    energy, force = one_cell(bent - at, none)
    slope = np.zeros((8, 3))
    for a in range(8):
        for i in range(3):
            step = np.zeros((8, 3))
            step[a, i] = 1e-4
            slope[a, i] = -(one_cell(bent - at + step, none)[0] - one_cell(bent - at - step, none)[0]) / 2e-4
    # forces leave out how the cell's own axes turn with its corners: a few hundredths in a cell bent this hard
    assert np.abs(force - slope).max() < 0.03 * np.abs(force).max()
    turn = Rotation.from_rotvec([0.4, -1.1, 0.7]).as_matrix()
    turned, turned_force = one_cell(bent @ turn.T - at, none)
    assert turned == pytest.approx(energy, rel=1e-9)
    assert np.allclose(turned_force @ turn, force, atol=1e-6 * np.abs(force).max())
    assert np.abs(force.sum(axis=0)).max() < 1e-9 * np.abs(force).max()


def bar(size, pitch, low):
    return lattice_of(lambda p: np.minimum(p, size - p).min(axis=1), np.array(low), size + pitch, pitch, 1.08e-6)


@pytest.mark.parametrize("stretch", [1.2, 2.0])
@pytest.mark.parametrize("offset", [0.0, 0.3])
def test_a_bar_pulled_follows_the_uniaxial_law(stretch, offset):
    """s = μ(λ − λ⁻²) of an incompressible neo-Hookean body, whatever place the bar has in the lattice, to 1 %."""
    size, pitch = np.array([60.0, 20.0, 20.0]), 10.0
    lattice = bar(size, pitch, [0.0, -offset * pitch, -offset * pitch])
    assert pulled(lattice, stretch, (0,)) / (size[1] * size[2]) == pytest.approx(MU * (stretch - stretch**-2), rel=0.01)


def test_a_sheet_pulled_both_ways_follows_the_equibiaxial_law():
    """s = μ(λ − λ⁻⁵), to 1 %."""
    size, pitch = np.array([40.0, 40.0, 10.0]), 10.0
    lattice = bar(size, pitch, [0.0, 0.0, -3.0])
    assert pulled(lattice, 1.7, (0, 1)) / (size[1] * size[2]) == pytest.approx(MU * (1.7 - 1.7**-5), rel=0.01)


def pulled(lattice: RubberLattice, stretch: float, ways: tuple[int, ...]) -> float:
    """Force on the far x side with the ends along `ways` drawn apart."""
    body = MovingRubber(lattice, RubberLaw(MU, 6.0), damping_per_s=60.0)
    at = lattice.positions_mm
    for now in np.linspace(1.0, stretch, 21)[1:]:
        for k in ways:
            ends = np.isin(at[:, k], [at[:, k].min(), at[:, k].max()])
            body.u_mm[ends, k] = (now - 1) * at[ends, k]
            body.held[ends, k] = True
        body.move(0.01)
    body.settle(0.5, 0.05)
    far = at[:, 0] == at[:, 0].max()
    return -float(body.forces(body.u_mm)[far, 0].sum())


@pytest.mark.parametrize(("pitch", "close"), [(10.0, 0.02), (6.0, 0.01)])
def test_a_thick_tube_opened_to_twice_its_bore_presses_as_it_should(pitch, close):
    """Plane strain: p = μ∫(λ² − λ⁻²)/r dr from a to b, with λ = r/√(r² − a² + A²)."""
    bore, outside = 30.0, 45.0

    def depth(p):
        r = np.hypot(p[:, 0], p[:, 1])
        return np.minimum(np.minimum(r - bore, outside - r), np.minimum(p[:, 2], pitch - p[:, 2]) + 1e-6 + pitch)

    low = np.array([-outside - 0.13 * pitch, -outside - 0.37 * pitch, 0.0])
    lattice = lattice_of(depth, low, np.array([outside + pitch, outside + pitch, pitch]), pitch, 1.08e-6)
    round_it = (np.arange(720) + 0.5) / 720 * 2 * np.pi
    skin = np.column_stack([bore * np.cos(round_it), bore * np.sin(round_it), np.full(720, pitch / 2)])
    steps = np.arange(-72.0, 73.0, 2.0)
    x, y, _ = np.meshgrid(steps, steps, np.arange(-2.0, pitch + 4, 2.0), indexing="ij")
    body = MovingRubber(
        lattice, RubberLaw(MU, 6.0), skin, np.full(720, 2 * np.pi * bore * pitch / 720), damping_per_s=40.0,
        contact_mpa_mm=1.0, heavier=100.0,
    )  # fmt: skip
    body.held[:, 2] = True
    for now in np.linspace(1.0, 2.0, 21)[1:]:
        body.cast = CastField(np.hypot(x, y) - now * bore, np.array([-72.0, -72.0, -2.0]), 2.0)
        body.move(0.03)
    body.move(0.4)
    push = body.touching_n()
    at = lattice.positions_mm + body.u_mm
    a = float(np.hypot(*(body.weights[:, :, None] * at[lattice.nodes[body.cell]]).sum(axis=1)[:, :2].T).mean())
    b = np.sqrt(outside**2 - bore**2 + a**2)
    exact = MU * integrate.quad(lambda r: (s := r / np.sqrt(r * r - a * a + bore * bore)) ** 2 / r - s**-2 / r, a, b)[0]
    assert a / bore == pytest.approx(2.0, abs=0.02)
    assert push / (2 * np.pi * a * pitch) == pytest.approx(exact, rel=close)


def stiffness(lattice: RubberLattice, bulk: float) -> sparse.csr_matrix:
    """Small-strain stiffness of the whole lattice, a column of every cell at a time."""
    count = len(lattice.nodes)
    apart = np.arange(8 * count, dtype=np.int32).reshape(count, 8)
    columns = []
    for k in range(24):
        u = np.zeros((8 * count, 3))
        u[k // 3 :: 8, k % 3] = 1e-4
        force = np.zeros_like(u)
        turn = np.tile([1.0, 0, 0, 0], (count, 1))
        cell_forces(
            u, apart, lattice.volume_mm3, lattice.middle_mm, lattice.eased_mm, lattice.moment_mm5, turn,
            lattice.pitch_mm, MU, bulk, 0.02, force,
        )  # fmt: skip
        columns.append(-force.reshape(count, 24) / 1e-4)
    own = np.stack(columns, axis=2)
    freedom = (3 * lattice.nodes[:, :, None] + np.arange(3)).reshape(count, 24)
    rows, cols = np.repeat(freedom, 24, axis=1).ravel(), np.tile(freedom, (1, 24)).ravel()
    n = 3 * len(lattice.positions_mm)
    return sparse.csr_matrix((own.ravel(), (rows, cols)), shape=(n, n))


def guided(pitch: float, degrees: float, offset: float, length: float, thick: float = 8.5) -> float:
    """Force over displacement of a strip one cell wide in plane strain, one end held, the other guided across."""
    bulk, turn = 20.0 * MU, np.radians(degrees)
    along, across = np.array([np.cos(turn), 0, np.sin(turn)]), np.array([-np.sin(turn), 0, np.cos(turn)])

    def depth(p):
        s, w = p @ along, p @ across - offset * pitch
        return np.minimum(thick / 2 - np.abs(w), np.minimum(s + 3 * pitch, length + 3 * pitch - s))

    ends = np.array([-3 * pitch * along, (length + 3 * pitch) * along])
    low, high = ends.min(axis=0) - thick - pitch, ends.max(axis=0) + thick + pitch
    low[1], high[1] = 0.0, pitch
    lattice = lattice_of(depth, low, high, pitch, 1.08e-6)
    matrix = stiffness(lattice, bulk)
    s = lattice.positions_mm @ along
    moved = np.zeros((len(s), 3))
    moved[s >= length] = across
    fixed = np.zeros((len(s), 3), bool)
    fixed[(s <= 0) | (s >= length)] = True
    fixed[:, 1] = True
    free = ~fixed.ravel()
    u = moved.ravel().copy()
    u[free] = linalg.spsolve(matrix[free][:, free].tocsc(), -(matrix @ u)[free])
    force = (matrix @ u).reshape(-1, 3)
    return float((force[s >= length] @ across).sum() / pitch)


@pytest.mark.parametrize("degrees", [0, 15, 30, 45])
def test_one_layer_of_cells_bends_as_stiffly_as_the_skin_in_it(degrees):
    """A skin of 8.5 mm in cells of 8 mm: bending stiffness from the compliances of two lengths, whose difference leaves
    out the ends and the shear: F = 12 E I δ / L³ with E = 4 μ (plane strain, incompressible). To 15 % in the mean of
    four places in the lattice, and each to 45 %. (A cube with eight points and one pressure gives 0.4 to 2.7 times.)"""
    exact = 4 * MU * 8.5**3 / 12
    found = []
    for offset in (0.0, 0.25, 0.5, 0.75):
        roots = [(12 / guided(8.0, degrees, offset, length)) ** (1 / 3) for length in (160.0, 320.0)]
        found.append((160.0 / (roots[1] - roots[0])) ** 3 / exact)
    assert np.mean(found) == pytest.approx(1.0, abs=0.15), found
    assert max(np.abs(np.array(found) - 1)) < 0.45, found


@pytest.mark.parametrize("degrees", [0, 30])
def test_a_guided_cantilever_gives_by_bending_and_shear(degrees):
    """8.5 mm skin, 100 mm long, in cells of 8 mm: δ/F = L³/(12 E I) + 1.2 L/(G t), E = 4 μ (plane strain); to 15 % at
    each of four places in the lattice."""
    compliance = 100.0**3 / (12 * 4 * MU * 8.5**3 / 12) + 1.2 * 100.0 / (MU * 8.5)
    found = [guided(8.0, degrees, offset, 100.0) * compliance for offset in (0.0, 0.25, 0.5, 0.75)]
    assert found == pytest.approx([1.0] * 4, abs=0.15)
