"""The joint as it is built, measured on the closed meshes by manifold3d alone: what a mould maker would check by hand.

Widths, pitches and shares are the trade's (common practice, no source).
"""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import pytest
import trimesh
from scipy import ndimage
from scipy.spatial import cKDTree


def of_kind(solids, kind: str):
    return [s for s in solids if s.kind == kind]


def manifold(solid) -> m3.Manifold:
    return m3.Manifold(m3.Mesh64(solid.vertices_mm, solid.faces.astype(np.uint64)))


def share_inside(solid: m3.Manifold, points: np.ndarray, side_mm: float = 0.5) -> np.ndarray:
    """(k,) how much of a small cube at each point lies in a solid."""
    cube = m3.Manifold.cube((side_mm, side_mm, side_mm), True)
    found = solid ^ m3.Manifold.compose([cube.translate(p.tolist()) for p in points])
    share = np.zeros(len(points))
    tree = cKDTree(points)
    for part in found.decompose():
        low, high = np.array(part.bounding_box()).reshape(2, 3)
        share[tree.query((low + high) / 2)[1]] += part.volume() / side_mm**3
    return share


@pytest.fixture(scope="module")
def jackets(small_solids):
    return [manifold(s) for s in of_kind(small_solids, "jacket")]


@pytest.fixture(scope="module")
def rubber(small_solids):
    return sum((manifold(s) for s in of_kind(small_solids, "glove")), m3.Manifold())


def test_glass_meets_glass_all_across_the_flange_at_every_bolt(small_plan, jackets, rubber):
    """A quarter of b to both sides of every bolt, 1.5 mm into either jacket, there is glass and no rubber."""
    section, shell = small_plan.rubber.built_to, small_plan.jacket.pieces[0]
    bolts, axes = np.array(shell.bolts_mm), np.array(shell.bolt_axes)
    envelope = small_plan.rubber.envelopes[0]
    rubber_at = np.argwhere(np.isfinite(envelope.outer_mm) & envelope.flange)[:, ::-1]
    xy = np.array(envelope.origin_mm) + envelope.pixel_mm * rubber_at
    at = envelope.frame.to_frame(bolts)[:, :2]
    near = xy[cKDTree(xy).query(at)[1]]
    away = np.linalg.norm(near - at, axis=1)
    assert away == pytest.approx(section.jacket_flange_mm / 2, abs=1.5 * envelope.pixel_mm)
    out = np.column_stack([(at - near) / away[:, None], np.zeros(len(at))])
    across = envelope.frame.to_master(out)
    across -= (across * axes).sum(axis=1, keepdims=True) * axes
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    for side in (-0.25, 0.25):
        for jacket, into in zip(jackets, (1.5, -1.5), strict=True):
            places = bolts + side * section.jacket_flange_mm * across + into * axes
            assert (share_inside(jacket, places) > 0.99).mean() > 0.95
            assert share_inside(rubber, places).max() < 0.01


def test_bolts_keep_their_pitch_along_the_flange(small_plan):
    """No bolt has its nearest neighbour further off than the pitch, and there is one for each 200 mm of seam."""
    section, bolts = small_plan.rubber.built_to, np.array(small_plan.jacket.pieces[0].bolts_mm)
    nearest = cKDTree(bolts).query(bolts, k=2)[0][:, 1]
    assert nearest.max() <= section.bolt_pitch_mm
    assert small_plan.jacket.pieces[0].bolt_pitch_mm <= section.bolt_pitch_mm
    assert len(bolts) * 200.0 >= small_plan.seam.length_mm


def test_no_stretch_of_the_glass_flange_is_without_a_bolt(small_plan):
    """Every place half-way across the jackets' flange has a bolt within half a pitch of it along the wall; near an end
    or a corner within the 60 mm allowed there and half a washer's room."""
    section, envelope = small_plan.rubber.built_to, small_plan.rubber.envelopes[0]
    p, b = envelope.pixel_mm, section.jacket_flange_mm
    rubber = np.isfinite(envelope.outer_mm)
    past = ndimage.distance_transform_edt(~rubber) * p
    rim = ndimage.distance_transform_edt(rubber | envelope.jacket_flange) * p
    i, j = np.nonzero(envelope.jacket_flange & (np.abs(past - b / 2) <= p) & (rim >= b / 2 - 1.5 * p))
    at = np.column_stack([np.array(envelope.origin_mm)[0] + p * j, envelope.origin_mm[1] + p * i,
                          envelope.parting_mm[i, j]])  # fmt: skip
    assert len(at) > 300
    away = cKDTree(np.array(small_plan.jacket.pieces[0].bolts_mm)).query(envelope.frame.to_master(at))[0]
    assert away.max() <= section.bolt_pitch_mm / 2 + 2 * p


