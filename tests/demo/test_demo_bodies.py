"""The demo figure, goat and beast: closed solids of one part, with their features where their numbers say."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
import trimesh
from meshes import as_manifold
from mouldloft.base.errors import BriefRefused
from mouldloft.demo import gallery
from mouldloft.demo.carving import LIMB, distance, drum, limb, table_of
from mouldloft.demo.gallery import BODIES, demo_body, inside_place, title_of_body, write_demo
from mouldloft.geometry.selfcrossings import find_self_crossings
from mouldloft.inputs.brief import read_brief

HEIGHTS_MM = {"figure": 1250.0, "goat": 1100.0, "beast": 1300.0}


@pytest.fixture(scope="module")
def bodies(carved_body):
    return {name: carved_body(name) for name in HEIGHTS_MM}


@pytest.mark.parametrize("name", HEIGHTS_MM)
def test_body_is_one_solid_of_the_wanted_count(bodies, name):
    vertices, faces = bodies[name].vertices_mm, bodies[name].faces
    assert len(faces) == pytest.approx(40_000, rel=0.03)
    assert find_self_crossings(vertices, faces).count == 0
    # reference library: manifold3d accepts only closed oriented manifolds
    solid = as_manifold(vertices, faces)
    assert solid.status() == manifold3d.Error.NoError
    assert solid.genus() == 0
    assert len(solid.decompose()) == 1
    assert solid.volume() > 0
    assert vertices[:, 2].min() == 0.0
    assert vertices[:, 2].max() == pytest.approx(HEIGHTS_MM[name], abs=1e-9)


def test_same_body_every_time(carved_body):
    one, again = carved_body("goat", 20_000), demo_body("goat", 20_000)
    assert np.array_equal(again.vertices_mm, one.vertices_mm)
    assert np.array_equal(again.faces, one.faces)


@pytest.mark.parametrize("name", BODIES)
def test_features_lie_on_the_skin(name, carved_body):
    mesh = carved_body(name)
    assert {"left eye", "right eye", "nose", "mouth"} <= {place.name for place in mesh.places}
    for place in mesh.places:
        within = inside_place(place, mesh.vertices_mm)
        assert within.any(), place.name
        side = {"l": 1, "r": -1}.get(place.name[0] if place.name.split()[0] in ("left", "right") else "", 0)
        assert side * place.centre_mm[0] >= 0, place.name


def test_feet_stand_apart(bodies):
    """Two soles under the figure, eight toes of hooves under the goat: counted as parts of the ground section."""
    for name, at_mm, least in (("figure", 30.0, 2), ("goat", 60.0, 4)):
        mesh = trimesh.Trimesh(bodies[name].vertices_mm, bodies[name].faces, process=False)
        section = mesh.section(plane_origin=[0, 0, at_mm], plane_normal=[0, 0, 1])
        assert len(section.discrete) >= least, name


def test_fingers_stand_apart(bodies):
    """A level cut through the raised hand meets at least three fingers apart from one another."""
    places = {place.name: place for place in bodies["figure"].places}
    mesh = trimesh.Trimesh(bodies["figure"].vertices_mm, bodies["figure"].faces, process=False)
    centre = np.array(places["left fingers"].centre_mm)
    rings = mesh.section(plane_origin=centre + [0, 0, 8.0], plane_normal=[0, 0, 1]).discrete
    near = [ring for ring in rings if np.linalg.norm(ring.mean(axis=0) - centre) < 70]
    assert len(near) >= 3


def test_flat_limb_is_an_oval_tube():
    """A limb of half thickness: its skin, where the section is an ellipse of half-axes 40 and 20."""
    row = table_of([limb((0, 0, 0), (0, 0, 100), 40, 40, flat=0.5)])[0]
    assert row[0] == LIMB
    for angle in np.linspace(0, 2 * np.pi, 9):
        assert distance(row, 40 * np.cos(angle), 20 * np.sin(angle), 50.0) == pytest.approx(0.0, abs=1e-9)
    # of first order: half a millimetre outside along the short axis
    assert distance(row, 0.0, 20.5, 50.0) == pytest.approx(0.5, abs=0.02)


def test_drum_has_flat_ends():
    row = table_of([drum((0, 0, 0), (50, 30, 20), ease_mm=4.0)])[0]
    assert distance(row, 0.0, 0.0, 20.0) == pytest.approx(0.0, abs=1e-9)
    assert distance(row, 50.0, 0.0, 0.0) == pytest.approx(0.0, abs=1e-9)
    assert distance(row, 0.0, 0.0, 25.0) == pytest.approx(5.0, abs=1e-9)


def test_unknown_body_and_count_are_refused():
    with pytest.raises(BriefRefused, match="choose one of hare, figure, goat, beast"):
        demo_body("centaur")
    with pytest.raises(BriefRefused, match="ask for 20000"):
        demo_body("goat", 19_999)


def test_written_body_has_its_own_brief(tmp_path, carved_body, monkeypatch):
    monkeypatch.setattr(gallery, "demo_body", lambda name, triangles, _: carved_body(name, triangles))
    stl, brief = write_demo(tmp_path, 20_000, body="goat")
    assert stl.name == "goat.stl"
    assert read_brief(brief).master.finished_height_mm == HEIGHTS_MM["goat"]
    assert read_brief(brief).piece.lower() == title_of_body("goat") == "horned goat"
