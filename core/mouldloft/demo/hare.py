"""The demo piece: a seated hare, 1.4 m tall, carved in numbers, at any triangle count.

The body is a table of blended solids (bent ellipsoids, tapered limbs, a low plinth) under a carved coat. All
its shapes and sizes are invented for the demo.
"""

from __future__ import annotations

import numpy as np

from ..base.errors import BriefRefused
from ..base.progress import SILENT, Progress
from ..geometry.edges import edges_of
from ..geometry.selfcrossings import find_self_crossings
from .carving import PLINTH, Blend, ball, both, limb, table_of, turn_about, turned
from .skin import lattice_over, march, sharp_foot

FINISHED_HEIGHT_MM = 1400.0
MOST_TRIANGLES = 6_000_000

_PLINTH_AT, _PLINTH_SIZE = (0.0, -10.0, 0.0), (278.0, 405.0, 44.0)  # middle; half-axes and height
# marching cubes gives about 2.77 triangles to a square pitch of skin; the hare has some 2.46 m2 of it
_TRIANGLES_TO_PITCH2 = 2.77 * 2.46e6
_LOW_MM, _HIGH_MM = np.array([-330.0, -530.0, 0.0]), np.array([330.0, 500.0, 1450.0])


def _trunk() -> list[Blend]:
    coat = {"coat_mm": 6.0, "coat_width_mm": 30.0, "coat_length_mm": 105.0}
    return [
        limb((0, -80, 640), (0, 160, 330), 132, 190, blend_mm=90, **coat),  # back
        ball((0, 70, 500), (132, 150, 255), pitch=144, blend_mm=110, **coat),  # its arch
        ball((0, 185, 250), (150, 205, 225), pitch=200, blend_mm=70, **coat),  # rump
        ball((0, -120, 545), (122, 118, 190), pitch=172, blend_mm=80, **coat),  # chest
        ball((0, -55, 230), (122, 152, 250), pitch=180, blend_mm=60, **coat),  # belly
        *both(lambda s: ball((s * 92, -105, 560), (62, 92, 165), pitch=170, blend_mm=55, **coat)),  # shoulders
        *both(lambda s: ball((s * 132, 120, 250), (98, 205, 182), pitch=200, blend_mm=34, **coat)),  # haunches
        *both(lambda s: limb((s * 168, 235, 76), (s * 178, -185, 66), 56, 40, blend_mm=26, coat_mm=3.5)),
        *both(lambda s: ball((s * 180, -190, 64), (52, 62, 40), blend_mm=30, coat_mm=2.5, coat_width_mm=18)),
    ]


def _forelegs() -> list[Blend]:
    coat = {"coat_mm": 3.5, "coat_width_mm": 20.0, "coat_length_mm": 80.0}
    return [
        ball((0, -250, 250), (36, 118, 205), cut=True, blend_mm=24),  # the gap between them
        *both(lambda s: limb((s * 82, -195, 420), (s * 84, -205, 40), 30, 38, blend_mm=40, **coat)),  # web
        *both(lambda s: limb((s * 84, -180, 520), (s * 76, -256, 270), 66, 45, blend_mm=50, **coat)),
        *both(lambda s: limb((s * 76, -256, 270), (s * 76, -268, 80), 45, 39, blend_mm=20, **coat)),
        *both(lambda s: ball((s * 78, -298, 70), (47, 72, 37), blend_mm=22, coat_mm=2.5, coat_width_mm=18)),
    ]


def _head() -> list[Blend]:
    coat = {"coat_mm": 2.6, "coat_width_mm": 17.0, "coat_length_mm": 60.0}
    back = {"pitch": 80.0, **coat}  # coat lies from the nose to the nape
    return [
        ball((0, -262, 912), (86, 98, 138), blend_mm=55, **back),
        ball((0, -368, 880), (57, 66, 98), blend_mm=50, **back),
        *both(lambda s: ball((s * 46, -292, 862), (46, 54, 74), blend_mm=36, **back)),  # cheeks
        ball((0, -352, 828), (38, 30, 62), blend_mm=26, **back),  # chin
        *both(lambda s: ball((s * 25, -424, 868), (31, 30, 34), blend_mm=20, coat_mm=1.5)),  # lips
        ball((0, -452, 888), (21, 13, 14), blend_mm=12),  # nose
        ball((0, -463, 862), (3.5, 16, 22), cut=True, blend_mm=6),  # split lip
        *both(lambda s: ball((s * 9, -465, 886), (5, 8, 4), cut=True, blend_mm=5)),  # nostrils
        *both(lambda s: ball((s * 86, -318, 925), (20, 39, 29), yaw=s * -14, cut=True, blend_mm=14)),
        *both(lambda s: ball((s * 59, -316, 926), (24, 29, 24), blend_mm=5)),  # eyes
        *both(lambda s: ball((s * 64, -310, 952), (14, 44, 11), yaw=s * -14, roll=s * 24, blend_mm=16)),
    ]


