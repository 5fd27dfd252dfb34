"""What must hold for any body: the plan turns and moves with it, and more casts are never thinner.

The bodies are unions of three to five ellipsoids by manifold3d, drawn by hypothesis, the same on every machine.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import manifold3d
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mouldloft.brief import Brief, MasterBrief, OpeningBrief, RubberBrief, SeamBrief
from mouldloft.catalogue import read_catalogue
from mouldloft.master import Master, prepare_master
from mouldloft.pipeline import draw_seam, open_mould
from mouldloft.rubber import Rubber, brush_rubber, choose_thickness
from mouldloft.seam import Seam
from mouldloft.undercut import Locks

CATALOGUE = read_catalogue(None)
HEIGHT_MM, SKIN_MM, PIXEL_MM = 300.0, 8.0, 4.0
# two lattices that cover the same body agree to this: what is compared lies on turned or mirrored pixels
LATTICE = 0.04


def repeatable(examples: int) -> settings:
    checks = [HealthCheck.too_slow, HealthCheck.filter_too_much]
    return settings(max_examples=examples, derandomize=True, deadline=None, database=None, suppress_health_check=checks)


@st.composite
def bodies(draw) -> tuple[np.ndarray, np.ndarray]:
    """(n, 3) vertices and (m, 3) faces of some 1 to 3 thousand triangles, in one shell."""
    share = st.floats(0.35, 1.0)
    whole = manifold3d.Manifold()
    at = np.zeros(3)
    for _ in range(draw(st.integers(3, 5))):
        radii = [60.0 * draw(share), 60.0 * draw(share), 60.0 * draw(share)]
        whole += manifold3d.Manifold.sphere(1.0, 20).scale(radii).translate(at.tolist())
        way = np.array([draw(st.floats(-1, 1)), draw(st.floats(-1, 1)), draw(st.floats(0.3, 1))])
        at = at + 0.6 * min(radii) * way / np.linalg.norm(way)  # the next one reaches into this one
    mesh = whole.to_mesh64()
    return np.array(mesh.vert_properties)[:, :3].copy(), np.array(mesh.tri_verts).astype(np.int64)


@dataclass(frozen=True)
class Made:
    master: Master
    seam: Seam
    locks: Locks
    rubber: Rubber

    def figures(self) -> np.ndarray:
        """Volumes, areas and lengths that no turn, shift or mirror may change."""
        parts = np.array([part.total_mm3 for part in self.rubber.parts])
        own = [self.master.volume_mm3, self.master.area_mm2, self.seam.length_mm, parts.sum()]
        return np.array([*own, *np.sort(parts)])


def make(
    vertices, faces, pull=(1.0, 0.0, 0.0), scale: float = 1.0, skin_mm: float = SKIN_MM, pixel_mm: float = PIXEL_MM
) -> Made:
    """Seam by a plane across the pull and the glove, every length that is asked for scaled with the body."""
    brief = Brief(
        master=MasterBrief(finished_height_mm=HEIGHT_MM * scale, base="closed"),
        opening=OpeningBrief(direction=tuple(map(float, pull))),
        seam=SeamBrief(kind="plane"),
        rubber=RubberBrief(
            skin_thickness_mm=skin_mm * scale,
            edge_thickness_mm=12.0 * scale,
            edge_band_mm=30.0 * scale,
            flange_width_mm=30.0 * scale,
            flange_thickness_mm=10.0 * scale,
            pixel_mm=pixel_mm * scale,
        ),
    )
    master = prepare_master(vertices, faces, brief.master)
    opening, field = open_mould(master, brief)
    seam, locks = draw_seam(master, opening, field, brief, CATALOGUE)
    return Made(master, seam, locks, brush_rubber(master, seam, locks, brief))


def about_z(degrees: float) -> np.ndarray:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])


@repeatable(2)
@given(bodies(), st.floats(10, 350), st.tuples(*[st.floats(-1e4, 1e4)] * 3))
def test_turning_and_moving_the_master_turns_and_moves_the_plan(body, degrees, shift):
    vertices, faces = body
    turn = about_z(degrees)
    one = make(vertices, faces)
    two = make(vertices @ turn.T + shift, faces, turn @ (1.0, 0.0, 0.0))
    assert two.figures()[:2] == pytest.approx(one.figures()[:2], rel=1e-6)  # the body itself
    assert two.figures() == pytest.approx(one.figures(), rel=LATTICE)


@repeatable(200)
@given(st.floats(50, 20_000), st.integers(1, 500), st.integers(1, 500))
def test_more_casts_are_never_thinner(height_mm, casts, others):
    few, many = (choose_thickness(height_mm, n, RubberBrief()) for n in sorted((casts, others)))
    assert many.skin_mm >= few.skin_mm
    assert many.edge_mm >= few.edge_mm
    taller = choose_thickness(height_mm * 1.3, casts, RubberBrief())
    assert taller.skin_mm >= choose_thickness(height_mm, casts, RubberBrief()).skin_mm


def test_the_brief_given_is_the_brief_made():
    """The helper above asks what it says: a body of known volume comes out at its scale."""
    ball = manifold3d.Manifold.sphere(50.0, 64).to_mesh64()
    made = make(np.array(ball.vert_properties)[:, :3], np.array(ball.tri_verts).astype(np.int64), scale=2.0)
    assert made.master.height_mm == pytest.approx(600.0)
    assert made.rubber.skin_thickness_mm == 16.0
    assert replace(made.master).volume_mm3 == pytest.approx(4 / 3 * np.pi * 300.0**3, rel=0.01)
