"""Ribs as solids: on flats and balls by their own formulas, closed and outward by two libraries, and on the hare."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import manifold3d as m3
import numpy as np
import pytest
import trimesh
from mouldloft.inputs.brief import Brief, JacketBrief
from mouldloft.solids.ribs import rib_solids, ribs_of
from mouldloft.stages.jacket.layup import lay_up_jacket
from mouldloft.stages.jacket.record import Rib, Zone
from mouldloft.stages.jacket.shell import rib_cover_mm2
from mouldloft.stages.keys.place import shape_key
from mouldloft.stages.keys.record import Keys
from mouldloft.trade.laminate import lay_up, mat_g_m2_from_oz
from scipy.spatial import cKDTree
from synthetic_gloves import box, dome, rubber_of

NO_KEYS = Keys((), ())
EDGE = lay_up(mat_g_m2_from_oz(6), 0.30)
R = 400.0
TOP = 150.0


def with_ribs(envelope, *ribs, keys=NO_KEYS):
    """The piece's solids with these ribs on it, its field one laminate."""
    rubber = rubber_of(envelope)
    even = replace(Brief(), jacket=JacketBrief(edge_extra_oz=0.0, leaning_load_n=0.0))
    (piece,) = lay_up_jacket(rubber, NO_KEYS, even).pieces
    zone = Zone("ribs", 1.0, EDGE.glass_g_m2, 6.0, EDGE.layers, EDGE.thickness_mm, 1.0, 1.0)
    piece = replace(piece, ribs=ribs, zones=(*piece.zones, zone))
    return ribs_of(piece, envelope, keys, rubber), piece.zones[0].thickness_mm


def rib(start, end, height=30.0):
    return Rib(start, end, height, 40.0, EDGE.layers)


def manifold(solid):
    return m3.Manifold(m3.Mesh64(solid.vertices_mm, solid.faces.astype(np.uint64)))


def assert_closed(solid):
    made = manifold(solid)
    assert made.status() == m3.Error.NoError
    mesh = trimesh.Trimesh(solid.vertices_mm, solid.faces, process=False)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.volume == pytest.approx(solid.volume_mm3, rel=1e-6)
    assert mesh.volume > 0, "outward"


FLAT = rib((-200.0, 0.0, TOP), (200.0, 0.0, TOP))


def test_a_rib_on_a_flat_by_its_section():
    (core, glass), laid = with_ribs(box(700, 500, TOP, pixel_mm=4.0), FLAT)
    assert (core.kind, glass.kind) == ("rib core", "rib glass")
    for solid in (core, glass):
        assert_closed(solid)
    assert core.volume_mm3 == pytest.approx(400 * 40 * 30, rel=1e-3)
    low, high = core.vertices_mm.min(axis=0), core.vertices_mm.max(axis=0)
    assert low == pytest.approx((-200, -20, TOP + laid), abs=0.05)
    assert high == pytest.approx((200, 20, TOP + laid + 30), abs=0.05)
    # glass: a box of crown, sides and ends round the core, and 50 mm of lap round that, both t thick
    t = EDGE.thickness_mm
    over = (400 + 2 * t) * (40 + 2 * t)
    by_hand = over * (30 + t) - 400 * 40 * 30 + (500 * 140 - over) * t
    assert glass.volume_mm3 == pytest.approx(by_hand, rel=2e-3)
    assert glass.vertices_mm.min(axis=0) == pytest.approx((-250, -70, TOP + laid), abs=0.05)
    assert glass.vertices_mm.max(axis=0) == pytest.approx((250, 70, TOP + laid + 30 + t), abs=0.05)
    # which is what is weighed and bought: its area at the core's outside, corners left out
    assert rib_cover_mm2(FLAT) == pytest.approx(400 * 40 + 2 * 30 * 440 + 500 * 140 - 400 * 40)
    assert glass.volume_mm3 == pytest.approx(rib_cover_mm2(FLAT) * t, rel=0.05)


def test_the_core_lies_under_its_glass():
    (core, glass), _ = with_ribs(box(700, 500, TOP, pixel_mm=4.0), FLAT)
    assert (manifold(core) ^ manifold(glass)).volume() < 1e-3 * core.volume_mm3
    whole = manifold(core) + manifold(glass)
    assert len(whole.decompose()) == 1
    assert whole.volume() == pytest.approx(core.volume_mm3 + glass.volume_mm3, rel=1e-6)


@pytest.mark.parametrize("pull", [(0.0, 0.0, 1.0), (1.0, 0.0, 0.0)])
def test_a_rib_on_a_ball_follows_it(pull):
    envelope = dome(R, pull=pull, pixel_mm=4.0)
    lean = np.radians(40.0)  # off the pull: on the ball's side
    ends = []
    for turn in (-0.4, 0.4):
        at = R * np.array([np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), np.cos(lean)])
        ends.append(tuple(envelope.frame.to_master(at[None])[0]))
    (core, glass), laid = with_ribs(envelope, rib(*ends))
    for solid in (core, glass):
        assert_closed(solid)
        # nothing of it is in the jacket, and its underside touches it: radii of a ball
        radius = np.linalg.norm(solid.vertices_mm, axis=1)
        assert radius.min() == pytest.approx(R + laid, abs=0.4)
    length = float(np.linalg.norm(np.subtract(*ends)))
    assert core.volume_mm3 == pytest.approx(length * 40 * 30, rel=0.02)
    # its crown is 30 mm over the ball along its middle
    out = np.linalg.norm(core.vertices_mm, axis=1)
    assert np.quantile(out, 0.99) == pytest.approx(R + laid + 30, abs=2.0)


