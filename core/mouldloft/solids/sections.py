"""A master's sections as closed meshes: to mould, with their spigots, and to print or mill, with sockets too.

A limb stands on its cut face while it is moulded, so its cast is open there and goes over a spigot that stands proud of
the body's cut face: no socket is moulded. The spigot is an oval with a flat, drafted, inside the outline by the cast's
wall and the bond's gap.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.affinity import rotate, translate
from shapely.geometry import Polygon

from ..base.errors import PlanImpossible
from ..base.figures import mm
from ..base.progress import SILENT, Progress
from ..geometry.branches import Section
from ..geometry.frame import PullFrame, pull_frame
from ..geometry.manifold import arrays_of, as_manifold
from ..inputs.brief import SectionsBrief
from ..stages.sections import Sections
from ..trade.sectioning import SPIGOT_FLAT, spigot_depth_mm, spigot_inset_mm, taper_mm
from .solid import Solid

FIT_MM = 0.5  # common practice: of a printed socket round a printed spigot
_ROUND = 64  # corners of an oval
_ROOT_MM = 1.0  # that a spigot goes into its body, so that the two are one
_SMALLER, _TRIES = 0.85, 9  # a spigot that would come through the skin of what goes over it
_LEAST_HALF_MM = 8.0
_LONGEST = 2.5  # times its width
_NARROWER = np.array([0.98, 0.9, 0.8, 0.7])  # ovals tried, by the widest that fits
_OUTSIDE = 1e-6  # of its volume, that a spigot may lie outside the part that goes over it


@dataclass(frozen=True, eq=False)
class Spigot:
    """How one cut locates. half_width_mm, half_length_mm : of its oval at the cut; axis : (3,) unit, its direction;
    middle_mm, along : (3,), on the cut, and of its length. vertices_mm, faces : closed, root and all."""

    cut: int
    half_width_mm: float
    half_length_mm: float
    depth_mm: float
    inset_mm: float
    middle_mm: np.ndarray
    axis: np.ndarray
    along: np.ndarray
    vertices_mm: np.ndarray
    faces: np.ndarray

    @property
    def words(self) -> str:
        """For the bench."""
        return (
            f"spigot {mm(2 * self.half_length_mm)} x {mm(2 * self.half_width_mm)}, {mm(self.depth_mm)} deep, one side "
            f"flat, {mm(self.inset_mm)} inside the outline"
        )


@dataclass(frozen=True, eq=False)
class SectionSolids:
    """moulded : the parts as they are moulded; printed : the same with sockets, to print or mill, in the order of
    `Sections.parts`. spigots : by cut, None where it is too thin for one."""

    moulded: tuple[Solid, ...]
    printed: tuple[Solid, ...]
    spigots: tuple[Spigot | None, ...]


def make_section_solids(sections: Sections, brief: SectionsBrief, progress: Progress = SILENT) -> SectionSolids:
    """Closed meshes of all parts, in plan coordinates. Raises `PlanImpossible` where one is no closed manifold."""
    plain = []
    for part in sections.parts:
        solid = as_manifold(part.vertices_mm, part.faces)
        if solid is None:
            raise PlanImpossible(f"The {part.name} is no closed manifold; make a new surface over the sculpt.")
        plain.append(solid)
    moulded, printed = list(plain), list(plain)
    spigots: list[Spigot | None] = []
    for k, cut in enumerate(sections.cuts):
        progress.step(k / len(sections.cuts), f"spigot of cut {cut.number}")
        found = _fitting(cut.number, cut.section, plain[cut.takes], sections.wall_mm, brief)
        spigots.append(found)
        if found is not None:
            proud = as_manifold(found.vertices_mm, found.faces)
            moulded[cut.leaves] += proud
            printed[cut.leaves] += proud
            printed[cut.takes] -= _plug(found, FIT_MM, brief)
    names = [part.name for part in sections.parts]
    return SectionSolids(
        tuple(_named(name, "section", solid) for name, solid in zip(names, moulded)),
        tuple(_named(name, "section", solid) for name, solid in zip(names, printed)),
        tuple(spigots),
    )


def _named(name: str, kind: str, solid: Any) -> Solid:
    return Solid(name, kind, *arrays_of(solid), float(solid.volume()))


def _fitting(number: int, section: Section, over: Any, wall_mm: float, brief: SectionsBrief) -> Spigot | None:
    """The largest spigot that the part which goes over it takes with its wall and gap all round; None for too thin."""
    inset = spigot_inset_mm(wall_mm, brief)
    frame = pull_frame(section.normal)
    outline = Polygon(frame.to_frame(section.loop_mm)[:, :2]).buffer(0)
    room = outline.buffer(-inset)
    if room.is_empty:
        return None
    inner = max(getattr(room, "geoms", [room]), key=lambda p: p.area)
    middle = shapely.maximum_inscribed_circle(inner).coords[0]
    half = float(inner.exterior.distance(shapely.Point(middle)))
    turn, half, long = _lie(inner, middle, half)
    share = 1.0
    for _ in range(_TRIES):
        if share * half < _LEAST_HALF_MM:
            return None
        made = _spigot(number, section, frame, middle, share * half, share * long, turn, inset, brief)
        ring = _plug(made, inset, brief)  # with wall and gap all round it stays under the skin
        if (ring - over).volume() <= _OUTSIDE * ring.volume() + _root_volume(ring, section):
            return made
        share *= _SMALLER
    return None


def _root_volume(plug: Any, section: Section) -> float:
    """What of a plug lies on the body's side of the cut."""
    return float(plug.split_by_plane(tuple(section.normal), section.offset_mm)[1].volume())


