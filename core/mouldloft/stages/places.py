"""Where a place is on the body, as a person would say it: chest, chin, between the ears, spine, left hind leg.

Found from the face, from what stands on the ground and from height; a body without a face has no such names. The rules
are starting values set on bodies whose parts are known (invented).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ..base.kept import kept_with_owner
from ..geometry.edges import connected
from ..geometry.rays import RayScene, first_wall_mm, ray_scene
from ..geometry.sampling import samples_by_area
from .master import Master
from .seam import Feature, KeepClearProposal, proposed_features

_SAMPLES = 12_000
_SAY = 7  # samples around a place that vote for its name
FACE_KINDS = ("eye", "nose", "mouth")


@dataclass(frozen=True, eq=False)
class BodyPlaces:
    """Names over the skin. names : (s,) object, of each sample, "" where there is none; regions : the features."""

    names: np.ndarray
    tree: cKDTree
    regions: tuple[Feature, ...]
    known: bool  # a face was found, so the body has names

    def at(self, points_mm: np.ndarray) -> list[str]:
        """The name at each of (k, 3) points: that of most samples around."""
        near = self.tree.query(np.atleast_2d(points_mm), k=_SAY)[1]
        _, code = np.unique(self.names.astype(str), return_inverse=True)
        return [str(self.names[row[np.bincount(code[row])[code[row]].argmax()]]) for row in near]


@kept_with_owner(1)
def places_of(master: Master) -> BodyPlaces:
    """The names of the master's places, found once for each master."""
    return name_places(master)


@dataclass(frozen=True, eq=False)
class _Body:
    """Samples with what the rules ask. across, facing : the head's own frame; head_mm : its middle."""

    points: np.ndarray
    normals: np.ndarray
    thick_mm: np.ndarray
    head_mm: np.ndarray
    head_radius_mm: float
    across: np.ndarray
    facing: np.ndarray
    height_mm: float
    spacing_mm: float


def name_places(
    master: Master,
    proposal: KeepClearProposal | None = None,
    scene: RayScene | None = None,
) -> BodyPlaces:
    """Names over the master's skin, from its features (found here where they are not given); over a section's, those
    of the whole sculpt."""
    if master.named is not None:
        own = master.named
        return BodyPlaces(np.array(own.words, object)[own.codes], cKDTree(own.points_mm), own.features, own.known)
    scene = scene or ray_scene(master.vertices_mm, master.faces)
    proposal = proposal or proposed_features(master)
    samples = samples_by_area(master.vertices_mm, master.faces, master.face_areas_mm2, _SAMPLES, ~master.base_faces)
    tree = cKDTree(samples.points_mm)
    names = np.full(len(samples.points_mm), "", object)
    if proposal.facing is None:
        return BodyPlaces(names, tree, proposal.regions, False)
    body = _measured(master, samples.points_mm, samples.faces, tree, proposal, scene)
    feet = _feet(body)
    for rule in (_trunk, _neck, _head, _on_head):
        names = rule(body, names, feet)
    for name, which in feet.items():
        names[which] = name
    names = _tail(body, names, feet)
    for region in proposal.regions:
        if region.kind == "fingers":
            near = np.linalg.norm(body.points - np.array(region.centre_mm), axis=1) < 1.4 * region.radius_mm
            names[near] = region.name.replace("fingers", "hand")
    return BodyPlaces(names, tree, proposal.regions, True)


def _measured(
    master: Master, points: np.ndarray, faces: np.ndarray, tree: cKDTree, proposal: KeepClearProposal, scene: RayScene
) -> _Body:
    near = tree.query(points, k=10, workers=2)[1]
    normals = master.normals[faces][near].mean(axis=1)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-30)
    thick = first_wall_mm(scene, points, -normals, -normals)
    thick = np.median(np.where(np.isfinite(thick), thick, 0.0)[near], axis=1)
    eyes = np.array([r.centre_mm for r in proposal.regions if r.kind == "eye"])
    at = tree.query(eyes)[1]
    inside = eyes - 0.5 * normals[at] * thick[at][:, None]
    facing = np.array(proposal.facing)
    across = np.array([-facing[1], facing[0], 0.0])  # towards the piece's own left
    radius = 0.5 * float(thick[at].mean())
    spacing = float(np.median(np.linalg.norm(points[near[:, 1]] - points, axis=1)))
    return _Body(points, normals, thick, inside.mean(axis=0), radius, across, facing, master.height_mm, spacing)


def _feet(body: _Body) -> dict[str, np.ndarray]:
    """Samples of each leg that stands apart from the others, by name: two legs, or fore and hind legs."""
    low = body.points[:, 2] < 0.08 * body.height_mm
    parts = _parts(body, np.flatnonzero(low))
    if len(parts) not in (2, 4):
        return {}
    legs, top = parts, 0.08
    for share in np.arange(0.12, 0.6, 0.04):
        grown = _parts(body, np.flatnonzero(body.points[:, 2] < share * body.height_mm))
        if len(grown) < len(parts):
            break
        if len(grown) == len(parts):
            legs, top = grown, share
    if top < 0.15:
        return {}
    middle = np.array([body.points[leg].mean(axis=0) for leg in legs])
    out: dict[str, np.ndarray] = {}
    for leg, centre in zip(legs, middle):
        side = "left" if centre[0] > middle[:, 0].mean() else "right"
        kind = "leg" if len(legs) == 2 else "foreleg" if centre[1] < middle[:, 1].mean() else "hind leg"
        out[f"{side} {kind}"] = leg
    return out if len(out) == len(legs) else {}


