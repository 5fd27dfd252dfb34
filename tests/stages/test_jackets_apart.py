"""Two gloves under more jackets: a U whose slot two pulls across it would fill, and one along it does not."""

from __future__ import annotations

import manifold3d
import meshes
import numpy as np
import pytest
import trimesh
from mouldloft.geometry.facegraph import face_graph
from mouldloft.geometry.rays import ray_scene
from mouldloft.inputs.brief import Brief, RatesBrief
from mouldloft.stages.division.fills import deepest_fill_mm, fill_of_pieces
from mouldloft.stages.division.jackets import share_jackets
from mouldloft.stages.division.lattice import cells_of_master, cells_of_pieces, labels_by_face
from mouldloft.stages.division.sharing import gather_patches, pull_costs
from mouldloft.trade.seamterms import seam_terms
from mouldloft.trade.thickness import choose_thickness
from seam_bodies import PLANE, seam_of

PULLS = np.array([[1.0, 0, 0], [-1.0, 0, 0], [0, 1.0, 0], [0, -1.0, 0], [0, 0, 1.0], [0, 0, -1.0]])
WALL_MM = 4.0
BELL = [(0, -200), (60, -190), (90, -140), (60, -90), (30, -60), (30, 60), (60, 90), (90, 140), (60, 190), (0, 200)]


def _shared(mesh, direction, hourly=38.0, pulls=PULLS, offset_mm=0.0):
    master, seam = seam_of(mesh, direction, offset_mm, PLANE)
    scene, graph = ray_scene(master.vertices_mm, master.faces), face_graph(master.vertices_mm, master.faces)
    patches = gather_patches(master, graph, graph.length_mm)
    everything = np.arange(len(patches.area_mm2))
    terms = seam_terms(Brief(rates=RatesBrief(hourly_rate=hourly)))
    rule = choose_thickness(master.height_mm, 1, Brief().rubber)
    costs = np.stack([pull_costs(master, scene, patches, pull, terms.unit, everything) for pull in pulls], axis=1)
    body = cells_of_master(master, scene, rule.skin_mm, 60.0, cells=40)
    ways = np.array([piece.pull for piece in seam.pieces])
    two, _ = cells_of_pieces(body, labels_by_face(body, seam.labels), ways, rule.skin_mm, WALL_MM, rule.flange_width_mm)
    of_two = float(two.fill_cells.sum()) * body.lattice.pitch_mm**3
    deep = deepest_fill_mm(fill_of_pieces(two), ways, body.lattice.pitch_mm)
    made = share_jackets(body, graph, patches, seam, pulls, costs, terms, rule, WALL_MM, (of_two, deep))
    return seam, of_two, made


@pytest.fixture(scope="module")
def slotted():
    """A U 300 mm wide and high, its slot 140 x 100 x 220 mm, in two gloves that meet 10 mm off the slot's middle, so
    that the fill behind one of them is deep; where hands cost nothing, so that any jacket pays that saves rubber."""
    return _shared(_u(), (1.0, 0.0, 0.0), 0.0, offset_mm=10.0)


def _u():
    return trimesh.Trimesh(*meshes.u_shape(), process=False).subdivide_to_size(35.0)


def test_the_slot_is_taken_by_jackets_of_its_own(slotted):
    _, of_two, made = slotted
    assert made is not None
    assert 4 <= len(made.shells) <= 6
    # rubber's skin stands in the slot whatever is done: what is left of 140 mm is what two pulls fill
    assert of_two > 0.5 * 140 * 100 * 220
    assert made.fill_mm3 < 0.2 * of_two
    assert made.comes_off
    # dear hands leave one half of the slot to rubber, for 70 mm of it are not deep
    fewer = _shared(_u(), (1.0, 0.0, 0.0), offset_mm=10.0)[-1]
    assert len(fewer.shells) == 3
    assert made.fill_mm3 < fewer.fill_mm3 < 0.6 * of_two
    assert fewer.deepest_fill_mm < 80.0