def _lie(inner: Polygon, middle: tuple[float, float], half: float) -> tuple[float, float, float]:
    """Turn (degrees), half width and half length of the largest oval round the middle within the outline."""
    best = (0.0, half, half)
    for turn in np.arange(0.0, 180.0, 7.5):
        for narrow in _NARROWER * half:
            for long in np.linspace(_LONGEST, 1.1, 8) * half:
                if narrow * long <= best[1] * best[2]:
                    break
                if inner.contains(_oval(middle, float(narrow), float(long), float(turn))):
                    best = (float(turn), float(narrow), float(long))
                    break
    return best


def _oval(middle: tuple[float, float], half: float, long: float, turn_deg: float) -> Polygon:
    angle = 2 * np.pi * np.arange(_ROUND) / _ROUND
    shape = Polygon(np.stack([long * np.cos(angle), np.maximum(half * np.sin(angle), -SPIGOT_FLAT * half)], axis=1))
    return translate(rotate(shape, turn_deg, origin=(0.0, 0.0)), *middle)


def _spigot(
    number: int,
    section: Section,
    frame: PullFrame,
    middle: tuple[float, float],
    half: float,
    long: float,
    turn_deg: float,
    inset_mm: float,
    brief: SectionsBrief,
) -> Spigot:
    depth = spigot_depth_mm(2 * half)
    turn = np.radians(turn_deg)
    along = np.cos(turn) * frame.axes[0] + np.sin(turn) * frame.axes[1]
    if np.cross(frame.pull, along)[2] < 0:  # the flat looks down, where nobody sees what is short of it
        along = -along
    at = frame.to_master(np.array([[*middle, section.offset_mm]]))[0]
    bare = Spigot(number, half, long, depth, inset_mm, at, frame.pull, along, np.zeros((0, 3)), np.zeros((0, 3), int))
    return Spigot(number, half, long, depth, inset_mm, at, frame.pull, along, *arrays_of(_plug(bare, 0.0, brief)))


def _plug(spigot: Spigot, larger_mm: float, brief: SectionsBrief) -> Any:
    """The spigot, larger all round by so much, with its root: closed, every side drafted at least as the brief asks."""
    import manifold3d

    half, long = spigot.half_width_mm + larger_mm, spigot.half_length_mm + larger_mm
    depth = spigot.depth_mm + larger_mm
    angle = 2 * np.pi * np.arange(_ROUND) / _ROUND
    flat = -SPIGOT_FLAT * spigot.half_width_mm - larger_mm
    outline = np.stack([long * np.cos(angle), np.maximum(half * np.sin(angle), flat)], axis=1)
    # scaled about the axis a side goes in by its distance from it: the flat is nearest
    scale = 1.0 - taper_mm(depth + _ROOT_MM, brief.spigot_draft_deg) / min(half, -flat)
    solid = manifold3d.CrossSection([outline]).extrude(depth + _ROOT_MM, 0, 0.0, (scale, scale))
    axes = np.stack([spigot.along, np.cross(spigot.axis, spigot.along), spigot.axis], axis=1)
    origin = spigot.middle_mm - _ROOT_MM * spigot.axis
    return solid.transform(np.concatenate([axes, origin[:, None]], axis=1))
