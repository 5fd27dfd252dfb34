"""Column images, ball offsets and draft limiting against analytic bodies and brute force."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from mouldloft.geometry.depthmap import Grid, column_image, grid_around, limit_slope, raise_by_balls


def test_column_volume_of_ball_converges_to_the_mesh_volume():
    mesh = trimesh.creation.icosphere(subdivisions=5, radius=100.0)
    errors = []
    for pixel in (8.0, 4.0, 2.0, 1.0):
        grid = grid_around(mesh.vertices, pixel)
        top, bottom = column_image(np.array(mesh.vertices), mesh.faces.astype(np.int32), grid)
        hit = np.isfinite(top)
        errors.append(abs((top - bottom)[hit].sum(dtype=float) * pixel**2 / mesh.volume - 1))
    assert errors[-1] < 2e-4
    assert errors[-1] < errors[0]


def test_every_column_of_a_box_is_exact():
    mesh = trimesh.creation.box([40, 30, 20])
    grid = grid_around(mesh.vertices, 0.7)
    top, bottom = column_image(np.array(mesh.vertices), mesh.faces.astype(np.int32), grid)
    x, y = np.meshgrid(grid.x(), grid.y())
    inside = (np.abs(x) < 20) & (np.abs(y) < 15)
    assert np.array_equal(np.isfinite(top), inside)
    assert np.allclose(top[inside], 10)
    assert np.allclose(bottom[inside], -10)


def test_one_ball_is_raised_exactly():
    grid = Grid(-10.0, -10.0, 0.5, 41, 41)
    height = np.full((41, 41), -np.inf, np.float32)
    raise_by_balls(height, np.array([[0.2, -0.3, 5.0]]), np.array([4.0]), grid)
    x, y = np.meshgrid(grid.x(), grid.y())
    left = 16 - (x - 0.2) ** 2 - (y + 0.3) ** 2
    expected = np.where(left >= 0, 5 + np.sqrt(np.maximum(left, 0)), -np.inf)
    assert np.allclose(height, expected, atol=1e-5)


def test_cone_dilation_equals_brute_force():
    rng = np.random.default_rng(3)
    height = np.where(rng.random((30, 25)) < 0.06, rng.random((30, 25)) * 40, -np.inf).astype(np.float32)
    out = limit_slope(height, 20.0, 1.5)
    i, j = np.nonzero(np.isfinite(height))
    rows, columns = np.indices(height.shape)
    away = 1.5 * np.hypot(rows[..., None] - i, columns[..., None] - j)
    expected = np.maximum((height[i, j] - away / np.tan(np.radians(20.0))).max(axis=-1), height)
    assert np.allclose(out, expected, atol=1e-3)


@pytest.mark.parametrize("draft", [1.0, 3.0, 12.0])
def test_slope_never_exceeds_the_draft(draft):
    grid = np.full((60, 60), -np.inf, np.float32)
    grid[20:35, 25:40] = 30.0
    out = limit_slope(grid, draft, 1.0)
    steepest = 1 / np.tan(np.radians(draft))
    assert np.abs(np.diff(out, axis=0)).max() <= steepest * 1.001
    assert np.abs(np.diff(out, axis=1)).max() <= steepest * 1.001
