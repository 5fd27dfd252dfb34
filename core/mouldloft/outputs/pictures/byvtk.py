"""Drawing by VTK, off-screen, where a machine can."""

from __future__ import annotations

import functools
import os
import subprocess
import sys
from typing import Any

import numpy as np

from ..look import BACKDROP, rgb
from .camera import Camera

_PROBE = """
import numpy as np
from mouldloft.outputs.pictures.byvtk import draw_by_vtk
from mouldloft.outputs.pictures.camera import look
v = np.array([[-1.0, 0, -1], [1, 0, -1], [0, 0, 1]])
camera = look((0, 1, 0), v, 32, 32, parallel=True)
p = draw_by_vtk(v, np.array([[0, 1, 2]]), np.tile([1.0, 0, 0], (3, 1)), camera)
raise SystemExit(0 if tuple(p[16, 16]) == (255, 0, 0) else 9)
"""


@functools.cache
def vtk_can_draw() -> bool:
    """Can VTK make an off-screen picture on this machine? Tried once, in a process of its own.

    Where the graphics libraries are missing VTK may end the whole process instead of raising.
    """
    import importlib.util

    if importlib.util.find_spec("vtkmodules") is None:
        return False
    here = os.pathsep.join(p for p in sys.path if p)
    environment = {**os.environ, "PYTHONPATH": here}
    try:
        tried = subprocess.run(
            [sys.executable, "-c", _PROBE], env=environment, capture_output=True, timeout=60, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return False
    return tried.returncode == 0


def draw_by_vtk(
    vertices: np.ndarray, faces: np.ndarray, colours: np.ndarray, camera: Camera, finer: int = 1
) -> np.ndarray:
    """(height, width, 3) uint8 picture of triangles coloured at their corners, `finer` times the camera's pixels."""
    import vtkmodules.vtkRenderingOpenGL2  # noqa: F401 - what draws
    from vtkmodules.util.numpy_support import numpy_to_vtk, vtk_to_numpy
    from vtkmodules.vtkCommonCore import VTK_UNSIGNED_CHAR, vtkLogger, vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
    from vtkmodules.vtkRenderingCore import (
        vtkActor,
        vtkPolyDataMapper,
        vtkRenderer,
        vtkRenderWindow,
        vtkWindowToImageFilter,
    )

    vtkLogger.SetStderrVerbosity(vtkLogger.VERBOSITY_OFF)  # it complains of a missing screen each time
    # VTK reads the arrays where they lie: they must outlive the drawing
    places, corners = np.ascontiguousarray(vertices, np.float32), np.ascontiguousarray(faces, np.int32).ravel()
    shades = np.rint(np.clip(colours, 0, 1) * 255).astype(np.uint8)
    mesh, points, cells = vtkPolyData(), vtkPoints(), vtkCellArray()
    points.SetData(numpy_to_vtk(places))
    cells.SetData(3, numpy_to_vtk(corners))
    mesh.SetPoints(points)
    mesh.SetPolys(cells)
    mesh.GetPointData().SetScalars(numpy_to_vtk(shades, array_type=VTK_UNSIGNED_CHAR))
    mapper, actor, renderer, window = vtkPolyDataMapper(), vtkActor(), vtkRenderer(), vtkRenderWindow()
    mapper.SetInputData(mesh)
    mapper.SetColorModeToDirectScalars()
    actor.SetMapper(mapper)
    actor.GetProperty().LightingOff()
    # half the work: bodies are closed and the floor faces up, so from above nothing shows its back
    actor.GetProperty().SetBackfaceCulling(bool(camera.axes[2][2] >= 0))
    renderer.SetBackground(*rgb(BACKDROP))
    renderer.AddActor(actor)
    window.OffScreenRenderingOn()
    window.SetMultiSamples(0)  # the picture is averaged down from twice its size
    window.SetSize(camera.width_px * finer, camera.height_px * finer)
    window.AddRenderer(renderer)
    _aim(renderer.GetActiveCamera(), camera)
    renderer.ResetCameraClippingRange()
    try:
        window.Render()
        taken = vtkWindowToImageFilter()
        taken.SetInput(window)
        taken.ReadFrontBufferOff()
        taken.ShouldRerenderOff()
        taken.Update()
        image = taken.GetOutput()
        columns, rows, _ = image.GetDimensions()
        # VTK counts its rows from the foot
        return vtk_to_numpy(image.GetPointData().GetScalars()).reshape(rows, columns, -1)[::-1, :, :3].copy()
    finally:
        window.Finalize()


def _aim(there: Any, camera: Camera) -> None:
    flat = np.isinf(camera.distance_mm)
    distance = 10.0 * camera.half_height_mm if flat else camera.distance_mm
    there.SetPosition(*(camera.target_mm + distance * camera.axes[2]))
    there.SetFocalPoint(*camera.target_mm)
    there.SetViewUp(*camera.axes[1])
    if flat:
        there.ParallelProjectionOn()
        there.SetParallelScale(camera.half_height_mm)
    else:
        there.SetViewAngle(float(np.degrees(2 * np.arctan(camera.half_height_mm / camera.distance_mm))))
