"""A small plan of a two-lobed figure, put together by hand for tests of what leaves the computer.

Geometry, seam, keys and jacket come from their stages; the figures after them are chosen by hand so that a test
can say what it expects to read.
"""

from __future__ import annotations

import functools
from types import SimpleNamespace

import numpy as np
from mouldloft.base.intervals import Interval
from mouldloft.base.marks import Assumption, Mark
from mouldloft.geometry.depthmap import column_image, grid_around, limit_slope, raise_by_balls
from mouldloft.geometry.frame import pull_frame
from mouldloft.geometry.rays import blocked, ray_scene
from mouldloft.inputs.brief import Brief, JacketBrief, KeysBrief, MasterBrief, OpeningBrief, RunBrief, SeamBrief
from mouldloft.inputs.catalogue import read_catalogue
from mouldloft.stages.cast import Cast, StandCheck
from mouldloft.stages.cautions import Caution
from mouldloft.stages.cradle import Cradle, CradlePiece, TiltCheck
from mouldloft.stages.handling import plan_lifts
from mouldloft.stages.jacket.layup import lay_up_jacket
from mouldloft.stages.keys.place import set_keys
from mouldloft.stages.locks import LockRegion, Locks
from mouldloft.stages.master import Health, Master
from mouldloft.stages.opening import Candidate, Opening, SymmetryPlane
from mouldloft.stages.programme import Batch, Programme, Task
from mouldloft.stages.rubber.record import Coat, Envelope, Rubber, RubberParts
from mouldloft.stages.seam.place import place_seam
from mouldloft.stages.takeoff import OrderLine, Takeoff
from mouldloft.stages.undercut import UndercutField

SKIN_MM, EDGE_MM, FLANGE_MM, FLANGE_THICK_MM = 8.0, 12.0, 50.0, 10.0
PAST_MM = 42.0  # the jacket's own flange past the rubber


def figure(cells: int = 60) -> tuple[np.ndarray, np.ndarray]:
    """Vertices (n, 3) and faces (m, 3) of a standing body with a head and two ears, 600 mm tall, foot cut flat."""
    from skimage.measure import marching_cubes

    step = 640.0 / cells
    low = np.array([-200.0, -200.0, -2.5 * step])
    x, y, z = (np.arange(a, b, step) for a, b in ((low[0], 201), (low[1], 201), (low[2], 640)))
    grid = np.stack(np.meshgrid(x, y, z, indexing="ij"), axis=-1)

    def ball(centre, radii):
        return (np.linalg.norm((grid - centre) / radii, axis=-1) - 1) * min(radii)

    def blend(a, b, k=25.0):
        h = np.clip(0.5 + 0.5 * (b - a) / k, 0, 1)
        return b * (1 - h) + a * h - k * h * (1 - h)

    body = blend(ball((0, 20, 140), (120, 150, 180)), ball((0, -40, 380), (80, 100, 85)))
    for side in (-1, 1):
        body = blend(body, ball((side * 45, -20, 500), (24, 18, 100)), 12)
    body = np.maximum(body, -grid[..., 2])
    vertices, faces, _, _ = marching_cubes(np.pad(body, 1, constant_values=60.0), 0.0)
    return (vertices - 1) * step + low, faces.astype(np.int32)


def master_of(vertices: np.ndarray, faces: np.ndarray, name: str = "Garden figure") -> Master:
    """The record round a closed mesh that stands on z = 0."""
    across = np.cross(vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]])
    doubled = np.linalg.norm(across, axis=1)
    normals = across / np.maximum(doubled, 1e-12)[:, None]
    areas = doubled / 2
    base = (normals[:, 2] < -0.99) & (vertices[faces][:, :, 2].max(axis=1) < 1.0)
    volume = float(np.einsum("ij,ij->i", vertices[faces[:, 0]], across).sum() / 6)
    size = np.ptp(vertices, axis=0)
    return Master(
        name, vertices, faces, normals, areas, base, "open", float(areas.sum()), float(areas[base].sum()),
        volume, float(size[2]), tuple(float(s) for s in size), 1.0, "The unit is millimetres by the test.",
        1.0, 0.05, "0" * 64, Health(0, 0, False, 0, 0, 0, True),
    )  # fmt: skip


