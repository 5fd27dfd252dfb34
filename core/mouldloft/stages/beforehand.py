"""Before the mould: foam blocks, clay, armature and sealer of the full-size sculpt, as an order of its own.

The foam is the master shrunk by its clay, a true inward offset: places inside that lie at least the clay's thickness
from the nearest skin. It is built up in layers as thick as the blocks sold, and each layer's parts are nested on them.
What is printed or milled comes as it is, and takes only what makes its skin ready for rubber.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from scipy import ndimage
from shapely.geometry import Polygon

from ..base.figures import sides_by
from ..base.intervals import Interval, interval_of
from ..base.kept import kept_with_owner
from ..base.marks import Assumption, Mark
from ..geometry.hollow import Hollow
from ..geometry.nesting import nest
from ..inputs.brief import SculptBrief
from .hollowed import inside_of
from .master import Master

SAW_MM = 8.0  # between parts cut from one block, and along its edge (common practice)
CLAY_KG_DM3 = 1.75  # oil-based modelling clay, 1.6 to 1.9 (from memory, verify)
SEALER_M2_L, SEALER_COATS = 8.0, 2  # shellac or the like over clay (common practice, no source)
_SEALED = f"{SEALER_M2_L:g} m² a litre, {SEALER_COATS} coats"
ARMATURE_OVER_REACH = 1.3  # laps, bends and the part under the board, over the lengths measured (common practice)
FILLER_M2_L, FILLER_COATS = 5.0, 2  # high-build filler primer, sprayed, rubbed down between (from memory, verify)
BLOCK_ROUND_MM = 10.0  # of a block past the piece on every side, to hold and face it by (common practice)
CLAY_UNSURE = 0.25
_LEAST_PART_MM3 = 1e6  # of foam in a layer: a litre; less is built up in clay


@dataclass(frozen=True)
class BeforehandRow:
    """One line of the order before the mould. unit : 'blocks', 'l', 'kg', 'm'; note : how it was found."""

    what: str
    amount: Interval
    unit: str
    note: str


@dataclass(frozen=True)
class Beforehand:
    """The sculpt's own order. foam_mm3, clay_mm3 : volumes by the offset; block_mm : as sold; said : what is bought
    elsewhere, and what to look out for."""

    rows: tuple[BeforehandRow, ...]
    foam_mm3: float
    clay_mm3: float
    blocks: int
    layers: int
    block_mm: tuple[float, float, float]
    assumptions: tuple[Assumption, ...]
    said: str = ""


@kept_with_owner(1)
def order_beforehand(master: Master, brief: SculptBrief) -> Beforehand:
    """What the full-size sculpt is made of, from a closed master and the clay's thickness; of one that is printed or
    milled what its skin takes."""
    if brief.made != "clay over foam":
        return _ready_made(master, brief)
    pitch = max(brief.clay_mm / 3.0, master.height_mm / 200.0)
    hollow = inside_of(master, pitch)
    # voxels count whole: they are brought to the master's own volume, which is exact
    scale = master.volume_mm3 / max(len(hollow.nodes_mm) * hollow.pitch_mm**3, 1e-9)
    core = hollow.clearance_mm >= brief.clay_mm
    foam = float(core.sum()) * hollow.pitch_mm**3 * scale
    clay = max(master.volume_mm3 - foam, 0.0)
    length, width, thick = brief.block_mm
    parts, layers = _layer_parts(hollow, core, thick, (length, width))
    laid = nest(parts, (length, width), SAW_MM)
    blocks = max(max((one.sheet + 1 for one in laid), default=0), math.ceil(foam / (length * width * thick)))
    steel = ARMATURE_OVER_REACH * _reach_mm(hollow, core) / 1000
    sold = f"{length:g} × {width:g} × {thick:g} mm"
    rows = (
        BeforehandRow("rigid foam", interval_of(blocks, (("cutting", brief.cutting_waste),)), "blocks",
                      f"{sold}, in {layers} layers; {foam / 1e6:.0f} l of it stays in the sculpt"),
        BeforehandRow("clay", interval_of(clay * 1e-6 * CLAY_KG_DM3, (("thickness by hand", CLAY_UNSURE),)), "kg",
                      f"{brief.clay_mm:g} mm over the foam and solid where it is thin; {clay / 1e6:.0f} l"),
        BeforehandRow("armature steel", interval_of(steel, (("lengths", 0.2),)), "m",
                      "up the middle of the body, with laps, bends and the end under the board"),
        _sealer(master, "clay"),
    )  # fmt: skip
    return Beforehand(rows, foam, clay, blocks, layers, brief.block_mm, _assumptions(brief))


def _ready_made(master: Master, brief: SculptBrief) -> Beforehand:
    """The order of a sculpt that comes printed or milled: neither foam nor clay nor armature."""
    litres = FILLER_COATS * master.skin_area_mm2 / 1e6 / FILLER_M2_L
    filled = "layers and joints" if brief.made == "printed" else "pores and tool marks"
    rows = (
        BeforehandRow("filler primer", interval_of(litres, (("coverage", 0.3),)), "l",
                      f"{FILLER_COATS} coats over {filled}, rubbed down between"),
        _sealer(master, "filler"),
    )  # fmt: skip
    said = _PRINTED
    if brief.made == "milled":
        block = sides_by((side + 2 * BLOCK_ROUND_MM for side in master.size_mm), "metric")
        said = f"Milled from a block of {block} or more, glued up if need be; whoever mills it brings it."
    return Beforehand(rows, 0.0, 0.0, 0, 0, brief.block_mm, _ready_assumptions(brief), f"{said} {_RUBBED_DOWN}")


_PRINTED = (
    "Printed: its material is the printer's. Fresh printing resin can keep addition-cure rubber from setting: a test "
    "patch first."
)
_RUBBED_DOWN = (
    "Filler primer is sprayed with extraction and a vapour mask and rubbed down with extraction and a dust mask; its "
    "safety data sheet decides."
)


def _sealer(master: Master, over: str) -> BeforehandRow:
    litres = SEALER_COATS * master.skin_area_mm2 / 1e6 / SEALER_M2_L
    spread = interval_of(litres, (("coverage", 0.2),))
    return BeforehandRow("sealer", spread, "l", f"{SEALER_COATS} coats over the {over}")


def _layer_parts(
    hollow: Hollow, core: np.ndarray, thick_mm: float, sheet_mm: tuple[float, float]
) -> tuple[list[Polygon], int]:
    """Boxes round the separate parts of each layer of foam, cut to pieces that a block holds; and the layers."""
    places = hollow.index[core]
    if not len(places):
        return [], 0
    deep = max(1, round(thick_mm / hollow.pitch_mm))
    layer = (places[:, 2] - places[:, 2].min()) // deep
    parts: list[Polygon] = []
    for one in range(int(layer.max()) + 1):
        here = places[layer == one][:, :2]
        if not len(here):  # thin there: clay alone
            continue
        flat = np.zeros(tuple(here.max(axis=0) + 1), bool)
        flat[tuple(here.T)] = True
        named, _ = ndimage.label(flat, np.ones((3, 3)))
        for at, box in enumerate(ndimage.find_objects(named), 1):
            if (named[box] == at).sum() * hollow.pitch_mm**2 * thick_mm < _LEAST_PART_MM3:
                continue
            sides = [(side.stop - side.start) * hollow.pitch_mm for side in box]
            parts += _cut_to(sides, sheet_mm)
    return parts, int(layer.max()) + 1


def _cut_to(sides_mm: list[float], sheet_mm: tuple[float, float]) -> list[Polygon]:
    """A box as the fewest equal boxes that a block holds, its longer side along the block's."""
    longer, shorter = max(sides_mm), min(sides_mm)
    room = [side - 2 * SAW_MM for side in (max(sheet_mm), min(sheet_mm))]
    across, along = math.ceil(longer / room[0]), math.ceil(shorter / room[1])
    return [shapely.box(0.0, 0.0, longer / across, shorter / along)] * (across * along)


