"""Eyes, noses and mouths are found where the demo bodies have them, and nowhere on a body without a face."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import seam_bodies as bodies
import trimesh
from lettered import RADIUS_MM, UP_MM, lettered_post, letters
from mouldloft.inputs.brief import MasterBrief
from mouldloft.outputs.words import face_crossings
from mouldloft.stages.master import prepare_master
from mouldloft.stages.seam.features import find_features, weights_of


def _master(mesh):
    return prepare_master(mesh.vertices_mm, mesh.faces, MasterBrief(finished_height_mm=mesh.vertices_mm[:, 2].max()))


def _in_plan(mesh, place):
    """The place where the plan's own centring puts it."""
    flat = mesh.vertices_mm[:, :2]
    middle = (flat.min(axis=0) + flat.max(axis=0)) / 2
    return np.array(place.centre_mm) - [middle[0], middle[1], 0.0]


@pytest.fixture(scope="module", params=["hare", "figure", "goat", "beast"])
def found(request, carved_body):
    mesh = carved_body(request.param)
    master = _master(mesh)
    return request.param, mesh, master, find_features(master)


def test_known_features_lie_in_their_regions(found):
    name, mesh, _, proposal = found
    regions = {region.name: region for region in proposal.regions}
    for place in mesh.places:
        if place.kind in ("eye", "nose", "mouth"):
            region = regions[place.name]
            off = np.linalg.norm(np.array(region.centre_mm) - _in_plan(mesh, place))
            assert off < region.radius_mm, (name, place.name)
            assert region.radius_mm < 4.0 * place.radius_mm  # and the region is not the whole head


def test_weights_cover_the_features_and_little_else(found):
    _, mesh, master, proposal = found
    for place in mesh.places:
        if place.kind == "eye":
            near = np.linalg.norm(master.vertices_mm - _in_plan(mesh, place), axis=1) < 0.5 * place.radius_mm
            assert proposal.weights[near].mean() > 0.4
    assert (proposal.weights > 0).mean() < 0.25  # of the vertices; small parts have more of them
    assert proposal.weights.min() >= 0.0
    assert proposal.weights.max() <= 1.0


def test_face_looks_to_the_front(found):
    _, _, _, proposal = found
    assert proposal.facing is not None
    assert proposal.facing[1] < -0.8


def test_raised_and_hanging_hands_are_found(found):
    name, mesh, _, proposal = found
    regions = [r for r in proposal.regions if r.kind == "fingers"]
    for place in mesh.places:
        if name == "figure" and place.kind == "fingers":
            assert any(np.linalg.norm(np.array(r.centre_mm) - _in_plan(mesh, place)) < 50 for r in regions), place.name


@pytest.mark.parametrize(
    "body",
    [
        trimesh.creation.icosphere(5, 500),
        trimesh.creation.capsule(800, 150, count=[64, 64]),
        trimesh.creation.torus(400, 120, 96, 48),
        trimesh.creation.box((300, 400, 900)).subdivide().subdivide().subdivide(),
    ],
    ids=["ball", "capsule", "ring", "box"],
)
def test_plain_bodies_have_no_face(body):
    master = prepare_master(np.asarray(body.vertices), np.asarray(body.faces), MasterBrief(finished_height_mm=1000))
    proposal = find_features(master)
    assert proposal.regions == ()
    assert proposal.facing is None
    assert not proposal.weights.any()


def test_weights_fall_from_one_to_nothing():
    from mouldloft.stages.seam.features import Feature

    region = Feature("left eye", "eye", (0.0, 0.0, 0.0), 10.0, 1.0)
    points = np.array([[0, 0, 0], [10, 0, 0], [12.5, 0, 0], [15, 0, 0], [40, 0, 0]], float)
    assert weights_of(points, [region]) == pytest.approx([1.0, 1.0, 0.5, 0.0, 0.0])


@pytest.fixture(scope="module", params=[False, True], ids=["raised", "cut"])
def lettered(request):
    return lettered_post(cut=request.param)


def test_lettering_is_found_where_it_stands(lettered):
    """Known by construction: a row 40 mm high, as wide as its outlines, round the front of a post at 500 mm."""
    proposal = find_features(bodies.as_master(lettered))
    (row,) = [region for region in proposal.regions if region.kind == "lettering"]
    assert proposal.facing is None  # and no face beside it
    assert row.name in ("lettering 500 mm up", "lettering 505 mm up", "lettering 495 mm up")
    assert 20.0 < row.radius_mm < 40.0
    left, _, right, _ = letters("TREFF 27", 40.0).bounds
    wide = right - left
    turn = np.linspace(-wide, wide, 41) / 2 / RADIUS_MM
    along = np.stack([RADIUS_MM * np.sin(turn), -RADIUS_MM * np.cos(turn), np.full(41, UP_MM)], axis=1)
    assert (weights_of(along, [row]) > 0.4).mean() > 0.9
    away = np.stack([along[:, 0], along[:, 1], along[:, 2] + 120.0], axis=1)
    assert not weights_of(away, [row]).any()


@pytest.mark.parametrize("cut", [False, True], ids=["raised", "cut"])
def test_the_seam_goes_round_lettering(cut):
    """Pulled to the sides, a plain seam runs up the middle of the front, through the letters."""
    crossed = []
    mesh = lettered_post("TREFF", 28.0, 4.0, cut)
    for asked in (bodies.FREE, replace(bodies.FREE, find_features=True)):
        master, seam = bodies.seam_of(mesh, (1, 0, 0), None, asked, "open", terms=bodies.SIX)
        crossed.append(sum(length for _, length in face_crossings(master, seam.lines)))
    assert crossed[0] > 15.0
    assert crossed[1] < 1.0


def test_carved_bodies_have_no_lettering(found):
    _, _, _, proposal = found
    assert not [region for region in proposal.regions if region.kind == "lettering"]