def test_a_key_stands_into_the_core():
    envelope = box(700, 500, TOP, pixel_mm=2.0)
    key = shape_key("U1", 0, "middle", (0.0, 0.0, TOP), Brief().keys)
    plain, _ = with_ribs(envelope, FLAT)
    keyed, laid = with_ribs(envelope, FLAT, keys=Keys((key,), ()))
    assert_closed(keyed[0])
    assert_closed(keyed[1])
    # the key, with laminate on it, is as wide as the core: its cone from foot to top, a laminate wider and higher
    lost = plain[0].volume_mm3 - keyed[0].volume_mm3
    assert key.volume_mm3 < lost < key.volume_mm3 * (1 + 2 * laid / 40) * (1 + laid / 12)
    assert keyed[0].vertices_mm[:, 2].max() == pytest.approx(TOP + laid + 30, abs=0.05), "its crown runs on over it"
    bump = np.linalg.norm(keyed[0].vertices_mm[:, :2], axis=1) < key.top_diameter_mm / 2 - 1
    assert keyed[0].vertices_mm[bump, 2].min() == pytest.approx(TOP + key.height_mm + laid, abs=0.15)


def test_crossing_ribs_share_no_room():
    envelope = box(700, 500, TOP, pixel_mm=4.0)
    across = rib((0.0, -150.0, TOP), (0.0, 150.0, TOP))
    (one, other, glass), _ = with_ribs(envelope, FLAT, across)
    for solid in (one, other, glass):
        assert_closed(solid)
    assert one.volume_mm3 == pytest.approx(400 * 40 * 30, rel=1e-3)
    assert other.volume_mm3 == pytest.approx((300 - 40) * 40 * 30, rel=1e-3), "cut at the first"
    for a, b in ((one, other), (one, glass), (other, glass)):
        assert (manifold(a) ^ manifold(b)).volume() < 1.0


def test_near_an_edge_the_lap_ends_with_the_shell():
    # the rib's end 20 mm from where the top falls off steeply: its lap goes no more than a little way beyond
    envelope = box(700, 500, TOP, draft_deg=3.0, pixel_mm=2.0)
    near = rib((100.0, 0.0, TOP), (330.0, 0.0, TOP))
    (core, glass), _ = with_ribs(envelope, near)
    for solid in (core, glass):
        assert_closed(solid)
    assert core.volume_mm3 == pytest.approx(230 * 40 * 30, rel=0.01)
    assert glass.vertices_mm[:, 2].min() < TOP - 10, "the lap is turned down over the edge"


def test_no_ribs_no_solids():
    assert with_ribs(box(700, 500, TOP, pixel_mm=4.0))[0] == []


def test_ribs_on_the_hare_lie_on_its_jacket(small_plan, small_solids):
    # two ribs on its flank, where it is roundest and keys stand, against the jacket's own solid
    piece, envelope = small_plan.jacket.pieces[0], small_plan.rubber.envelopes[0]
    jacket = next(s for s in small_solids if s.name == f"jacket, {piece.name}")
    points = jacket.vertices_mm
    level = points[np.abs(points[:, 2] - 300.0) < 10.0]
    middle = level[level[:, 0].argmax()]
    ends = [points[cKDTree(points).query(middle + off)[1]] for off in ([0, -150, 0], [0, 150, 0])]
    edge = piece.zones[2]
    made = replace(
        piece, ribs=(Rib(*(tuple(map(float, e)) for e in ends), 40.0, 40.0, edge.layers),),
        zones=(*piece.zones, replace(edge, name="ribs")),
    )  # fmt: skip
    shells = replace(small_plan.jacket, pieces=(made, *small_plan.jacket.pieces[1:]))
    view = SimpleNamespace(jacket=shells, rubber=small_plan.rubber, keys=small_plan.keys)
    core, glass = rib_solids(view)
    shell = manifold(jacket)
    for solid in (core, glass):
        assert_closed(solid)
        # of the two outsides, each made on its own lattice, neither is more than half a millimetre off the other
        under = 40.0 * 300.0 if solid is core else rib_cover_mm2(made.ribs[0])
        assert (manifold(solid) ^ shell).volume() < 0.5 * under
    sunk = manifold(core).translate(tuple(-0.6 * envelope.frame.pull))
    assert sum(part.volume() > 0 for part in (sunk + shell).decompose()) == 1, "it touches"
    length = float(np.linalg.norm(ends[1] - ends[0]))
    assert core.volume_mm3 == pytest.approx(length * 40 * 40, rel=0.08)