def _parts(body: _Body, which: np.ndarray) -> list[np.ndarray]:
    """The samples in parts that hang together, larger than crumbs."""
    links = cKDTree(body.points[which]).query_pairs(4.0 * body.spacing_mm, output_type="ndarray")
    if not len(links):
        return []
    count, part = connected(links, len(which))
    size = np.bincount(part, minlength=count)
    return [which[part == k] for k in range(count) if size[k] > 0.1 * size.max()]


def _trunk(body: _Body, names: np.ndarray, feet: dict[str, np.ndarray]) -> np.ndarray:
    """Chest, belly, back, spine and sides of what is no head and no leg."""
    x, _, z = body.points.T
    four = len(feet) == 4
    middle = float(np.median(x[(z > 0.3 * body.height_mm) & (z < 0.7 * body.height_mm)]))
    wide = max(body.head_radius_mm, 1.0)
    mid = np.abs(x - middle) < 0.4 * wide
    n = body.normals
    side = np.where(x > middle, "left side", "right side")
    names = np.where(True, side, names).astype(object)
    front, back = n[:, 1] < -0.55, n[:, 1] > 0.55
    chest_from = {4: 0.4, 2: 0.6}.get(len(feet), 0.38)  # of the height
    names[front] = np.where(z[front] > chest_from * body.height_mm, "chest", "front")
    names[back] = "back"
    if four:
        names[back] = "rump"
        names[n[:, 2] > 0.55] = "back"
        names[n[:, 2] < -0.75] = "belly"
    else:
        names[(front) & (z > 0.28 * body.height_mm) & (z <= chest_from * body.height_mm)] = "belly"
    names[(names == "back") & mid] = "spine"
    return names


def _neck(body: _Body, names: np.ndarray, feet: dict[str, np.ndarray]) -> np.ndarray:
    away = body.points - body.head_mm
    far = np.linalg.norm(away, axis=1) / body.head_radius_mm
    neck = (far < 2.1) & (away[:, 2] < -0.7 * body.head_radius_mm) & (body.thick_mm < 2.2 * body.head_radius_mm)
    front = body.normals @ body.facing > 0.35
    names[neck & front] = "throat"
    names[neck & ~front] = "neck"
    names[neck & (body.normals @ body.facing < -0.35)] = "nape"
    return names


def _head(body: _Body, names: np.ndarray, feet: dict[str, np.ndarray]) -> np.ndarray:
    away = body.points - body.head_mm
    out, level, up = away @ body.facing, away @ body.across, away[:, 2]
    r = body.head_radius_mm
    head = (np.linalg.norm(np.stack([level, up]), axis=0) < 1.8 * r) & (out > -1.7 * r) & (out < 3.0 * r)
    head &= (up > -0.75 * r) | (out > 0.5 * r) & (up > -1.6 * r)
    n_out = body.normals @ body.facing
    names[head] = np.where(level[head] > 0, "left cheek", "right cheek")
    names[head & (n_out < -0.5)] = "back of the head"
    names[head & (n_out > 0.4) & (np.abs(level) < 0.9 * r)] = "face"
    names[head & (out > 0.3 * r) & (np.abs(level) < 0.6 * r) & (body.normals[:, 2] > -0.4)] = "face"
    crown = head & (body.normals[:, 2] > 0.6) & (out < 0.7 * r)
    names[crown] = "top of the head"
    chin = head & (body.normals[:, 2] < -0.45) & (np.abs(level) < 0.7 * r)
    names[chin] = "chin"
    return names


def _on_head(body: _Body, names: np.ndarray, feet: dict[str, np.ndarray]) -> np.ndarray:
    """Ears and horns: slender parts that stand off the head; the crown between them is named for them."""
    away = body.points - body.head_mm
    r = body.head_radius_mm
    level = away @ body.across
    slender = (body.thick_mm < 0.8 * r) & (np.linalg.norm(away, axis=1) > 0.9 * r) & (np.abs(level) > 0.15 * r)
    slender &= (away[:, 2] > -0.3 * r) & (np.linalg.norm(away, axis=1) < 6.5 * r) & (away @ body.facing < 0.6 * r)
    kinds = set()
    sides = [part for way in (1.0, -1.0) for part in _parts(body, np.flatnonzero(slender & (way * level > 0)))]
    for part in sides:
        reach = np.linalg.norm(away[part], axis=1)
        if reach.max() < 1.8 * r or reach.min() > 2.6 * r:
            continue
        side = "left" if level[part].mean() > 0 else "right"
        normals = body.normals[part]
        flat = float(np.linalg.eigvalsh(normals.T @ normals / len(part))[-1])
        kind = "ear" if flat > 0.5 else "horn"
        kinds.add(kind)
        names[part] = f"{side} {kind}"
    both = [k for k in ("ear", "horn") if {f"left {k}", f"right {k}"} <= set(names)]
    if both:
        # what rises past the crown is ear or horn, its thick root and its edge too
        above = (away[:, 2] > 1.5 * r) & (np.linalg.norm(away, axis=1) < 7.0 * r)
        names[above] = np.where(level[above] > 0, f"left {both[-1]}", f"right {both[-1]}")
        names[(names == "top of the head") & (np.abs(level) < 0.6 * r)] = f"between the {both[-1]}s"
    return names


def _tail(body: _Body, names: np.ndarray, feet: dict[str, np.ndarray]) -> np.ndarray:
    """A slender part at the back that is no leg."""
    _, y, z = body.points.T
    if len(feet) == 2:
        return names
    slender = body.thick_mm < 0.9 * body.head_radius_mm
    behind = (y > np.quantile(y, 0.8)) & slender & ~np.isin(names, list(feet))
    parts = _parts(body, np.flatnonzero(behind)) if behind.sum() > 20 else []
    for part in parts:
        if y[part].max() > y.max() - 0.03 * body.height_mm and z[part].min() > 0.05 * body.height_mm:
            names[part] = "tail"
    return names
