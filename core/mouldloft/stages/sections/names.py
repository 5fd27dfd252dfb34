"""What a section's skin is called: by the whole sculpt's names, an ear's or a leg's by its own sides, edges and end."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import Polygon

from ...geometry.frame import pull_frame, unit
from ...geometry.sampling import samples_by_area
from ...trade.sectioning import MOST_SPIGOT_DEPTH_MM
from ..master import Master
from ..named import Feature, NamedSkin
from ..places import BodyPlaces
from .record import Cut, Sections

_SAMPLES = 4_000
_EVENED = 8  # samples whose normals are taken together, so that carving is no side
_FLAT = 0.5  # of a limb's normals that lie along one line: it is flat, and has edges
_LIMB = 0.5  # of the samples with a limb's name: the part is that limb
_END_COS = 0.75  # skin that faces along the limb is its end
_ON_CUT_MM = 0.6
FAR_ENDS = {
    "ear": "tip", "horn": "tip", "tail": "tip", "leg": "far end", "foreleg": "far end", "hand": "far end",
}  # fmt: skip


def upright(normal: np.ndarray) -> np.ndarray:
    """(3, 3) rows that stand a part on its cut, up along the cut's normal, the whole's front still in front; of a part
    that sticks out to front or back what was its upper side takes the place of back or front."""
    up = unit(normal)
    back = np.array([0.0, 1.0, 0.0]) - up * up[1]
    if np.linalg.norm(back) < 0.3:
        back = -np.sign(up[1]) * (np.array([0.0, 0.0, 1.0]) - up * up[2])
    back = unit(back)
    return np.stack([np.cross(back, up), back, up])


def named_skin(sections: Sections, at: int, master: Master, turn: np.ndarray) -> NamedSkin | None:
    """The names over a part that was turned by `turn` ((3, 3) rows) and then shifted; None where the whole's are not
    at hand."""
    places = sections.places
    if places is None:
        return None
    kept = ~master.base_faces if master.base == "open" else None
    found = samples_by_area(master.vertices_mm, master.faces, master.face_areas_mm2, _SAMPLES, kept)
    there = (found.points_mm - np.array(master.shift_mm)) @ turn  # in the whole's coordinates
    normals = _evened(found.points_mm, master.normals[found.faces]) @ turn
    names = np.array(places.at(there) if places.known else [""] * len(there), object)
    far_end = ""
    if places.known:
        part = sections.parts[at]
        last = [name.split(" ")[-1] for name in names]
        kinds = [kind for kind in last if kind in FAR_ENDS]
        limbs = np.array([kind in FAR_ENDS for kind in last])
        if part.stands_on and limbs.mean() > _LIMB:
            far_end = FAR_ENDS[max(sorted(set(kinds)), key=kinds.count)]
        for limb in sorted(set(names[limbs])):
            own = names == limb
            names[own] = _sides(limb, normals[own], turn[2] if far_end else None, far_end)
        for cut in (cut for cut in sections.cuts if cut.leaves == at):
            names = _on_cut(cut, there, names)
    words, codes = np.unique(names.astype(str), return_inverse=True)
    features = _carried(places, there, found.points_mm, turn, np.array(master.shift_mm))
    return NamedSkin(
        found.points_mm, codes.astype(np.int32), tuple(str(word) for word in words), features, places.known, far_end
    )


def _evened(points: np.ndarray, normals: np.ndarray) -> np.ndarray:
    """Normals in the mean of their neighbours that face the same way: the two faces of a thin part do not mix."""
    near = cKDTree(points).query(points, k=min(_EVENED, len(points)))[1].reshape(len(points), -1)
    alike = np.einsum("ij,ikj->ik", normals, normals[near]) > 0.0
    summed = (normals[near] * alike[:, :, None]).sum(axis=1)
    return summed / np.maximum(np.linalg.norm(summed, axis=1, keepdims=True), 1e-30)


def _sides(limb: str, normals: np.ndarray, along: np.ndarray | None, far_end: str) -> np.ndarray:
    """Names of a limb's skin by how it faces: front, back, outer and inner side; of a flat one two faces and two edges;
    its end where it faces along it."""
    lean = normals[:, :2]
    spread, ways = np.linalg.eigh(lean.T @ lean / max(len(lean), 1))
    across = int(np.argmax(np.abs(ways[:, 1])))  # the axis that its faces look along, or the stronger of the two
    flat = spread[1] > _FLAT
    out = 1.0 if limb.startswith("left") else -1.0
    sided = limb.startswith(("left", "right"))
    face_on = np.abs(lean @ ways[:, 1]) > 0.6 if flat else np.abs(lean[:, across]) >= np.abs(lean[:, 1 - across])
    axis = np.where(face_on, across, 1 - across)
    value = lean[np.arange(len(lean)), axis]
    kind = "edge" if flat else "side"
    outer = np.where(value * out > 0, "outer", "inner") if sided else np.where(value > 0, "left", "right")
    fore = np.where(value > 0, "back", "front")
    side = [
        (f"{o} {'side' if f else kind}" if a == 0 else b if f or not flat else f"{b} edge")
        for a, f, o, b in zip(axis, face_on, outer, fore)
    ]
    said = np.array([f"{words} of the {limb}" for words in side], object)
    if along is not None:
        said[normals @ along > _END_COS] = f"{far_end} of the {limb}"
    return said


def _on_cut(cut: Cut, points: np.ndarray, names: np.ndarray) -> np.ndarray:
    """What lies on a cut that the part carries, or on its spigot, is skin of neither."""
    frame = pull_frame(cut.section.normal)
    flat = frame.to_frame(points)
    high = flat[:, 2] - cut.section.offset_mm
    outline = Polygon(frame.to_frame(cut.section.loop_mm)[:, :2]).buffer(_ON_CUT_MM)
    over = shapely.contains_xy(outline, flat[:, 0], flat[:, 1])
    names = names.copy()
    names[over & (np.abs(high) <= _ON_CUT_MM)] = f"face of cut {cut.number}"
    names[over & (high > _ON_CUT_MM) & (high < MOST_SPIGOT_DEPTH_MM + 1.0)] = f"spigot of cut {cut.number}"
    return names


def _carried(
    places: BodyPlaces, there: np.ndarray, here: np.ndarray, turn: np.ndarray, shift: np.ndarray
) -> tuple[Feature, ...]:
    """The whole's features that lie on the part, in its coordinates."""

    def moved(point: tuple[float, float, float]) -> tuple[float, float, float]:
        x, y, z = (float(v) for v in turn @ np.array(point) + shift)
        return x, y, z

    found = []
    for feature in places.regions:
        if len(here) and float(feature.away_mm(there).min()) < 0.5 * feature.radius_mm:
            name = feature.name
            if feature.kind == "lettering":
                name = f"lettering {5 * round(moved(feature.centre_mm)[2] / 5)} mm up"
            course = tuple(moved(point) for point in feature.course_mm)
            found.append(replace(feature, name=name, centre_mm=moved(feature.centre_mm), course_mm=course))
    return tuple(found)
