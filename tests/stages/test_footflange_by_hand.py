"""The flange on the board, on a small quarter ball, by radii and by counting its pixels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mouldloft.stages.jacket.footflange import DRAFTED, above_parting_mm, foot_lines, foot_pixels, on_board
from synthetic_gloves import envelope_of

R, WIDTH, THICK, PIXEL = 100.0, 40.0, 10.0, 2.0


def footed(pull=(1, 0, 0), hole=False):
    """A quarter ball on a board with its flange round the foot; with a hole, none of it near the middle."""

    def outside(x, y):
        r = np.hypot(x, y)
        ball = np.sqrt(np.maximum(R**2 - r**2, 0.0))
        rim = np.sqrt(np.maximum((R + WIDTH) ** 2 - x**2, 0.0))
        on = (y >= 0) & (y < THICK) & (np.abs(x) < R + WIDTH)
        found = np.where(on, rim, np.where(r < R, ball, np.nan))
        return np.where(hole & (np.abs(x) < 20), np.nan, found)

    return envelope_of(
        outside, R + WIDTH, R, pull=pull, open_below_mm=0.0, pixel_mm=PIXEL, flange_width_mm=0.0 if hole else WIDTH
    )


@pytest.mark.parametrize("upright", [1.0, 0.85])
def test_pixels_of_the_foot(upright):
    envelope = footed(pull=(upright, 0.0, np.sqrt(1.0 - upright**2)))
    found = foot_pixels(envelope, WIDTH, THICK)
    assert found.dtype == bool
    rise = upright * (envelope.origin_mm[1] + PIXEL * np.arange(found.shape[0]))  # of a map that leans back
    inside = np.isfinite(envelope.outer_mm) & ~envelope.flange
    # its thickness, and the draft of its upper face: a tenth of its width more
    expected = inside & ((rise > -PIXEL) & (rise < THICK + DRAFTED * WIDTH))[:, None]
    assert DRAFTED * WIDTH == 4.0
    assert (found == expected).all()
    assert found.any(axis=1).sum() == round((THICK + 4.0) / PIXEL / upright)
    assert not (found & envelope.flange).any()


def test_where_there_is_none():
    assert not foot_pixels(footed(), 0.0, THICK).any()
    assert foot_pixels(footed(), 1.0, THICK).any()
    # the map's rows have to rise by eight tenths at least
    assert not foot_pixels(footed(pull=(0.79, 0, 0.613)), WIDTH, THICK).any()
    assert foot_pixels(footed(pull=(0.81, 0, 0.586)), WIDTH, THICK).any()
    below = footed()
    closed = replace(below, open_base=np.zeros_like(below.open_base), outer_mm=np.nan_to_num(below.outer_mm, nan=5.0))
    assert not foot_pixels(closed, WIDTH, THICK).any(), "rubber goes on below the board"


def test_lines_run_along_the_rim():
    envelope = footed()
    (line,) = foot_lines(envelope, foot_pixels(envelope, WIDTH, THICK), 12.0)
    at = np.array(line.coords)
    high = at[at[:, 1] > 14]
    assert np.hypot(*high.T) == pytest.approx(R + WIDTH - 12.0, abs=1.0)
    # a half circle of that radius, less what lies within 12 mm of the parting
    assert line.length == pytest.approx(np.pi * (R + WIDTH - 12.0), rel=0.12)
    deeper = foot_lines(envelope, foot_pixels(envelope, WIDTH, THICK), 20.0)[0]
    assert line.length - deeper.length == pytest.approx(np.pi * 8.0 + 2 * 8.0, rel=0.1), "shorter at both ends too"


def test_two_parts_are_two_lines_the_longest_first():
    envelope = footed(hole=True)
    pixels = foot_pixels(envelope, WIDTH, THICK)
    pixels[:, : pixels.shape[1] // 4] = False  # the left part shorter
    lines = foot_lines(envelope, pixels, 6.0)
    assert len(lines) == 2
    assert lines[0].length > lines[1].length
    assert all((np.array(line.coords)[:, 0] > 20).all() or (np.array(line.coords)[:, 0] < -20).all() for line in lines)
    few = np.zeros_like(pixels)
    few[:, 60:62] = pixels[:, 60:62]
    assert foot_lines(envelope, few, 1.0) == [], "two columns make no line"
    pixels[:, 40:42] = foot_pixels(envelope, WIDTH, THICK)[:, 40:42]
    pixels[:, 42:46] = False
    assert len(foot_lines(envelope, pixels, 6.0)) == 2, "and hide none after them"


def test_height_over_the_parting_is_read_at_the_upper_side():
    envelope = footed()
    rows, columns = (np.arange(n, dtype=np.float32) for n in envelope.parting_mm.shape)
    x = envelope.origin_mm[0] + PIXEL * columns
    leaning = replace(envelope, parting_mm=rows[:, None] + x[None, :] / 10.0)
    pixels = foot_pixels(leaning, WIDTH, THICK)
    top = np.flatnonzero(pixels.any(axis=1))[-1]
    found = above_parting_mm(leaning, pixels, np.array([[0.0, 50.0], [30.0, 20.0]]), THICK)
    assert found == pytest.approx([50.0 - top, 20.0 - top - 3.0], abs=1e-4)


@pytest.mark.parametrize("pull", [(1.0, 0.0, 0.0), (0.0, -1.0, 0.0)])
def test_places_on_the_board(pull):
    envelope = footed(pull=pull)
    made = on_board(envelope, np.array([[10.0, 60.0]]))
    across, _, along = envelope.frame.axes
    assert made == pytest.approx(np.array([10.0 * across + 60.0 * along]))
    assert made[0, 2] == 0.0
    assert on_board(envelope, np.zeros((0, 2))).shape == (0, 3)
