"""The wall's templates as a cutter reads them: the DXF by ezdxf alone, folded and laid on the master.

Tolerances are the trade's (common practice, no source): skin edge on the seam less its gap to 1.5 mm, lengths to 0.5 %.
"""

from __future__ import annotations

import io
from itertools import pairwise

import ezdxf
import numpy as np
import pytest
import shapely
import shapely.affinity
import trimesh
from mouldloft.geometry.frame import pull_frame
from mouldloft.geometry.nesting import nest
from mouldloft.outputs.sheets.wall import _draw_station
from mouldloft.outputs.templates.wall import on_strip, wall_templates
from mouldloft.outputs.templates.write import write_templates
from mouldloft.stages.wall.ribs import CLAY_MM
from reportlab.pdfgen.canvas import Canvas
from scipy.interpolate import interp1d
from scipy.optimize import least_squares
from scipy.spatial import cKDTree
from shapely.geometry import LineString, Point, Polygon


@pytest.fixture(scope="module")
def drawing(small_plan, tmp_path_factory):
    """Cut outlines, marks and words of the small hare's wall, as they stand in the file."""
    folder = write_templates(small_plan, tmp_path_factory.mktemp("templates"))
    space = ezdxf.readfile(folder / "wall.dxf").modelspace()
    lines = [e for e in space if e.dxftype() == "LWPOLYLINE"]
    cut = [np.array([p[:2] for p in e.get_points()]) for e in lines if e.dxf.layer == "CUT"]
    marks = [np.array([p[:2] for p in e.get_points()]) for e in lines if e.dxf.layer == "MARK" and not e.closed]
    rings = [np.array([p[:2] for p in e.get_points()]) for e in lines if e.dxf.layer == "MARK" and e.closed]
    words = [(e.dxf.text, np.array(e.dxf.insert)[:2]) for e in space if e.dxftype() == "TEXT"]
    assert {e.dxf.layer for e in space} <= {"CUT", "MARK", "TEXT"}
    return cut, marks, rings, words


def outline_named(drawing, name):
    """The cut outline that a piece's name stands in."""
    cut, _, _, words = drawing
    (at,) = (p for text, p in words if text == name)
    return next(c for c in cut if Polygon(c).distance(Point(at)) < 1.0)


def placed(flat, there):
    """Rigid motion of (k, 2) points onto (k, 3): rotation, shift, greatest misfit (Kabsch 1976)."""
    flat3 = np.column_stack([flat, np.zeros(len(flat))])
    a, b = flat3 - flat3.mean(axis=0), there - there.mean(axis=0)
    u, _, vt = np.linalg.svd(a.T @ b)
    turn = u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
    shift = there.mean(axis=0) - flat3.mean(axis=0) @ turn
    return turn, shift, float(np.abs(flat3 @ turn + shift - there).max())


def test_strips_folded_from_the_file_lie_on_the_master(small_plan, drawing):
    wall, pull = small_plan.wall, np.asarray(small_plan.seam.pieces[0].pull)
    strips = [p for p in wall.pieces if p.kind == "strip"]
    assert strips
    seam = [np.concatenate([n.points_mm, n.points_mm[:1]]) if n.closed else n.points_mm for n in small_plan.seam.lines]
    dense = np.concatenate([s[:-1] + t * np.diff(s, axis=0) for s in seam for t in np.linspace(0, 1, 40)])
    for strip in strips:
        shape = Polygon(outline_named(drawing, strip.name))
        assert shape.is_valid
        bends = [m for m in drawing[1] if len(m) == 2 and np.linalg.norm(m[1] - m[0]) > 40]
        bends = [m for m in bends if shape.buffer(0.1).covers(LineString(m))]
        # which ruling each is: by its own ends on the flat piece, found from the outline's first edge
        turn = shape.exterior.coords
        local = np.array(strip.outline_mm)
        a, b = np.array(turn[0]), np.array(turn[len(strip.flat_inner_mm) - 1])
        c, d = local[0], local[len(strip.flat_inner_mm) - 1]
        assert np.linalg.norm(b - a) == pytest.approx(np.linalg.norm(d - c), rel=0.005)
        found = [
            int(np.argmin(np.linalg.norm(np.array(turn)[: len(strip.flat_inner_mm)] - m[0], axis=1))) for m in bends
        ]
        order = np.argsort(found)
        bends, found = [bends[k] for k in order], [found[k] for k in order]
        assert found[0] == 0
        assert found[-1] == len(strip.flat_inner_mm) - 1
        assert max(np.diff(found)) * 8 <= 40  # mm between bends
        for k in range(len(bends) - 1):
            flat = np.concatenate([bends[k], bends[k + 1]])
            there = np.array([e[j] for j in found[k : k + 2] for e in (strip.inner_mm, strip.outer_mm)])
            rotation, shift, misfit = placed(flat, there)
            assert misfit < 1.5
            assert rotation[2] @ pull > 0.5  # though the wall may lean; the side drawn faces the first piece
            edge = np.array(turn)[found[k] : found[k + 1] + 1]
            bent = np.column_stack([edge, np.zeros(len(edge))]) @ rotation + shift
            away = np.linalg.norm(bent[:, None] - dense, axis=2).min(axis=1)
            assert np.abs(away - wall.gap_mm).max() < 1.5
            true = np.linalg.norm(np.diff(strip.inner_mm[found[k] : found[k + 1] + 1], axis=0), axis=1).sum()
            assert np.linalg.norm(np.diff(edge, axis=0), axis=1).sum() == pytest.approx(true, rel=0.005)