def opening_along_x() -> Opening:
    """The pull to the left (+x), plane through the middle."""
    chosen = Candidate(
        (1.0, 0.0, 0.0), 0.0, "symmetry plane", 1200.0, 0.004, 40_000.0, 0.004, 120.0, 0.49, 0.4, 0.1,
        "Nearly symmetric across this plane.",
    )  # fmt: skip
    return Opening(chosen, (chosen,), SymmetryPlane((1.0, 0.0, 0.0), 0.0, 0.001, True), 512)


def field_of(master: Master) -> UndercutField:
    """Freedom by rays from the face centres."""
    scene = ray_scene(master.vertices_mm, master.faces)
    centre = master.vertices_mm[master.faces].mean(axis=1)
    free = []
    for sign in (1.0, -1.0):
        d = np.array([sign, 0.0, 0.0])
        hidden = blocked(scene, centre, master.normals, d)
        free.append((~hidden & (master.normals @ d > 0)).astype(np.float32))
    locked = float(master.face_areas_mm2[(free[0] + free[1]) == 0].sum())
    draft = np.degrees(np.arcsin(np.clip(master.normals[:, 0], -1, 1))).astype(np.float32)
    return UndercutField((1.0, 0.0, 0.0), free[0], free[1], draft, locked, locked / master.skin_area_mm2, "rays", 0.0)


def locks_of(master: Master, field: UndercutField, labels: np.ndarray) -> Locks:
    """Locked faces of each piece, as deep as they lie from x = 120."""
    own = np.where(labels == 0, field.free_plus, field.free_minus)
    locked = own < 0.5
    locked &= ~master.base_faces
    centre = master.vertices_mm[master.faces].mean(axis=1)
    depth = np.where(locked, np.clip(60 - np.abs(centre[:, 0]) * 0.5, 2, 60), 0).astype(np.float32)
    regions = []
    for piece in (0, 1):
        faces = np.flatnonzero(locked & (labels == piece)).astype(np.int32)
        area = float(master.face_areas_mm2[faces].sum())
        middle = centre[faces].mean(axis=0) if len(faces) else np.zeros(3)
        side = ("left", "right")[piece]
        deep = float(depth[faces].max(initial=0))
        name = f"{side} side, {middle[2]:.0f} mm up"
        stretch, fill = 0.21 - 0.05 * piece, 21_000.0
        regions.append(LockRegion(name, piece, area, deep, stretch, fill, tuple(middle), float(middle[2]), faces))
    return Locks(
        tuple(regions), field.locked_area_mm2, sum(r.area_mm2 for r in regions), 42_000.0, 0.21, 1.6, 4.8,
        depth, (depth / 300).astype(np.float32), depth,
    )  # fmt: skip


def envelope_of(master: Master, piece: int, name: str, pull, pixel_mm: float) -> Envelope:
    """Skin by a ball, 3 degrees of draft, a flange round the outline, nothing under the foot."""
    from scipy import ndimage

    frame = pull_frame(np.array(pull, float))
    points = frame.to_frame(master.vertices_mm)
    grid = grid_around(points, pixel_mm, FLANGE_MM + PAST_MM + 30)
    top, _ = column_image(points, master.faces, grid)
    filled = np.where(np.isfinite(top) & (top > 0), top, np.nan)
    solid = np.where(np.isnan(filled), -np.inf, filled).astype(np.float32)
    i, j = np.nonzero(np.isfinite(filled))
    skin = solid.copy()
    spots = np.column_stack([grid.x()[j], grid.y()[i], filled[i, j]]).astype(float)
    raise_by_balls(skin, spots, np.full(len(spots), SKIN_MM), grid)
    skin = limit_slope(skin, 3.0, pixel_mm)
    body = np.isfinite(skin) & (skin > FLANGE_THICK_MM)
    near = ndimage.distance_transform_edt(~body) * pixel_mm
    flange = ~body & (near <= FLANGE_MM)
    past = ~body & ~flange & (near <= FLANGE_MM + PAST_MM)
    below = np.broadcast_to((grid.y() < 0)[:, None], body.shape)
    outer = np.where(body, skin, np.where(flange, FLANGE_THICK_MM, np.nan))
    outer = np.where(below, np.nan, outer).astype(np.float32)
    return Envelope(
        piece, name, frame, (grid.x0_mm, grid.y0_mm), pixel_mm, np.zeros_like(outer),
        filled.astype(np.float32), outer, flange & ~below, below.copy(),
        jacket_flange=past & ~below,
    )  # fmt: skip