def test_ridge_and_groove_are_one_surface(small_plan, small_solids):
    """All along the bead the two gloves have the same corners."""
    held, section = small_plan.rubber.registration, small_plan.rubber.built_to
    one, other = (s.vertices_mm for s in of_kind(small_solids, "glove"))
    line = np.concatenate(held.lines_mm)
    # off the first piece's own outside over the bead's back: that stands the flange's thickness further
    close = cKDTree(line).query(one)[0] < min(section.bead_width_mm / 2, 0.6 * section.rubber_flange_thickness_mm)
    assert close.sum() > 500
    assert (cKDTree(other).query(one[close])[0] < 1e-9).mean() > 0.97
    # and the ridge stands out by the bead's height somewhere on every metre of it
    pull = np.asarray(small_plan.seam.pieces[0].pull)
    ridge = small_plan.rubber.envelopes[0].bead_mm
    domes = len(held.domes_mm) > 0
    assert ridge.max() == pytest.approx(section.dome_height_mm if domes else section.bead_height_mm, rel=0.05)
    assert (np.abs(ridge - section.bead_height_mm) < 0.25).any()
    assert abs(float(pull @ pull) - 1.0) < 1e-9


def test_bead_or_domes_run_beside_the_seam(small_plan):
    assert small_plan.rubber.registration.share >= 0.8
    assert small_plan.rubber.registration.check.holds


def test_between_skin_and_jackets_all_is_rubber(small_plan, small_solids, jackets, rubber):
    """Places on the way from the skin straight out to the first jacket, where no other skin is in between."""
    master = small_plan.master
    body = trimesh.Trimesh(master.vertices_mm, master.faces, process=False)
    shells = trimesh.util.concatenate(
        [trimesh.Trimesh(s.vertices_mm, s.faces, process=False) for s in of_kind(small_solids, "jacket")]
    )
    points, faces = trimesh.sample.sample_surface(body, 1500, seed=4)
    ways = body.face_normals[faces]
    start = points + 0.5 * ways
    far = [np.full(len(points), np.inf) for _ in range(2)]
    for mesh, found in zip((shells, body), far):
        at, rays, _ = mesh.ray.intersects_location(start, ways, multiple_hits=False)
        found[rays] = np.linalg.norm(at - start[rays], axis=1)
    foot = points[:, 2] > 25.0
    seen = foot & np.isfinite(far[0]) & (far[0] < far[1]) & (far[0] < 150.0)
    assert seen.sum() > 900
    share = np.random.default_rng(2).uniform(0.05, 0.95, len(points))
    between = (start + (share * np.where(np.isfinite(far[0]), far[0], 0.0))[:, None] * ways)[seen]
    assert (share_inside(rubber, between) > 0.5).mean() > 0.985


def test_wedge_slots_are_open_between_the_jackets(small_plan, jackets):
    """15 mm in from the rim at every slot, half its height up from the first jacket's flange, there is nothing."""
    from mouldloft.solids.slots import slots_of

    envelope, shell = small_plan.rubber.envelopes[1], small_plan.jacket.pieces[1]
    slots = slots_of(envelope, shell.wedge_points_mm)
    assert len(slots.at_mm) >= 6
    hollow = [np.asarray(mesh[0]).mean(axis=0) for mesh in slots.meshes(0.0)]
    inside = np.array(hollow) + 0.3 * envelope.frame.pull
    assert (share_inside(jackets[1], inside) < 0.5).all()
    over = inside + 6.0 * envelope.frame.pull
    assert (share_inside(jackets[1], over) > 0.5).mean() > 0.8  # and glass over it
