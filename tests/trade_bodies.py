"""Analytic bodies and records for the tests of cast, take-off, programme and estimate."""

from __future__ import annotations

import contextlib
import math
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from mouldloft.base.intervals import Interval
from mouldloft.geometry.frame import pull_frame
from mouldloft.stages import cast as cast_stage
from mouldloft.stages.cast import Cast
from mouldloft.stages.cradle import Cradle, CradlePiece
from mouldloft.stages.jacket.record import Jacket, JacketPiece, Zone
from mouldloft.stages.keys.record import Key, Keys
from mouldloft.stages.locks import LockRegion, Locks
from mouldloft.stages.master import Health, Master
from mouldloft.stages.rubber.record import Coat, Envelope, Rubber, RubberParts
from mouldloft.stages.seam.record import Seam, SeamFigures, SeamLine, SeamPiece
from mouldloft.trade.lifting import LiftCheck

SOUND = Health(0, 0, False, 0, 0, 0, True)
LIFT = LiftCheck(10.0, 20.0, 2, 26.0, 1, True, "the shell at 10.0 kg is light enough", "test")


def standing(mesh: trimesh.Trimesh, base: str = "open", allowance: float = 1.0, unsure: float = 0.05) -> Master:
    """A trimesh body as a master that stands on z = 0; faces on the ground are its base."""
    vertices = np.asarray(mesh.vertices, float).copy()
    vertices[:, 2] -= vertices[:, 2].min()
    faces = np.asarray(mesh.faces, np.int32)
    across = np.cross(vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]])
    doubled = np.linalg.norm(across, axis=1)
    normals, areas = across / doubled[:, None], doubled / 2
    on_ground = (vertices[faces][:, :, 2].max(axis=1) < 1e-6) & (normals[:, 2] < -0.99)
    x, y, z = (float(side) for side in np.ptp(vertices, axis=0))
    return Master(
        name="body", vertices_mm=vertices, faces=faces, normals=normals, face_areas_mm2=areas, base_faces=on_ground,
        base=base, area_mm2=float(areas.sum()), base_area_mm2=float(areas[on_ground].sum()),
        volume_mm3=float(mesh.volume), height_mm=z, size_mm=(x, y, z),
        scale=1.0, unit_assumed="millimetres by the test", detail_allowance=allowance,
        detail_allowance_uncertainty=unsure, source_hash="0" * 64, health=SOUND,
    )  # fmt: skip


def box(x: float, y: float, z: float) -> Master:
    """A box of sides x, y, z."""
    return standing(trimesh.creation.box((x, y, z)))


def seam_of(points: np.ndarray | None = None, pull=(1.0, 0.0, 0.0), offset_mm: float = 0.0, faces: int = 0) -> Seam:
    """A two-piece seam along one closed line, or with no line."""
    lines: tuple[SeamLine, ...] = ()
    if points is not None:
        ring = np.vstack([points, points[:1]])
        length = float(np.linalg.norm(np.diff(ring, axis=0), axis=1).sum())
        lines = (SeamLine(points, True, length, 50.0, 0.0, 0.5),)
    length = sum(line.length_mm for line in lines)
    back = tuple(-p for p in pull)
    pieces = (SeamPiece("left piece", pull, 1e6), SeamPiece("right piece", back, 1e6))  # type: ignore[arg-type]
    figures = SeamFigures("plane", length, length / 2, 0.0, 0.0, len(lines))
    return Seam(
        "plane",
        np.zeros(faces, np.int8),
        pieces,
        lines,
        offset_mm,
        length,
        figures,
        None,
        ("left piece", "right piece"),
    )


def locks_of(stretch: float = 0.0, allowed: float = 1.6, at_break: float = 4.8) -> Locks:
    """Locks with one region of the given stretch."""
    none = np.zeros(0, np.float32)
    region = LockRegion("left side, 620 mm up", 0, 2000.0, 30.0, stretch, 9000.0, (10.0, 0.0, 620.0), 620.0, none)
    return Locks((region,), 0.0, 2000.0, 9000.0, stretch, allowed, at_break, none, none, none)