def lengths(ends):
    """Of every ruled line, both edges and both diagonals between neighbours, of (k, 2, 2 or 3) ends."""
    inner, outer = ends[:, 0], ends[:, 1]
    runs = (
        outer - inner,
        inner[1:] - inner[:-1],
        outer[1:] - outer[:-1],
        outer[1:] - inner[:-1],
        inner[1:] - outer[:-1],
    )
    return np.concatenate([np.linalg.norm(run, axis=1) for run in runs])


def ruled_on(drawing, strip):
    """(k, 2, 2) lines drawn across a strip in the file, in order along its skin edge, and by number its stations'."""
    shape = Polygon(outline_named(drawing, strip.name))
    found = [m for m in drawing[1] if len(m) == 2 and np.linalg.norm(m[1] - m[0]) > 40]
    found = [m for m in found if shape.buffer(0.1).covers(LineString(m))]
    skin = LineString(np.array(shape.exterior.coords)[: len(strip.flat_inner_mm)])  # where an outline begins
    lines = np.array(sorted(found, key=lambda m: skin.project(Point(m[0]))))
    at = {}
    for number in {str(m.number) for m in strip.marks}:
        spots = [Point(p) for text, p in drawing[3] if text == number and shape.buffer(2.0).covers(Point(p))]
        at[number] = min(range(len(lines)), key=lambda k: min(LineString(lines[k]).distance(p) for p in spots))
    return lines, at


def set_by_stations(lines, fixed, asked):
    """(k, 2, 3) where the lines drawn across a strip stand once those `fixed` are held where they are asked to be: no
    length on the strip changes that need not, and it bends evenly."""
    flat = lengths(lines)
    start = np.stack([interp1d(fixed, asked[:, end], axis=0)(np.arange(len(lines))) for end in (0, 1)], axis=1)

    def off(flown):
        there = flown.reshape(-1, 2, 3)
        bends = np.diff(there, 2, axis=0)
        return np.concatenate([5.0 * (lengths(there) - flat), (there[fixed] - asked).ravel(), 0.02 * bends.ravel()])

    return least_squares(off, start.ravel()).x.reshape(-1, 2, 3)