def rubber_of(master: Master, seam, pixel_mm: float) -> Rubber:
    """The glove round both pieces; parts chosen so that they add up to the measured volume."""
    envelopes = tuple(envelope_of(master, k, p.name, p.pull, pixel_mm) for k, p in enumerate(seam.pieces))
    parts, measured = [], []
    for e in envelopes:
        inside = np.where(np.isfinite(e.filled_mm), e.filled_mm, e.parting_mm)
        total = float(np.nansum(e.outer_mm - inside)) * pixel_mm**2
        measured.append(total)
        parts.append(RubberParts(0.5 * total, 0.2 * total, 0.1 * total, 0.05 * total, 0.15 * total))
    whole = sum(measured)
    coats = (
        Coat("print coat", 1.0, whole * 0.125, False),
        Coat("build coat 1", 3.0, whole * 0.375, True),
        Coat("build coat 2", 4.0, whole * 0.5, True),
    )
    interval = Interval(0.9 * whole, whole, 1.15 * whole, (("brushing", 0.1), ("detail allowance", 0.05)))
    return Rubber(
        SKIN_MM, EDGE_MM, 40.0, FLANGE_MM, FLANGE_THICK_MM, "6 casts at 600 mm tall.", envelopes,
        tuple(parts), tuple(measured), interval, coats, 7.6, (7.9, 8.1, 9.0, 11.0, 14.0),
    )  # fmt: skip


def cradle_of(jacket) -> Cradle:
    """One cradle a piece that passes at two tilts."""
    pieces = tuple(
        CradlePiece(
            p.piece, (), ((0.0, 0.0), (400.0, 0.0), (200.0, 300.0)),
            (TiltCheck(0.0, 92.0, True), TiltCheck(10.0, 61.0, True)),
            (("profile board", 3, 420.0, 260.0, 18.0), ("runner", 2, 600.0, 80.0, 18.0)),
        )
        for p in jacket.pieces
    )  # fmt: skip
    return Cradle(pieces, ())


def cast_of() -> Cast:
    stands = (
        StandCheck("push", 270.0, 40.0, 36.5, "front edge", 1.5, "push of 500 N at 540 mm"),
        StandCheck("wind", 12.0, 40.0, 0.0, "back edge", 1.5, "EN 1991-1-4, 25 m/s"),
    )
    outline = ((-100.0, -120.0), (100.0, -120.0), (100.0, 120.0), (-100.0, 120.0))
    return Cast(
        310_000.0, 0.21, 0.48, 1.12, 1.3, 0.2, 3.4, 2.1, (0.0, 5.0, 260.0), outline, 48_000.0, stands, 36.5,
        True, "The glove stretches 21 % at its tightest and may stretch 160 %.", 2.1,
        ("Fix the ballast low.",),
    )  # fmt: skip


