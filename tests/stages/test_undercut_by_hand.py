"""The locks' sums by hand: strain of a ring and of a tongue, depth under square overhangs, patches and their names."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from mouldloft.base.progress import SILENT
from mouldloft.geometry.depthmap import Grid
from mouldloft.geometry.freedom import ways_out
from mouldloft.geometry.overhang import overhang_depths, ring_stretch
from mouldloft.geometry.rays import ray_scene
from mouldloft.geometry.sampling import Samples
from mouldloft.stages.locks import _hanging_mm, _own_sine, _piece_locked_share, _quantile, _regions
from mouldloft.stages.master import skin_faces
from mouldloft.stages.undercut import _share_per_face, freedom_by_columns, where_on_piece
from trade_bodies import box, seam_of

BODY = box(400, 300, 1000)
CENTRES = BODY.vertices_mm[BODY.faces].mean(axis=1)
X = np.array([1.0, 0.0, 0.0])


@pytest.mark.parametrize(
    ("depth", "inscribed", "neck", "strain"),
    [
        (10.0, 60.0, 30.0, 0.2),  # the overhang's circle less the depth: a ring of 50
        (10.0, 60.0, 80.0, 0.125),  # a thicker neck is the ring
        (40.0, 50.0, 0.0, 4.0),  # under a ledge, which has no neck: nothing caps it
        (50.0, 50.0, 0.0, 1000.0),  # no ring thinner than a thousandth of the circle
        (0.5, 0.5, 0.0, 500.0),  # or of a millimetre
        (0.0, 40.0, 0.0, 0.0),
    ],
)
def test_strain_by_the_ring_rule(depth: float, inscribed: float, neck: float, strain: float) -> None:
    found = ring_stretch(*(np.array([v]) for v in (depth, inscribed, neck)))
    assert found == pytest.approx([strain])


def test_depth_under_square_overhangs_by_hand() -> None:
    # pixels of 2 mm; a square of 41 mm, one of 13 mm, and a low one that stands under the points alone
    grid = Grid(-60.0, -60.0, 2.0, 61, 61)
    x, y = np.meshgrid(grid.x(), grid.y())
    top = np.full((61, 61), -np.inf)
    top[(np.abs(x) <= 20) & (np.abs(y) <= 20)] = 100.0
    top[(np.abs(x - 40) <= 6) & (np.abs(y - 40) <= 6)] = 100.0
    top[(np.abs(x + 40) <= 10) & (np.abs(y + 40) <= 10)] = 55.0
    top[(x == 22) & (y == 22)] = 100.0  # touches the large square at its corner: one overhang with it
    top[(np.abs(x - 40) <= 4) & (np.abs(y + 40) <= 4)] = 51.5  # half a pixel over its point: no overhang
    points = np.array(
        [[0.0, 0, 50], [10, 0, 60], [20, 0, 60], [40, 40, 60], [-40, -40, 50], [-40, -40, 60], [0.0, -14, 70],
         [20, 20, 60], [-20, -20, 60], [22, 22, 60], [40, -40, 50]]
    )  # fmt: skip
    depth, inscribed = overhang_depths(points, top, grid, SILENT)
    # the way out is the square's edge, half a pixel past its last pixel
    assert depth == pytest.approx([21.0, 11.0, 1.0, 7.0, 11.0, 0.0, 7.0, 1.0, 1.0, 1.0, 0.0])
    assert inscribed == pytest.approx([21.0, 21.0, 21.0, 7.0, 11.0, 0.0, 21.0, 21.0, 21.0, 21.0, 0.0])
    empty = overhang_depths(np.zeros((0, 3)), top, grid, SILENT)
    assert [len(part) for part in empty] == [0, 0]


def test_the_lip_of_a_lock_is_read_level_by_level() -> None:
    # a step pyramid upside down: the higher, the further in; 200 points share 48 levels
    grid = Grid(-60.0, 0.0, 1.0, 3, 121)
    top = np.broadcast_to(200.0 - 2.0 * np.abs(grid.x()), (3, 121)).copy()
    z = np.linspace(101.0, 180.0, 200)
    points = np.column_stack([np.zeros(200), np.ones(200), z])
    depth, _ = overhang_depths(points, top, grid, SILENT)
    # rows beyond the map count as clear: two pixels are the most from the middle of three rows
    assert depth == pytest.approx(np.full(200, 1.5))
    tall = Grid(-60.0, -200.0, 1.0, 401, 121)
    top = np.broadcast_to(200.0 - 2.0 * np.abs(tall.x()), (401, 121)).copy()
    depth, _ = overhang_depths(points, top, tall, SILENT)
    assert depth == pytest.approx((200.0 - z) / 2, abs=1.2)  # a level is 1.65 mm, a pixel 1 mm


def test_a_quantile_by_area() -> None:
    values, weights = np.array([3.0, 100.0, 1.0, 2.0]), np.array([1.0, 0.01, 1.0, 1.0])
    assert _quantile(values, weights) == 3.0  # a sliver of a 300th of the area is not read
    assert _quantile(values, weights, 0.3) == 1.0
    assert _quantile(values, weights, 1.0) == 100.0
    assert _quantile(np.array([5.0]), np.array([2.0])) == 5.0


@pytest.mark.parametrize(
    ("point", "words"),
    [
        ((150.0, 0.0, 624.0), "left, 620 mm up"),
        ((-150.0, 0.0, 626.0), "right, 630 mm up"),
        ((0.0, 100.0, 3.0), "back, 0 mm up"),
        ((39.0, -29.0, 500.0), "middle, 500 mm up"),  # under a fifth of the half-width
        ((41.0, -31.0, 500.0), "left front, 500 mm up"),
        ((-41.0, 31.0, 500.0), "right back, 500 mm up"),
    ],
)
def test_places_are_named_by_side_and_height(point: tuple[float, float, float], words: str) -> None:
    side, height = where_on_piece(np.array(point), BODY).split(", ")
    assert (sorted(side.split()), height) == (sorted(words.split(", ")[0].split()), words.split(", ")[1])


def test_a_wall_upright_to_a_twentieth_of_a_degree_is_asked_both_ways() -> None:
    sine = np.sin(np.radians([-0.06, -0.04, 0.0, 0.04, 0.06, 90.0]))
    plus, minus = ways_out(sine)
    assert plus.tolist() == [False, True, True, True, True, True]
    assert minus.tolist() == [True, True, True, True, False, False]


def test_a_faces_share_is_the_mean_of_its_samples() -> None:
    samples = Samples(np.zeros((5, 3)), np.array([0, 0, 2, 2, 2], np.int32), np.ones(5))
    found = _share_per_face(np.array([True, False, True, True, False]), samples, 4)
    assert found == pytest.approx([0.5, 0.0, 2 / 3, 0.0])
    assert found.dtype == np.float32


def test_skin_is_all_but_an_open_base() -> None:
    assert skin_faces(BODY).sum() == 10
    assert skin_faces(replace(BODY, base="closed")).all()


# --- patches -------------------------------------------------------------------------------------------------


def test_patches_by_hand() -> None:
    """Left side (0.3 m²) and right side locked, and the lid, which is the left piece's and touches both."""
    seam = seam_of(faces=12)
    left, right, lid = (np.flatnonzero(BODY.normals @ np.array(n) > 0.99) for n in ((1, 0, 0), (-1, 0, 0), (0, 0, 1)))
    labels = np.zeros(12, np.int8)
    labels[right] = 1
    seam = replace(seam, labels=labels)
    share, depth, stretch, fill = (np.zeros(12) for _ in range(4))
    share[left], share[right] = 0.6, 1.0
    depth[left], depth[right] = (10.0, 30.0), 20.0
    stretch[left], stretch[right] = (0.1, 0.3), 0.2
    fill[left], fill[right] = (1e6, 2e6), 4e6
    first, second = _regions(BODY, seam, CENTRES, share, depth, stretch, fill, 1000.0)
    assert (first.name, first.piece, first.fill_mm3) == ("right, 500 mm up", 1, 8e6)
    assert (second.name, second.piece, second.fill_mm3) == ("left, 500 mm up", 0, 3e6)
    assert second.area_mm2 == pytest.approx(3e5)
    assert second.centre_mm == pytest.approx((200.0, 0.0, 500.0))
    assert second.height_mm == pytest.approx(500.0)
    assert (second.depth_mm, second.stretch) == (30.0, 0.3)
    assert sorted(second.faces) == sorted(left)
    assert second.faces.dtype == np.int32
    # half a face locked is none; equal fill ranks by stretch; patches under the least area are left out
    share[left] = 0.5
    assert [r.piece for r in _regions(BODY, seam, CENTRES, share, depth, stretch, fill, 1000.0)] == [1]
    share[left], fill[:] = 0.6, 0.0
    assert [r.piece for r in _regions(BODY, seam, CENTRES, share, depth, stretch, fill, 3e5)] == [0, 1]
    assert _regions(BODY, seam, CENTRES, share, depth, stretch, fill, 3.1e5) == ()
    # the lid joins the left side's patch, whose weights are its faces' areas
    share[lid], depth[lid], stretch[lid] = 1.0, 5.0, 0.0
    joined = _regions(BODY, seam, CENTRES, share, depth, stretch, fill, 3.1e5)[0]
    assert joined.area_mm2 == pytest.approx(4.2e5)
    assert joined.centre_mm == pytest.approx((200 * 3 / 4.2, 0.0, (500 * 3 + 1000 * 1.2) / 4.2))
    assert _regions(BODY, seam, CENTRES, np.zeros(12), depth, stretch, fill, 0.0) == ()