def test_strips_set_by_their_stations_alone_follow_the_seam(small_plan, drawing):
    """As at the bench: what is cut, bent along what is drawn on it until its numbered lines stand where the table of
    stations puts them; nothing of the plan's own bending goes in. Lengths on it change by no more than half a per cent,
    and between stations the skin edge follows the seam less its gap to 1.5 mm, on every span of every strip."""
    wall = small_plan.wall
    table = {str(s.number): np.array([s.inner_mm, s.outer_mm]) for s in wall.stations}
    seam = [np.concatenate([n.points_mm, n.points_mm[:1]]) if n.closed else n.points_mm for n in small_plan.seam.lines]
    dense = cKDTree(np.concatenate([s[:-1] + t * np.diff(s, axis=0) for s in seam for t in np.linspace(0, 1, 20)]))
    strips = [p for p in wall.pieces if p.kind == "strip"]
    assert len(strips) >= 4
    for strip in strips:
        lines, at = ruled_on(drawing, strip)
        fixed = sorted(at.values())
        asked = np.array([table[n] for n in sorted(at, key=at.get)])
        assert len(fixed) >= 4
        assert fixed[0] == 0
        assert fixed[-1] == len(lines) - 1
        there = set_by_stations(lines, fixed, asked)
        assert np.linalg.norm(there[fixed] - asked, axis=2).max() < 1.5
        assert np.abs(lengths(there) / lengths(lines) - 1.0).max() < 0.005
        rim = outline_named(drawing, strip.name)[: len(strip.flat_inner_mm)]
        own = [int(np.argmin(np.linalg.norm(rim - inner, axis=1))) for inner in lines[:, 0]]
        for k, (first, last) in enumerate(pairwise(own)):
            turn, shift, _ = placed(lines[k : k + 2].reshape(-1, 2), there[k : k + 2].reshape(-1, 3))
            cut = rim[first : last + 1]
            edge = np.column_stack([cut, np.zeros(len(cut))]) @ turn + shift
            assert np.abs(dense.query(edge)[0] - wall.gap_mm).max() < 1.5, (strip.name, k)


def test_stations_are_no_further_apart_than_is_said(small_plan):
    for number, line in enumerate(small_plan.seam.lines):
        along = [s.along_mm for s in small_plan.wall.stations if s.line == number]
        along += [along[0] + line.length_mm] if line.closed else []
        assert np.diff(along).max() < 80.5  # along the line as drawn, to half a millimetre


def test_every_piece_says_what_it_is(small_plan, drawing):
    cut, _, _, words = drawing
    wall = small_plan.wall
    numbers = {s.number for s in wall.stations}
    for piece in wall.pieces:
        shape = Polygon(outline_named(drawing, piece.name)).buffer(3.0)
        own = [text for text, at in words if shape.covers(Point(at))]
        assert piece.name in own
        assert any(small_plan.brief.piece in text and "rev " in text for text in own), (piece.name, own)
        if piece.kind == "rib":
            assert any(f"station {piece.marks[0].number}," in text for text in own)
            continue
        assert any("SKIN EDGE" in text for text in own)
        assert f"this face to the {small_plan.seam.pieces[0].name}" in own
        assert {str(m.number) for m in piece.marks} <= set(own)
        assert {m.number for m in piece.marks} <= numbers
    assert len(cut) == sum(1 + len(p.holes_mm) for p in wall.pieces)


def test_pieces_lie_apart_on_the_sheets_that_are_bought(small_plan, drawing):
    cut, _, rings, _ = drawing
    shapes = [Polygon(c) for c in cut]
    sheets = [Polygon(r) for r in rings if Polygon(r).area > 1e6]
    bought = sum(lot.count for lot in small_plan.wall.sheets)
    assert len(sheets) == bought
    tree = shapely.STRtree(shapes)
    for k, shape in enumerate(shapes):
        assert sum(sheet.covers(shape) for sheet in sheets) == 1
        near = [j for j in tree.query(shape.buffer(4.0)) if j != k]
        assert all(shape.distance(shapes[j]) > 4.0 for j in near)
    for lot in small_plan.wall.sheets:
        line = next(n for n in small_plan.takeoff.lines if n.code == lot.code)
        assert dict(line.by_stage)["wall"] == pytest.approx(lot.count * lot.size_mm[0] * lot.size_mm[1] * 1e-6)


def test_ribs_stand_clear_of_the_master_under_the_clay(small_plan):
    """By trimesh: no corner of a rib is inside, and its top's end lies 10 mm under the outer edge of its station."""
    body = trimesh.Trimesh(small_plan.master.vertices_mm, small_plan.master.faces, process=False)
    wall, pull = small_plan.wall, np.asarray(small_plan.seam.pieces[0].pull)
    by_number = {s.number: s for s in wall.stations}
    checked = 0
    for rib in (p for p in wall.pieces if p.kind == "rib"):
        station = by_number[rib.marks[0].number]
        foot, outer = np.array(station.on_seam_mm), np.array(station.outer_mm)
        out = outer - foot
        out -= (out @ pull) * pull
        out /= np.linalg.norm(out)
        x, y = rib.outline_mm.T
        there = foot + x[:, None] * out + y[:, None] * pull
        inside = body.contains(there)
        assert inside.sum() <= max(1, 0.05 * len(inside))  # at a crease the skin turns within the gap
        x_end, y_end = rib.marks[0].outer_mm
        end = foot + x_end * out + (y_end + CLAY_MM) * pull
        assert np.linalg.norm(end - outer) < 2.5
        checked += 1
    assert checked > 5