def takeoff_of(rubber: Rubber) -> Takeoff:
    likely = rubber.volume_mm3.likely * 1.08e-6
    net = Interval(0.9 * likely, likely, 1.15 * likely, rubber.volume_mm3.causes)

    def line(code, name, stage, kg, packs, pack, cost, unit="kg"):
        span = kg if isinstance(kg, Interval) else Interval(0.95 * kg, kg, 1.05 * kg, ())
        packs_bought = ((pack, packs, cost / packs),)
        return OrderLine(
            code, name, stage, span, unit, 0.1, packs, pack, packs * pack, cost, "EUR", Mark.INVENTED.value,
            packs_bought,
        )  # fmt: skip

    lines = (
        line("RUB-A", "Brush-on silicone", "glove", net, 2, 5.0, 230.0),
        line("CAT-A", "Catalyst, 5 %", "glove", 0.45, 1, 0.5, 24.5),
        line("CSM-300", "Chopped strand mat 300 g/m²", "jacket", 1.9, 1, 10.0, 61.0),
        line("RES-1", "Polyester resin", "jacket", 6.4, 1, 20.0, 96.0),
        line("GEL-1", "Gelcoat", "casts", 1.4, 1, 5.0, 48.0),
    )
    return Takeoff(lines, "EUR", 459.5, 380.0, 13.25, 11.75, 35.0, "A working stretch of 21 % and an 8 mm skin.")


def programme_of() -> Programme:
    tasks = (
        Task("Build the wall", "seam", 0.0, 4.0, 2, 1, "2026-11-30", ""),
        Task(
            "Print coat, left piece",
            "glove",
            4.0,
            0.5,
            2,
            1,
            "2026-11-30",
            "one batch",
            "",
            "work",
            ("nitrile gloves",),
            "12:00",
        ),
        Task("Print coat cures", "glove", 4.5, 3.0, 0, 1, "2026-11-30", ""),
        Task("Build coats, left piece", "glove", 24.0, 3.0, 2, 2, "2026-12-01", ""),
        Task("Lay up jacket, left piece", "jacket", 27.0, 4.0, 2, 2, "2026-12-01", ""),
        Task("Turn, right piece the same", "glove", 48.0, 8.0, 2, 3, "2026-12-02", ""),
        Task("Cast 1: gelcoat and lay up", "casts", 72.0, 5.0, 2, 4, "2026-12-03", ""),
        Task("Cast 1: join and open", "casts", 96.0, 3.0, 2, 5, "2026-12-04", ""),
    )
    batches = (
        Batch("print coat", "left piece", 1, 0.42, 22.0, 12.0, 21.0),
        Batch("build coat 1", "left piece", 2, 0.63, 22.0, 15.0, 31.5),
    )
    return Programme(tasks, batches, 3, 8, "At 20 °C; each 10 °C warmer halves the pot life (common practice).")


CAUTIONS = (
    Caution("styrene vapour", "Polyester resin gives off styrene: work with extraction.", "its safety data sheet"),
)


@functools.lru_cache(maxsize=4)
def small_plan(piece: str = "Garden figure", cells: int = 44, pixel_mm: float = 5.0, kind: str = "plane"):
    """The plan, built once for each set of arguments."""
    brief = Brief(
        piece=piece,
        master=MasterBrief(finished_height_mm=600.0),
        run=RunBrief(casts=6, start_date="2026-11-30"),
        opening=OpeningBrief(direction=(1.0, 0.0, 0.0)),
        seam=SeamBrief(kind=kind),
        keys=KeysBrief(),
        jacket=JacketBrief(),
    )
    master = master_of(*figure(cells), name=piece)
    opening = opening_along_x()
    field = field_of(master)
    seam = place_seam(master, opening, field, brief.seam)
    locks = locks_of(master, field, seam.labels)
    rubber = rubber_of(master, seam, pixel_mm)
    keys = set_keys(rubber, locks, seam, brief.keys)
    jacket = lay_up_jacket(rubber, keys, brief, None)
    return SimpleNamespace(
        brief=brief, catalogue=read_catalogue(None), master=master, opening=opening, undercut=field, seam=seam,
        locks=locks, rubber=rubber, keys=keys, jacket=jacket, cradle=cradle_of(jacket), cast=cast_of(),
        takeoff=takeoff_of(rubber), programme=programme_of(),
        assumptions=(Assumption("rubber's elongation at break", "480 %", Mark.PUBLISHED, "a data sheet"),),
        lifts=plan_lifts(jacket, cast_of(), JacketBrief()),
        cautions=CAUTIONS, division=None, answers=None, wall=None, peel=None, clay=None, version=1,
        made_by="mouldloft test",
    )  # fmt: skip