def test_rubber_hangs_from_an_overhang_to_the_next_wall_or_the_parting() -> None:
    scene = ray_scene(BODY.vertices_mm, BODY.faces)
    right = np.flatnonzero(BODY.normals @ X < -0.99)
    floor = np.array([-260.0, -150.0])
    # nothing stands outside the box: the parting surface, 60 mm on, or none where it lies the other way
    found = _hanging_mm(BODY, scene, CENTRES, right, X, floor)
    assert found == pytest.approx([60.0, 0.0], abs=1e-3)


def test_a_pieces_own_pull_decides() -> None:
    field = SimpleNamespace(direction=(1.0, 0.0, 0.0), free_plus=np.full(12, 0.25), free_minus=np.full(12, 0.75))
    scene = ray_scene(BODY.vertices_mm, BODY.faces)
    mine = BODY.normals[:, 1] > 0.99
    assert (_piece_locked_share(BODY, field, scene, CENTRES, mine, X) == 0.75).all()
    assert (_piece_locked_share(BODY, field, scene, CENTRES, mine, -X) == 0.25).all()
    back = _piece_locked_share(BODY, field, scene, CENTRES, mine, np.array([0.0, 1.0, 0.0]))
    assert (back[mine] == 0.0).all()
    assert (back[~mine] == 1.0).all()
    front = _piece_locked_share(BODY, field, scene, CENTRES, mine, np.array([0.0, -1.0, 0.0]))
    assert (front[mine] == 1.0).all()


def test_each_face_is_seen_along_its_own_pieces_pull() -> None:
    seam = seam_of(pull=(0.6, 0.0, 0.8), faces=12)
    labels = (BODY.normals[:, 0] < -0.5).astype(np.int8)
    found = _own_sine(BODY, replace(seam, labels=labels))
    by_hand = np.where(labels == 1, -1.0, 1.0) * (0.6 * BODY.normals[:, 0] + 0.8 * BODY.normals[:, 2])
    assert found == pytest.approx(by_hand)


def test_columns_tell_the_sides_of_a_box_apart() -> None:
    samples = Samples(CENTRES, np.arange(12, dtype=np.int32), BODY.face_areas_mm2)
    plus, minus = freedom_by_columns(BODY, samples, X, 2.0)
    along = BODY.normals @ X
    assert (plus == (along > -0.5)).all()
    assert (minus == (along < 0.5)).all()