def test_nesting_wastes_little_on_squares_and_leaves_out_what_is_too_large():
    """Analytic: 50 squares of 100 mm with 6 mm between fill at least 12 in the width of a sheet of 1300 mm."""
    squares = [shapely.box(0, 0, 100, 100)] * 50
    laid = nest(squares, (2500.0, 1300.0))
    assert {one.sheet for one in laid} == {0}
    corners = np.array([one.place(np.array([[0.0, 0.0], [100.0, 100.0]])) for one in laid])
    reach = corners[:, :, 0].max()
    assert reach < 6 * 130
    placed_at = [shapely.box(*c.min(axis=0), *c.max(axis=0)) for c in corners]
    assert min(a.distance(b) for k, a in enumerate(placed_at) for b in placed_at[:k]) > 5.9
    assert nest([shapely.box(0, 0, 3000, 10)], (2500.0, 1300.0)) == ()
    two = nest([shapely.box(0, 0, 2400, 1200)] * 2, (2500.0, 1300.0))
    assert [one.sheet for one in two] == [0, 1]
    assert nest(squares, (2500.0, 1300.0)) == laid


def test_a_point_of_the_wall_is_found_on_the_flat_strip(small_plan):
    strip = next(p for p in small_plan.wall.pieces if p.kind == "strip")
    middle = (strip.inner_mm + strip.outer_mm) / 2
    flat, away = on_strip(strip, middle)
    assert np.abs(flat - (strip.flat_inner_mm + strip.flat_outer_mm) / 2).max() < 0.5
    assert away.max() < 1e-6


def standing(text):
    """Where words of a template stand, letters 0.62 of their height wide in the mean."""
    wide = 0.62 * text.height_mm * len(text.text)
    own = shapely.box(0.0, 0.0, wide, 0.75 * text.height_mm)
    return shapely.affinity.translate(shapely.affinity.rotate(own, text.turn_deg, origin=(0, 0)), *text.at_mm)


def test_no_number_is_cut_off_and_no_name_lies_over_a_bolt(small_plan):
    """A station at a piece's end has its number inside the piece, and words stand clear of what is drilled."""
    templates = wall_templates(small_plan, small_plan.wall)
    flat = [(p, t) for p, t in zip(small_plan.wall.pieces, templates, strict=True) if p.kind != "rib"]
    assert flat
    for piece, template in flat:
        body = Polygon(piece.outline_mm)
        numbers = [t for t in template.texts if t.text.isdigit() or t.text.startswith("bolt ")]
        assert {str(m.number) for m in piece.marks} <= {t.text for t in numbers}
        for text in numbers:
            assert standing(text).difference(body).area < 0.05 * standing(text).area, (piece.name, text.text)
        rings = shapely.union_all([Polygon(n.points_mm) for n in template.lines if n.use == "mark" and n.closed])
        for text in template.texts:
            if text.text == piece.name or text.text.startswith("this face"):
                assert not standing(text).intersects(rings), (piece.name, text.text)


def test_no_station_number_lies_over_another_on_the_map(small_plan):
    """Seen against the pull at 0.4 points a millimetre, as large as the small hare is drawn on its page."""
    frame, canvas = pull_frame(np.asarray(small_plan.seam.pieces[0].pull, float)), Canvas(io.BytesIO())
    boxes = []
    for station in small_plan.wall.stations:
        boxes.append(_draw_station(canvas, station, lambda points: 0.4 * frame.to_frame(points)[:, :2], boxes))
    shapes = [shapely.box(*one) for one in boxes]
    assert not any(a.intersection(b).area for k, a in enumerate(shapes) for b in shapes[:k])