def _ear(side: float, tilt_deg: float, lean_deg: float) -> list[Blend]:
    """A cupped leaf on the crown, hollow in front and a little outward."""
    axes = {"pitch": tilt_deg, "roll": side * lean_deg, "yaw": side * 22.0}
    root = np.array([side * 43.0, -208.0, 965.0])
    frame = turned(tilt_deg, side * lean_deg, side * 22.0)
    along, front = frame[2], -frame[1]

    def at(up: float, forward: float = 0.0):
        x, y, z = root + up * along + forward * front
        return (float(x), float(y), float(z))

    bend = {"bend_mm": (side * 4.0, 34.0)}
    coat = {"coat_mm": 2.4, "coat_width_mm": 16.0, "coat_length_mm": 75.0}
    return [
        ball(at(10), (36, 36, 85), blend_mm=26, **axes, **coat),
        ball(at(215), (60, 30, 248), blend_mm=34, **axes, **bend, **coat),
        ball(at(232, 26), (41, 30, 208), cut=True, blend_mm=18, **axes, **bend),
    ]


def hare_solids(joined_ears: bool = False) -> list[Blend]:
    """The table of the seated hare, in the order of blending.

    The head is turned and one ear tilted, so that it is nearly, not exactly, mirror-symmetric about x = 0.
    """
    lean = 12.0 if joined_ears else 11.0
    head = _head() + _ear(1.0, 12.0, lean) + _ear(-1.0, 12.0 if joined_ears else 17.0, lean)
    if joined_ears:
        head.append(ball((0, -122, 1320), (92, 18, 30), blend_mm=22))
    coat = {"coat_mm": 5.0, "coat_width_mm": 26.0, "coat_length_mm": 95.0}
    return [
        Blend(PLINTH, _PLINTH_AT, _PLINTH_SIZE, blend_mm=1.0),
        *_trunk(),
        *_forelegs(),
        ball((0, 380, 196), (56, 58, 92), pitch=42, blend_mm=34, coat_mm=6, coat_width_mm=24),  # scut
        limb((0, -222, 890), (0, -112, 665), 62, 112, blend_mm=70, **coat),  # neck
        *turn_about(head, (0.0, -200.0, 0.0), yaw=4.0),
    ]


def _march(rows: np.ndarray, pitch_mm: float, coat_share: float, progress: Progress) -> tuple[np.ndarray, np.ndarray]:
    """The whole hare at one lattice pitch: (n, 3) mm and (m, 3), closed, one part, height not yet exact."""
    lattice = lattice_over(_LOW_MM, _HIGH_MM, pitch_mm)
    vertices, faces = march(rows, lattice, coat_share, progress, "carving the hare")
    return sharp_foot(vertices, faces, _PLINTH_AT, _PLINTH_SIZE), faces


