"""The sculpt's order against a ball and a slab, whose inward offsets are known."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
import trimesh
from mouldloft.inputs.brief import MasterBrief, SculptBrief
from mouldloft.stages.beforehand import order_beforehand
from mouldloft.stages.master import prepare_master


def master_from(mesh: trimesh.Trimesh):
    return prepare_master(mesh.vertices, mesh.faces, MasterBrief(unit="mm"), name="body")


def test_foam_of_a_ball_is_the_smaller_ball():
    body = master_from(trimesh.creation.icosphere(subdivisions=4, radius=300.0))
    made = order_beforehand(body, SculptBrief(clay_mm=40.0))
    radius = body.height_mm / 2
    assert made.foam_mm3 == pytest.approx(4 / 3 * math.pi * (radius - 40.0) ** 3, rel=0.03)  # Steiner, inward
    assert made.foam_mm3 + made.clay_mm3 == pytest.approx(body.volume_mm3, rel=1e-9)


def test_a_slab_thinner_than_its_clay_has_no_foam():
    body = master_from(trimesh.creation.box((400.0, 40.0, 400.0)))
    made = order_beforehand(body, SculptBrief(clay_mm=25.0))
    assert made.foam_mm3 == 0.0
    assert made.blocks == 0


def test_blocks_are_enough_and_what_is_left_is_less_than_each_layer_wastes():
    body = master_from(trimesh.creation.box((550.0, 550.0, 450.0)))
    made = order_beforehand(body, SculptBrief(clay_mm=25.0, block_mm=(1250.0, 600.0, 100.0)))
    # 500 x 500 x 400 mm of foam: four layers (five where the lattice rounds), two parts of a layer to each block
    assert made.foam_mm3 == pytest.approx(0.1e9, rel=0.08)
    assert made.layers in (4, 5)
    assert made.blocks in (2, 3)


@pytest.mark.parametrize("height_mm", [60.0, 300.0, 900.0])
def test_a_small_sculpt_with_thin_limbs_has_its_order(small_hare, height_mm):
    """Where a limb is no thicker than its clay, a layer may hold no foam."""
    master = prepare_master(*small_hare, replace(MasterBrief(), finished_height_mm=height_mm), name="small")
    made = order_beforehand(master, SculptBrief())
    assert made.clay_mm3 > 0


@pytest.mark.parametrize("made", ["printed", "milled"])
def test_what_is_printed_or_milled_takes_filler_and_sealer_and_no_clay(made):
    """Areas by hand: a box of 1 × 0.5 × 0.5 m has 2.5 m², 0.5 m² of it where it stands; two coats at 5 and 8 m²/l."""
    body = master_from(trimesh.creation.box((1000.0, 500.0, 500.0)))
    order = order_beforehand(body, SculptBrief(made=made))
    found = {row.what: row.amount.likely for row in order.rows}
    assert found == {"filler primer": pytest.approx(2 * 2.0 / 5), "sealer": pytest.approx(2 * 2.0 / 8)}
    assert (order.foam_mm3, order.clay_mm3, order.blocks) == (0.0, 0.0, 0)
    assert ("1020 × 520 × 520 mm" in order.said) == (made == "milled")
    assert ("keep addition-cure rubber from setting" in order.said) == (made == "printed")
    assert "safety data sheet" in order.said
    assert any("block" in a.what for a in order.assumptions) == (made == "milled")
