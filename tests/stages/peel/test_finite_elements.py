"""Contact of the lattice's rubber with a rigid body, against quadratic finite elements assembled by scikit-fem."""

from __future__ import annotations

import numpy as np
import pytest
from mouldloft.stages.peel.body import CastField, MovingRubber, law_of
from mouldloft.stages.peel.lattice import lattice_of
from scipy.sparse import linalg

skfem = pytest.importorskip("skfem")

BAR, THICK, DOWN_TO = 30.0, 10.0, np.radians(130.0)  # a clip over a round bar, past its middle, mm
# the reference hardly gives in volume: what rubber does, whatever bulk modulus the lattice is run with
LAW, FIRM = law_of(0.6, 1.08e-6), law_of(0.6, 1.08e-6, 200.0)
DRAWN = np.array([3.0, 6.0, 9.0, 12.0])


def by_finite_elements(drawn: np.ndarray, fine: int = 1) -> np.ndarray:
    """Force a mm of width on half a clip whose crown is drawn off the bar, in plane strain and with no friction."""
    from skfem.helpers import grad

    square = skfem.MeshQuad.init_tensor(np.linspace(0, 1, 22 * fine + 1), np.linspace(0, 1, 3 * fine + 1))
    turn, out = square.p[0] * DOWN_TO, BAR + square.p[1] * THICK
    mesh = skfem.MeshQuad(np.array([out * np.sin(turn), out * np.cos(turn)]), square.t)
    element = skfem.ElementVector(skfem.ElementQuad2())
    basis = skfem.Basis(mesh, element, intorder=5)
    inside = mesh.facets_satisfying(lambda x: np.hypot(*x) < BAR + 0.05 * THICK / fine, boundaries_only=True)
    skin = skfem.FacetBasis(mesh, element, facets=inside, intorder=5)
    crown = basis.get_dofs(mesh.facets_satisfying(lambda x: np.abs(x[0]) < 1e-6, boundaries_only=True))
    mu, bulk, stiff = FIRM.shear_mpa, FIRM.bulk_mpa, 1.0

    def rubber(gradient):
        f = gradient + np.eye(2)[:, :, None, None]
        cof = np.array([[f[1, 1], -f[1, 0]], [-f[0, 1], f[0, 0]]])
        return f, cof, f[0, 0] * f[1, 1] - f[0, 1] * f[1, 0]

    def dot(a, b):
        return (a * b).sum(axis=tuple(range(a.ndim - 2)))

    @skfem.BilinearForm
    def slope(u, v, w):
        _, cof, j = rubber(grad(w["moved"]))
        du, dv = grad(u), grad(v)
        cof_du = np.array([[du[1, 1], -du[1, 0]], [-du[0, 1], du[0, 0]]])
        return mu * dot(du, dv) + bulk * dot(cof, du) * dot(cof, dv) + (bulk * (j - 1) - mu) * dot(cof_du, dv)

    @skfem.LinearForm
    def inner(v, w):
        f, cof, j = rubber(grad(w["moved"]))
        return dot(mu * f + (bulk * (j - 1) - mu) * cof, grad(v))

    def pressed(w):
        at = w.x + w["moved"]
        away = np.hypot(*at)
        return at / away, np.minimum(away - np.minimum(np.hypot(*w.x), BAR), 0.0), away

    @skfem.BilinearForm
    def contact_slope(u, v, w):
        n, gap, away = pressed(w)
        un, vn = dot(n, u), dot(n, v)
        return stiff * ((gap < 0) * un * vn + gap / away * (dot(u, v) - un * vn))

    @skfem.LinearForm
    def contact(v, w):
        n, gap, _ = pressed(w)
        return stiff * gap * dot(n, v)

    free, up = basis.complement_dofs(crown), crown.all(["u^2"])

    def unbalanced(u):
        moved, touching = basis.interpolate(u), skin.interpolate(u)
        return inner.assemble(basis, moved=moved) + contact.assemble(skin, moved=touching)

    def at_rest(u):
        left = unbalanced(u)
        size = np.linalg.norm(left[free])
        for _ in range(80):
            if size < 1e-7:
                return left
            moved, touching = basis.interpolate(u), skin.interpolate(u)
            matrix = slope.assemble(basis, moved=moved) + contact_slope.assemble(skin, moved=touching)
            step = linalg.spsolve(matrix[free][:, free].tocsc(), -left[free])
            for share in 0.5 ** np.arange(6):  # what touches changes within a step: the longest that gets nearer
                tried = u.copy()
                tried[free] += share * step
                left = unbalanced(tried)
                if np.linalg.norm(left[free]) < size:
                    break
            size = np.linalg.norm(left[free])
            u[:] = tried
        raise AssertionError("no rest")

    u, found = basis.zeros(), [(0.0, 0.0)]
    for way in np.arange(1.0, drawn[-1] + 0.1):
        u[up] = way
        found.append((way, at_rest(u)[up].sum()))
    return np.interp(drawn, *np.array(found).T)


def by_lattice(drawn: np.ndarray, pitch: float, offset: float = 0.3) -> np.ndarray:
    """The same with one layer of cells, its crown's section on a plane of nodes."""

    def depth(p):
        r, turn = np.hypot(p[:, 0], p[:, 2]), np.arctan2(p[:, 0], p[:, 2])
        end = p[:, 0] * np.cos(DOWN_TO) - p[:, 2] * np.sin(DOWN_TO)
        return np.minimum(np.minimum(r - BAR, BAR + THICK - r), np.where(turn > np.pi / 2, -end, THICK))

    reach = BAR + THICK
    low = np.array([0.0, 0.0, -reach - offset * pitch])
    lattice = lattice_of(depth, low, np.array([reach, pitch, reach]), pitch, 1.08e-6)
    count = 400
    turn = (np.arange(count) + 0.5) / count * DOWN_TO
    skin = np.column_stack([BAR * np.sin(turn), np.full(count, pitch / 2), BAR * np.cos(turn)])
    side, high = np.arange(-4.0, 80.0), np.arange(-60.0, 80.0)
    x, _, z = np.meshgrid(side, np.arange(-2.0, pitch + 4), high, indexing="ij")
    cast = CastField(np.hypot(x, z) - BAR, np.array([side[0], -2.0, high[0]]), 1.0)
    area = np.full(count, BAR * DOWN_TO * pitch / count)
    body = MovingRubber(lattice, LAW, skin, area, cast, 1.0, damping_per_s=60.0)
    at = lattice.positions_mm
    crown = at[:, 0] < 1e-6
    body.held[:, 1] = True
    body.held[crown] = True
    found = []
    for way in np.arange(0.5, drawn[-1] + 0.1, 0.5):
        body.u_mm[crown, 2] = way
        body.move(0.03)
        if np.isclose(drawn, way).any():
            body.move(0.5)
            found.append(-body.forces(body.u_mm)[crown, 2].sum() / pitch)
    return np.array(found)


def test_a_clip_drawn_off_a_round_bar_pulls_as_by_finite_elements():
    """At every way drawn, past the greatest force, to 5 % of that force. Cells of 3 mm in 10 mm of rubber. With
    cells as coarse as a plan's, over a bar as thin as this, it is too high: 5 to 18 % at 8 mm, up to 58 % at 13."""
    exact = by_finite_elements(DRAWN)
    assert 0 < exact.argmax() < len(exact) - 1
    assert by_lattice(DRAWN, 3.0, 0.25) == pytest.approx(exact, abs=0.05 * exact.max())
