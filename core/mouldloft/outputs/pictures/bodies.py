"""What pictures are made of, kept while the plan lives: the master in its light, and the mould's bodies."""

from __future__ import annotations

import weakref
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.spatial import cKDTree

from ...base.progress import SILENT, Progress
from ...base.threads import meanwhile
from ...geometry.heightmap import outline
from ...geometry.manifold import arrays_of, as_manifold
from ...geometry.polyline import spaced_out
from ...geometry.rays import RayScene, ray_scene
from ...solids.ribs import ribs_of
from ...solids.shapes import (
    Body,
    body_of,
    clustered,
    evened,
    fewer_faces,
    glove_mesh,
    halved,
    jacket_mesh,
    joined,
    key_mesh,
    loose_meshes,
    pin,
    thinned,
)
from ...stages.jacket.layup import laid_as_flange
from ...stages.jacket.record import JacketPiece
from ...stages.plan import MouldPlan
from ...stages.rubber.record import Envelope
from ..look import (
    BEAD,
    BOLT,
    GLOVE,
    JACKET,
    KEY,
    LOOSE,
    PATCH,
    PLASTER,
    RIB,
    WEDGE,
    rgb,
)
from .joint import ridge_mesh, wedge_mesh
from .studio import Baked, set_up

MOST_DRAWN = 1_500_000  # faces of a master drawn as it is; finer ones are thinned to this for the picture


MOST_GLOVE_PIXELS = 70_000


MOST_RIB_FACES = 1_500


# pixels of a map: flat parts are thinned within _FLAT, longer edges split: light stands no closer than that anyway
_FLAT, _EDGE = 0.12, 7.0


MOST_LIGHT_FACES = 100_000  # of the master, to cut the gloves with and to stand beside them


@dataclass(frozen=True, eq=False)
class Studio:
    """The master ready to be photographed, and what its seam is hidden by."""

    plain: Baked
    scene: RayScene  # of the whole master, not the thinned one
    seam_normals: tuple[np.ndarray, ...]  # by seam line, at its samples
    seam_samples: tuple[tuple[np.ndarray, bool], ...]


MeshPair = tuple[np.ndarray, np.ndarray]  # vertices (n, 3) in mm and faces (m, 3)


@dataclass(frozen=True, eq=False)
class MouldMeshes:
    """Glove, keys, jacket, its ribs' cores, bolts and wedges of every piece as plain meshes where they sit, by piece;
    ridges : bead and domes, with the later piece; the loose pieces as the plan numbers them.

    Flat parts are thinned. fine_mm : pixel of the map that each piece was drawn from.
    """

    gloves: tuple[MeshPair, ...]
    keys: tuple[MeshPair, ...]
    jackets: tuple[MeshPair, ...]
    ribs: tuple[MeshPair, ...]
    bolts: tuple[MeshPair, ...]
    wedges: tuple[MeshPair, ...]
    ridges: tuple[MeshPair, ...]
    fine_mm: tuple[float, ...]
    loose: tuple[MeshPair, ...] = ()


@dataclass(frozen=True, eq=False)
class MouldBodies:
    """The same as bodies to photograph."""

    gloves: tuple[Body, ...]
    keys: tuple[Body, ...]
    jackets: tuple[Body, ...]  # patches in a colour of their own
    ribs: tuple[Body, ...]
    bolts: tuple[Body, ...]
    wedges: tuple[Body, ...]
    ridges: tuple[Body, ...]
    loose: tuple[Body, ...] = ()


_studios: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()


_light_masters: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()


_mould_meshes: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()


_mould_bodies: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()


def kept(store: weakref.WeakKeyDictionary, owner: object, make: Callable[[], object], *by: str):
    """What was made for this owner before, in this way, or make it; gone when the owner is."""
    ways = store.setdefault(owner, {})
    if by not in ways:
        ways[by] = make()
    return ways[by]


def studio_for(plan: MouldPlan, progress: Progress = SILENT) -> Studio:
    """The studio of a plan's master; set up once for each seam."""
    return kept(_studios, plan.seam, lambda: meanwhile(lambda own: _set_up_studio(plan, own), progress))


def _set_up_studio(plan: MouldPlan, progress: Progress) -> Studio:
    master = plan.master
    vertices, faces = master.vertices_mm, master.faces
    thinner = len(faces) > MOST_DRAWN
    if thinner:
        vertices, faces = clustered(vertices, faces, MOST_DRAWN)
    plain = set_up([body_of("master", vertices, faces, rgb(PLASTER))], progress)
    step = max(1.0, master.height_mm / 700)
    samples = tuple((spaced_out(line.points_mm, line.closed, step), line.closed) for line in plan.seam.lines)
    tree = cKDTree(plain.vertices_mm)
    normals = tuple(plain.normals[tree.query(points)[1]] for points, _ in samples)
    scene = ray_scene(master.vertices_mm, master.faces) if thinner else plain.scene
    return Studio(plain, scene, normals, samples)


def mould_meshes(plan: MouldPlan, progress: Progress = SILENT) -> MouldMeshes:
    """Glove and jacket of every piece as meshes to look at; made once for each plan's jacket."""
    return kept(_mould_meshes, plan.jacket, lambda: meanwhile(lambda own: _make_mould_meshes(plan, own), progress))


def light_master(plan: MouldPlan) -> MeshPair:
    """The master with at most about `MOST_LIGHT_FACES`."""
    master = plan.master
    return kept(_light_masters, master, lambda: fewer_faces(master.vertices_mm, master.faces, MOST_LIGHT_FACES))