def _to_height(vertices: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Exactly the finished height, standing on z = 0; faces as int32."""
    vertices = vertices * (FINISHED_HEIGHT_MM / (vertices[:, 2].max() - vertices[:, 2].min()))
    vertices[:, 2] -= vertices[:, 2].min()
    return np.ascontiguousarray(vertices), np.ascontiguousarray(faces.astype(np.int32))


def _checked_count(triangles: int, least: int) -> None:
    if not least <= triangles <= MOST_TRIANGLES:
        raise BriefRefused(f"The hare cannot be made with {triangles} triangles; ask for {least} to {MOST_TRIANGLES}.")


def _pitch_for(triangles: float) -> float:
    """Lattice pitch that gives about this many triangles, mm."""
    return float(np.sqrt(_TRIANGLES_TO_PITCH2 / triangles))


def demo_hare(
    triangles: int = 80_000, progress: Progress = SILENT, *, joined_ears: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """The seated hare with its carved coat, within 3 % of the wanted count (20 thousand to 6 million).

    Returns (n, 3) float64 millimetres and (m, 3) int32 faces, outward: 1400 mm tall, front towards -y,
    standing flat on z = 0, closed and manifold, one part without handles. With `joined_ears` a bridge joins the
    ears near their tips and leaves one hole; from two million faces on, carving pierces a few pinholes in deep
    folds. Coat finer than the mesh can carry is left out. Raises `BriefRefused` for another count.
    """
    _checked_count(triangles, 20_000)
    rows = table_of(hare_solids(joined_ears))
    pitch = _pitch_for(triangles)
    vertices, faces = _march(rows, pitch, 1.0, progress)
    for _ in range(4):
        if abs(len(faces) / triangles - 1.0) < 0.02:
            break
        pitch *= np.sqrt(len(faces) / triangles)
        vertices, faces = _march(rows, pitch, 1.0, progress)
    return _to_height(vertices, faces)


def demo_maquette(triangles: int = 2_000, progress: Progress = SILENT) -> tuple[np.ndarray, np.ndarray]:
    """The same hare as a rough maquette: no coat, few facets, within 3 % of the wanted count (1000 or more).

    Arrays as `demo_hare`. Raises `BriefRefused` for another count.
    """
    _checked_count(triangles, 1_000)
    rows = table_of(hare_solids())
    for step in range(12):
        progress.step(step / 12, "blocking out the maquette")
        # decimation now and then pinches an edge: start it from another lattice and look again
        fine = (8.0 + 0.7 * step) * max(triangles, 2_500)
        vertices, faces = _flat_foot(*_decimate(*_march(rows, _pitch_for(fine), 0.0, progress), triangles))
        if edges_of(faces, len(vertices)).is_closed and find_self_crossings(vertices, faces).count == 0:
            break
    return _to_height(vertices, faces)


def _decimate(vertices: np.ndarray, faces: np.ndarray, triangles: int) -> tuple[np.ndarray, np.ndarray]:
    """By quadric edge collapse to about the wanted count."""
    import vtk
    from vtk.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray, vtk_to_numpy

    cells = vtk.vtkCellArray()
    four = np.column_stack([np.full(len(faces), 3), faces]).ravel().astype(np.int64)
    cells.SetCells(len(faces), numpy_to_vtkIdTypeArray(four, deep=True))
    body, points = vtk.vtkPolyData(), vtk.vtkPoints()
    points.SetData(numpy_to_vtk(vertices, deep=True))
    body.SetPoints(points)
    body.SetPolys(cells)
    rough = vtk.vtkQuadricDecimation()
    rough.SetInputData(body)
    rough.SetTargetReduction(1.0 - triangles / len(faces))
    rough.VolumePreservationOn()
    rough.Update()
    out = rough.GetOutput()
    joined = vtk_to_numpy(out.GetPolys().GetData()).reshape(-1, 4)[:, 1:]
    kept, renumbered = np.unique(joined, return_inverse=True)
    corners = vtk_to_numpy(out.GetPoints().GetData()).astype(np.float64)[kept]
    return corners, renumbered.reshape(-1, 3)


def _flat_foot(vertices: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The same mesh with its lowest vertices on one level again: decimation lets the foot sag a little."""
    vertices = vertices.copy()
    vertices[vertices[:, 2] < 8.0, 2] = 0.0
    return vertices, faces


BRIEF_TEXT = """# The brief of the demo: every value here is invented for the demo.
piece = "Seated hare"

[master]
finished_height_mm = 1400
unit = "mm"

[run]
casts = 6
start_date = "2027-03-01"
"""


def binary_stl(vertices: np.ndarray, faces: np.ndarray, title: str = "seated hare") -> bytes:
    """A binary STL of (n, 3) vertices and (m, 3) faces, with unit normals."""
    corners = vertices[faces].astype("<f4")
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    records = np.zeros(len(faces), np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")]))
    records["normal"] = normals / np.where(length > 0, length, 1.0)
    records["corners"] = corners
    header = f"mouldloft: {title}, millimetres".encode("ascii").ljust(80, b" ")
    return header + np.uint32(len(faces)).tobytes() + records.tobytes()