def _reach_mm(hollow: Hollow, core: np.ndarray) -> float:
    """Length of a rod up the middle: height of the foam, and its mean width and depth once for arms or legs."""
    points = hollow.nodes_mm[core]
    return float(np.ptp(points, axis=0) @ np.array([0.5, 0.5, 1.0])) if len(points) else 0.0


def _assumptions(brief: SculptBrief) -> tuple[Assumption, ...]:
    rule = Mark.COMMON_PRACTICE
    sold = " × ".join(f"{side:g}" for side in brief.block_mm)
    return (
        Assumption("clay over foam", f"{brief.clay_mm:g} mm", rule),
        Assumption("foam block as sold", f"{sold} mm", rule),
        Assumption("clay's density", f"{CLAY_KG_DM3:g} kg/l", Mark.MEMORY),
        Assumption("sealer over clay", _SEALED, rule),
        Assumption("armature over the lengths measured", f"{ARMATURE_OVER_REACH:g} times", rule),
    )


def _ready_assumptions(brief: SculptBrief) -> tuple[Assumption, ...]:
    filled = f"{FILLER_M2_L:g} m² a litre, {FILLER_COATS} coats"
    block = Assumption("block past the piece, all round", f"{BLOCK_ROUND_MM:g} mm", Mark.COMMON_PRACTICE)
    return (
        Assumption("filler primer", filled, Mark.MEMORY),
        Assumption("sealer over filler", _SEALED, Mark.COMMON_PRACTICE),
        *((block,) if brief.made == "milled" else ()),
    )