def _make_mould_meshes(plan: MouldPlan, progress: Progress) -> MouldMeshes:
    light = light_master(plan)
    cut = as_manifold(*light) or light
    gloves, keys, jackets, ribs, bolts, fine = [], [], [], [], [], []
    loose: list[MeshPair] = []
    for envelope, piece in zip(plan.rubber.envelopes, plan.jacket.pieces):
        progress.step(0.1, f"glove and jacket, {envelope.name}")
        drawn = halved(envelope, MOST_GLOVE_PIXELS)
        own = [key for key in plan.keys.keys if key.piece == envelope.piece]
        thickness = max(zone.thickness_mm for zone in piece.zones)
        inserts = [one for one in plan.rubber.loose if one.piece == envelope.piece]
        gloves.append(glove_mesh(drawn, cut, inserts, _FLAT * drawn.pixel_mm))
        loose += loose_meshes(drawn, inserts)
        keys.append(joined(key_mesh(envelope, key) for key in own))
        jackets.append(thinned(*jacket_mesh(drawn, own, thickness), _FLAT * drawn.pixel_mm))
        cores = [s for s in ribs_of(piece, envelope, plan.keys, plan.rubber) if s.kind == "rib core"]
        ribs.append(joined(fewer_faces(core.vertices_mm, core.faces, MOST_RIB_FACES) for core in cores))
        length = 2.0 * (plan.rubber.flange_thickness_mm + thickness) + 24.0
        bolts.append(joined(pin(np.asarray(p), envelope.frame.pull, 7.0, length) for p in piece.bolts_mm))
        fine.append(drawn.pixel_mm)
    wedges = tuple(wedge_mesh(plan, at) for at in range(len(gloves)))
    ridges = tuple(ridge_mesh(plan, at) for at in range(len(gloves)))
    return MouldMeshes(
        tuple(gloves), tuple(keys), tuple(jackets), tuple(ribs), tuple(bolts), wedges, ridges, tuple(fine),
        tuple(loose),
    )  # fmt: skip


def mould_bodies(plan: MouldPlan, progress: Progress = SILENT) -> MouldBodies:
    """Glove and jacket of every piece as bodies to photograph; made once for each plan's jacket."""
    return kept(_mould_bodies, plan.jacket, lambda: meanwhile(lambda own: _make_mould_bodies(plan, own), progress))


def _make_mould_bodies(plan: MouldPlan, progress: Progress) -> MouldBodies:
    meshes = mould_meshes(plan, progress)

    names = [envelope.name for envelope in plan.rubber.envelopes]
    gloves, jackets = [], []
    for at, (name, fine) in enumerate(zip(names, meshes.fine_mm)):
        progress.step(0.2, f"glove and jacket, {name}, in their light")
        glove = evened(*meshes.gloves[at], _EDGE * fine)
        gloves.append(body_of(f"glove, {name}", *glove, rgb(GLOVE), coarse_mm=fine))
        jackets.append(jacket_body(plan, at, meshes.jackets[at], fine, _EDGE * fine))

    def plain(what: str, some: Sequence[MeshPair], colour: str) -> tuple[Body, ...]:
        return tuple(body_of(f"{what}, {name}", *mesh, rgb(colour)) for name, mesh in zip(names, some))

    return MouldBodies(
        tuple(gloves), plain("keys", meshes.keys, KEY), tuple(jackets), plain("ribs", meshes.ribs, RIB),
        plain("bolts", meshes.bolts, BOLT), plain("wedges", meshes.wedges, WEDGE),
        plain("bead", meshes.ridges, BEAD),
        tuple(body_of(one.name, *mesh, rgb(LOOSE)) for one, mesh in zip(plan.rubber.loose, meshes.loose)),
    )  # fmt: skip


def jacket_body(plan: MouldPlan, at: int, mesh: MeshPair, coarse_mm: float = 0.0, edge_mm: float | None = None) -> Body:
    """A jacket piece's mesh as a body, cut where its patches end and each side in its own colour.

    edge_mm : longer edges are split after that, so that light on the vertices reads; None leaves them.
    """
    piece, envelope = plan.jacket.pieces[at], plan.rubber.envelopes[at]
    parts = _cut_at_patches(mesh, piece, envelope) if piece.patches else [mesh]
    if edge_mm is not None:
        parts = [evened(*part, edge_mm) for part in parts]
    colours = [np.tile(rgb(colour), (len(part[0]), 1)) for part, colour in zip(parts, (JACKET, PATCH))]
    return body_of(f"jacket, {piece.name}", *joined(parts), np.concatenate(colours), coarse_mm=coarse_mm)


def _cut_at_patches(mesh: MeshPair, piece: JacketPiece, envelope: Envelope) -> list[MeshPair]:
    """The mesh without its patches, and the patches; alone and whole where it is no manifold."""
    import manifold3d

    vertices, faces = mesh
    solid = as_manifold(vertices, faces)
    if solid is None:
        return [mesh]
    balls = [manifold3d.Manifold.sphere(p.radius_mm, 96).translate(p.centre_mm) for p in piece.patches]
    flange = outline(laid_as_flange(piece, envelope), envelope.origin_mm, envelope.pixel_mm)
    rings = [r for part in shapely.get_parts(flange) for r in (part.exterior, *part.interiors)]
    high = 2.0 * float(np.linalg.norm(np.ptp(vertices, axis=0)))
    flat = manifold3d.CrossSection([np.array(ring.coords)[:-1] for ring in rings], manifold3d.FillRule.EvenOdd)
    over = flat.extrude(high).translate((0.0, 0.0, -high / 2.0))
    over = over.transform(np.column_stack([envelope.frame.axes.T, np.zeros(3)]))
    there, rest = solid.split(manifold3d.Manifold.batch_boolean(balls, manifold3d.OpType.Add) - over)
    return [arrays_of(part) for part in (rest, there)]