def test_gloves_keep_their_seam(slotted):
    seam, _, made = slotted
    gloves = np.array([piece.glove for piece in made.shells])
    names = np.array([piece.name for piece in seam.pieces])
    # every face's jacket lies on its own glove
    assert (gloves[made.labels] == names[seam.labels]).mean() > 0.97
    assert made.joint_mm > 0


def test_each_jacket_is_in_the_order(slotted):
    made = slotted[-1]
    assert sorted(made.order) == sorted(piece.name for piece in made.shells)


AXES = np.array([[1.0, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]) / np.sqrt(3.0)  # of a tetrahedron


def _four_arms(tip_mm: float):
    """A ball with four arms along a tetrahedron's axes, 20 mm thick, their ends flared to so much over 15 mm."""
    body = manifold3d.Manifold.sphere(60.0, 32)
    for axis in AXES:
        arm = manifold3d.Manifold.cylinder(220.0, 20.0, 20.0, 24)
        arm += manifold3d.Manifold.cylinder(15.0, 20.0, tip_mm, 24).translate([0, 0, 205.0])
        turn = trimesh.geometry.align_vectors([0, 0, 1], axis)[:3]
        body += arm.transform(turn.tolist())
    return trimesh.Trimesh(*meshes._arrays(body.refine_to_length(40.0)), process=False)


def _least_gap_mm3(mesh) -> float:
    """Of 24 directions, the least that lies between skin and skin along one, by trimesh's rays: two pieces pulled that
    way fill all of it, wherever they part."""
    turn, rise = 2.399963 * np.arange(24), (np.arange(24) + 0.5) / 24  # spread by the golden angle
    level = np.sqrt(1 - rise**2)
    ways = np.column_stack([level * np.cos(turn), level * np.sin(turn), rise])
    across = np.stack(np.meshgrid(np.arange(-270, 271, 15.0), np.arange(-270, 271, 15.0)), axis=-1).reshape(-1, 2)
    least = np.inf
    for way in ways:
        frame = trimesh.geometry.align_vectors([0, 0, 1], way)[:3, :3]
        starts = np.column_stack([across, np.full(len(across), -400.0)]) @ frame.T
        spots, rays, _ = mesh.ray.intersects_location(starts, np.tile(way, (len(starts), 1)))
        along = np.sort(spots @ way + 2000.0 * rays) - 2000.0 * np.sort(rays)  # by ray, then along it
        rays = np.sort(rays)
        starts_at = np.flatnonzero(np.diff(rays, prepend=-1))
        nth = np.arange(len(rays)) - np.repeat(starts_at, np.diff(np.append(starts_at, len(rays))))
        out = np.flatnonzero((nth[1:] % 2 == 0) & (rays[1:] == rays[:-1]))  # back in again: a gap lies before
        least = min(least, float((along[out + 1] - along[out]).sum()) * 15.0**2)
    return least


def test_four_flared_arms_along_a_tetrahedrons_axes_have_no_straight_two():
    """Known answer: behind each flare runs a groove all round its arm, and no direction looks past all four. Straight
    arms, seen across two of them, hide next to nothing."""
    flared = _four_arms(75.0)
    assert _least_gap_mm3(flared) > 3.0 * _least_gap_mm3(_four_arms(20.0))
    _, of_two, made = _shared(flared, tuple(AXES[0]), 0.0, np.concatenate([AXES, -AXES]))
    assert made is not None
    assert len(made.shells) > 2
    assert made.fill_mm3 < 0.9 * of_two


@pytest.mark.parametrize(
    ("mesh", "direction"),
    [
        (trimesh.creation.icosphere(subdivisions=3, radius=120.0), (1.0, 0.0, 0.0)),
        (trimesh.creation.torus(120.0, 45.0, major_sections=32, minor_sections=16), (0.0, 0.0, 1.0)),
        (trimesh.creation.revolve(BELL, sections=32), (1.0, 0.0, 0.0)),
    ],
    ids=["ball", "torus", "dumb-bell"],
)
def test_what_comes_out_of_two_gets_no_more(mesh, direction):
    """Not even where hands cost nothing."""
    assert _shared(mesh, direction, 0.0)[-1] is None
