"""Two gloves under more jackets: a U whose slot two pulls across it would fill, and one along it does not."""

from __future__ import annotations

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
from seam_bodies import seam_of

PULLS = np.array([[1.0, 0, 0], [-1.0, 0, 0], [0, 1.0, 0], [0, -1.0, 0], [0, 0, 1.0], [0, 0, -1.0]])
WALL_MM = 4.0


def _shared(mesh, direction, hourly=38.0):
    master, seam = seam_of(mesh, direction, 0.0)
    scene, graph = ray_scene(master.vertices_mm, master.faces), face_graph(master.vertices_mm, master.faces)
    patches = gather_patches(master, graph, graph.length_mm)
    everything = np.arange(len(patches.area_mm2))
    terms = seam_terms(Brief(rates=RatesBrief(hourly_rate=hourly)))
    rule = choose_thickness(master.height_mm, 1, Brief().rubber)
    costs = np.stack([pull_costs(master, scene, patches, pull, terms.unit, everything) for pull in PULLS], axis=1)
    body = cells_of_master(master, scene, rule.skin_mm, 60.0, cells=40)
    pulls = np.array([piece.pull for piece in seam.pieces])
    two, _ = cells_of_pieces(
        body, labels_by_face(body, seam.labels), pulls, rule.skin_mm, WALL_MM, rule.flange_width_mm
    )
    of_two = float(two.fill_cells.sum()) * body.lattice.pitch_mm**3
    deep = deepest_fill_mm(fill_of_pieces(two), pulls, body.lattice.pitch_mm)
    made = share_jackets(body, graph, patches, seam, PULLS, costs, terms, rule, WALL_MM, (of_two, deep))
    return seam, of_two, made


@pytest.fixture(scope="module")
def slotted():
    """A U 300 mm wide and high, its slot 140 x 100 x 220 mm, in two gloves that meet at the slot's middle; where hands
    cost nothing, so that any jacket pays that saves rubber."""
    return _shared(_u(), (1.0, 0.0, 0.0), 0.0)


def _u():
    return trimesh.Trimesh(*meshes.u_shape(), process=False).subdivide_to_size(35.0)


def test_the_slot_is_taken_by_jackets_of_its_own(slotted):
    _, of_two, made = slotted
    assert made is not None
    assert 4 <= len(made.pieces) <= 6
    # rubber's skin stands in the slot whatever is done: what is left of 140 mm is what two pulls fill
    assert of_two > 0.5 * 140 * 100 * 220
    assert made.fill_mm3 < 0.2 * of_two
    assert made.comes_off
    # dear hands leave one half of the slot to rubber, for 70 mm of it are not deep
    fewer = _shared(_u(), (1.0, 0.0, 0.0))[-1]
    assert len(fewer.pieces) == 3
    assert made.fill_mm3 < fewer.fill_mm3 < 0.6 * of_two
    assert fewer.deepest_fill_mm < 80.0


def test_gloves_keep_their_seam(slotted):
    seam, _, made = slotted
    gloves = np.array([piece.glove for piece in made.pieces])
    names = np.array([piece.name for piece in seam.pieces])
    # every face's jacket lies on its own glove
    assert (gloves[made.labels] == names[seam.labels]).mean() > 0.97
    assert made.joint_mm > 0


def test_each_jacket_is_in_the_order(slotted):
    made = slotted[-1]
    assert sorted(made.order) == sorted(piece.name for piece in made.pieces)


def test_what_comes_out_of_two_gets_no_more():
    mesh = trimesh.creation.icosphere(subdivisions=3, radius=120.0)
    assert _shared(mesh, (1.0, 0.0, 0.0))[-1] is None