def rubber_of(
    area_mm2: float = 1e6,
    skin_mm: float = 8.0,
    coats: tuple[tuple[float, bool], ...] = ((0.8, False), (2.4, True), (2.4, True), (2.4, True)),
    half: float = 0.1,
    pieces: int = 2,
    flange_width_mm: float = 50.0,
    seam_mm: float = 3000.0,
) -> Rubber:
    """A glove of one thickness over `area_mm2`, split evenly, whose coats add up to it; the flange runs along the
    seam outside the master's outline."""
    whole = area_mm2 * skin_mm
    each = whole / pieces
    part = RubberParts(0.7 * each, 0.1 * each, 0.1 * each, 0.05 * each, 0.05 * each)
    pixel = 10.0
    strip = np.zeros((round(flange_width_mm / pixel), round(seam_mm / pixel)), bool)
    rows = np.zeros(strip.shape, np.float32)
    names = ("left piece", "right piece", "third piece", "fourth piece")
    envelopes = tuple(
        Envelope(
            k, names[k], pull_frame(np.array([1.0 if k % 2 == 0 else -1.0, 0.0, 0.0])), (0.0, 0.0), pixel, rows, rows,
            rows + 10.0, ~strip, strip,
        )
        for k in range(pieces)
    )  # fmt: skip
    brushed = tuple(
        Coat("print coat" if k == 0 else f"build coat {k}", t, area_mm2 * t, thick)
        for k, (t, thick) in enumerate(coats)
    )
    likely = Interval(whole * (1 - half), whole, whole * (1 + half), (("brushing", half),))
    return Rubber(
        skin_mm, 12.0, 40.0, flange_width_mm, 10.0, "by the test", envelopes, (part,) * pieces, (each,) * pieces,
        likely, brushed, skin_mm * 0.95, (skin_mm,) * 5,
    )  # fmt: skip


def keys_of(count: int = 20) -> Keys:
    """Keys shared by two pieces."""
    return Keys(
        tuple(Key(f"L{k}", k % 2, "edge", (0.0, 0.0, 0.0), 40.0, 30.0, 12.0, 11_600.0) for k in range(count)), ()
    )


@contextlib.contextmanager
def any_ballast():
    """As if bags of any weight were carried in: for sums of ballast by its lever."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cast_stage, "MOST_BALLAST_KG", math.inf)
        patch.setattr(cast_stage, "MOST_BALLAST_SHARE", math.inf)
        yield


def jacket_of(area_mm2: float = 6e5, bolts: int = 18, pieces: int = 2, gelcoat_kg: float = 0.0) -> Jacket:
    """Pieces with one zone each of 300 + 450 + 450 g/m² at 0.30 glass; they meet at the same bolts."""
    glass = area_mm2 * 1e-6 * 1.2
    zone = Zone("field", area_mm2, 1200.0, 3.93, (300.0, 450.0, 450.0), 2.8, glass, glass * 7 / 3)
    holes = tuple((0.0, 0.0, 100.0 * k) for k in range(bolts))
    names = ("left piece", "right piece", "third piece", "fourth piece")
    made = tuple(
        JacketPiece(
            k, names[k], (zone,), area_mm2, zone.glass_kg + zone.resin_kg, 5.0, (0.0, 0.0, 700.0), holes,
            ((0.0, 0.0, 0.0),), 150.0, (), LIFT, LIFT,
        )
        for k in range(pieces)
    )  # fmt: skip
    return Jacket(made, gelcoat_kg, ())


def cradle_of(boards: int = 4, pieces: int = 2) -> Cradle:
    """A cradle of so many boards of half a square metre for each piece, told as two lines of its list."""
    lists = (("profile", boards - 2, 1000.0, 500.0, 18.0), ("rail", 2, 1000.0, 500.0, 18.0))
    return Cradle(tuple(CradlePiece(k, (), (), (), lists) for k in range(pieces)), ())


def cast_record(**changes: object) -> Cast:
    """Figures of a cast of 1.5 m² that no stage has worked out, for sums by hand."""
    plain = {
        "area_mm2": 1.5e6, "gelcoat_kg": 1.1, "glass_kg": 2.25, "resin_kg": 4.5, "joint_tape_m": 2.5,
        "joint_tape_kg": 0.3, "thickness_mm": 3.0, "mass_kg": 9.0, "centre_of_mass_mm": (0.0, 0.0, 500.0),
        "baseboard_outline_mm": (), "baseboard_area_mm2": 8e4, "stands": (), "ballast_kg": 0.8, "comes_out": True,
        "comes_out_reason": "", "lift_kg": 9.0, "advice": (), "joint_resin_kg": 0.7,
        "size_mm": (500.0, 400.0, 900.0), "baseboard_halves_mm": (((0.0, 0.0), (1.0, 0.0), (0.0, 1.0)),),
    }  # fmt: skip
    return Cast(**(plain | changes))  # type: ignore[arg-type]


def uneven_flanges(rubber: Rubber, pixels: int = 1000) -> tuple[Envelope, ...]:
    """The first two envelopes, the second with that many pixels of flange (0.10 m² where they are 10 mm)."""
    first, second = rubber.envelopes[:2]
    flange = second.flange.copy()
    flange.flat[pixels:] = False
    return first, replace(second, flange=flange)
