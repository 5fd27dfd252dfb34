"""Names of places on the demo bodies, whose parts are known, and courses in words."""

from __future__ import annotations

import numpy as np
import pytest
from mouldloft.inputs.brief import MasterBrief
from mouldloft.outputs.courses import alone_words, course_words, crossing_words
from mouldloft.stages.master import prepare_master
from mouldloft.stages.places import name_places

KNOWN = {
    "hare": ("left ear", "right ear", "chest"),
    "figure": ("left leg", "right leg", "chest"),
    "goat": (
        "left horn", "right horn", "left foreleg", "right foreleg", "left hind leg",
        "right hind leg", "chest", "belly", "rump", "tail",
    ),
    "beast": ("chest",),
}  # fmt: skip


@pytest.mark.parametrize("body", KNOWN)
def test_known_parts_get_their_names(body, carved_body):
    mesh = carved_body(body)
    master = prepare_master(mesh.vertices_mm, mesh.faces, MasterBrief(finished_height_mm=mesh.vertices_mm[:, 2].max()))
    flat = mesh.vertices_mm[:, :2]
    shift = np.append((flat.min(axis=0) + flat.max(axis=0)) / 2, 0.0)
    places = name_places(master)
    assert places.known
    known = {place.name: np.array(place.centre_mm) - shift for place in mesh.places}
    for name in KNOWN[body]:
        on_skin = places.tree.data[places.tree.query(known[name])[1]]
        assert places.at(on_skin) == [name], name


def test_body_without_a_face_has_no_names():
    import trimesh

    ball = trimesh.creation.icosphere(4, 300)
    master = prepare_master(np.asarray(ball.vertices), np.asarray(ball.faces), MasterBrief(finished_height_mm=600))
    places = name_places(master)
    assert not places.known
    assert set(places.names) == {""}


def _line(*stations):
    """Names and points along a line: (name, samples, rise a sample)."""
    names, points, z = [], [], 0.0
    for name, count, rise in stations:
        for _ in range(count):
            names.append(name)
            points.append((0.0, 10.0 * len(points), z))
            z += rise
    return names, np.array(points)


def test_course_reads_as_a_person_says_it():
    names, points = _line(("chest", 40, 20.0), ("chin", 4, 1.0), ("face", 30, 20.0), ("between the ears", 10, 0.0),
                          ("spine", 60, -20.0))  # fmt: skip
    assert course_words(names, points) == "up the chest, under the chin, up the face, between the ears, down the spine"


def test_short_touches_are_left_out_but_the_face_is_said():
    names, points = _line(("chest", 100, 20.0), ("left side", 2, 0.0), ("chest", 100, 20.0), ("face", 3, 20.0))
    assert course_words(names, points) == "up the chest, up the face"


def test_what_crosses_and_what_stands_alone():
    assert crossing_words([]) == "It crosses no eye, nose or mouth."
    assert crossing_words([("nose", 38.0), ("mouth", 41.0)]) == "It crosses the nose (38 mm) and the mouth (41 mm)."
    assert alone_words([("round the left ear", 420.0, True)]).startswith(
        "Besides the longest line there is a loop of 0.42 m"
    )
    assert alone_words([]) == ""
