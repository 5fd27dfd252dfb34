"""Twelve ways in which a clean mesh ((n, 3) vertices, (m, 3) faces, standing along z) is broken, by a fixed seed."""

from __future__ import annotations

import numpy as np
import trimesh

Arrays = tuple[np.ndarray, np.ndarray]


def _chance() -> np.random.Generator:
    return np.random.default_rng(7)


def holes(vertices: np.ndarray, faces: np.ndarray) -> Arrays:
    """Forty single faces gone, and all faces round one vertex."""
    gone = _chance().choice(len(faces), 40, replace=False)
    kept = np.ones(len(faces), bool)
    kept[gone] = False
    kept &= (faces != faces[len(faces) // 2, 0]).all(axis=1)
    return vertices, faces[kept]


def flips(vertices: np.ndarray, faces: np.ndarray) -> Arrays:
    """A tenth of the faces turned over."""
    out = faces.copy()
    turned = _chance().choice(len(faces), len(faces) // 10, replace=False)
    out[turned] = out[turned][:, ::-1]
    return vertices, out


def duplicates(vertices: np.ndarray, faces: np.ndarray) -> Arrays:
    """A twentieth of the faces twice, half of these turned over, and the vertices of all faces their own."""
    again = faces[_chance().choice(len(faces), len(faces) // 20, replace=False)]
    again[::2] = again[::2][:, ::-1]
    every = np.concatenate([faces, again])
    return vertices[every].reshape(-1, 3), np.arange(3 * len(every)).reshape(-1, 3)


def t_junctions(vertices: np.ndarray, faces: np.ndarray) -> Arrays:
    """Sixty faces cut in two at the middle of a side, their neighbours left as they are."""
    cut = _chance().choice(len(faces), 60, replace=False)
    middle = vertices[faces[cut, :2]].mean(axis=1)
    number = len(vertices) + np.arange(len(cut))
    a, b, c = faces[cut].T
    kept = np.delete(faces, cut, axis=0)
    halves = np.concatenate([np.column_stack([a, number, c]), np.column_stack([number, b, c])])
    return np.concatenate([vertices, middle]), np.concatenate([kept, halves])


def self_intersections(vertices: np.ndarray, faces: np.ndarray) -> Arrays:
    """A ball of a tenth of the height stuck halfway into the back, its skin left running on inside."""
    height = np.ptp(vertices[:, 2])
    ball = trimesh.creation.icosphere(3, 0.05 * height)
    level = np.abs(vertices[:, 2] - vertices[:, 2].min() - 0.4 * height) < 0.05 * height
    at = vertices[level][np.argmax(vertices[level, 1])]
    return np.concatenate([vertices, ball.vertices + at]), np.concatenate([faces, ball.faces + len(vertices)])


def slivers(vertices: np.ndarray, faces: np.ndarray) -> Arrays:
    """Two hundred edges with a vertex on them next to their end, so that both faces beside become slivers."""
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    pairs, edges = mesh.face_adjacency, mesh.face_adjacency_edges
    taken: set[int] = set()
    new_vertices, new_faces, gone = [], [], []
    for k in _chance().permutation(len(pairs)):
        if len(gone) >= 400 or taken & set(pairs[k].tolist()):
            continue
        taken |= set(pairs[k].tolist())
        a, b = edges[k]
        number = len(vertices) + len(new_vertices)
        new_vertices.append(vertices[a] + 1e-7 * (vertices[b] - vertices[a]))
        for face in pairs[k]:
            corners = faces[face].tolist()
            gone.append(face)
            for end in (a, b):
                new_faces.append([number if corner == end else corner for corner in corners])
    return np.concatenate([vertices, new_vertices]), np.concatenate([np.delete(faces, gone, axis=0), new_faces])


def not_numbers(vertices: np.ndarray, faces: np.ndarray) -> Arrays:
    """Three vertices NaN, one infinite."""
    out = vertices.copy()
    out[_chance().choice(len(vertices), 3, replace=False), 1] = np.nan
    out[faces[0, 0], 2] = np.inf
    return out, faces


def inside_shells(vertices: np.ndarray, faces: np.ndarray) -> Arrays:
    """The body hollowed by a smaller ball that faces inwards, with a smaller one in it that faces outwards."""
    height = np.ptp(vertices[:, 2])
    belly = trimesh.Trimesh(vertices, faces, process=False).center_mass
    parts = [(vertices, faces)]
    for share, way in ((0.08, -1), (0.03, 1)):
        ball = trimesh.creation.icosphere(2, share * height)
        parts.append((ball.vertices + belly, ball.faces[:, ::way]))
    return _together(parts)


def fins(vertices: np.ndarray, faces: np.ndarray) -> Arrays:
    """Thirty faces standing out from an edge, each once one-sided and once as a leaf of two faces."""
    size = 0.01 * np.ptp(vertices[:, 2])
    at = _chance().choice(len(faces), 30, replace=False)
    a, b, c = faces[at].T
    out = np.cross(vertices[b] - vertices[a], vertices[c] - vertices[a])
    tip = vertices[[a, b]].mean(axis=0) + size * out / np.linalg.norm(out, axis=1, keepdims=True)
    number = len(vertices) + np.arange(len(at))
    leaf = np.column_stack([a, b, number])
    return np.concatenate([vertices, tip]), np.concatenate([faces, leaf, leaf[::2, ::-1]])


def huge_coordinates(vertices: np.ndarray, faces: np.ndarray) -> Arrays:
    """The body a hundred thousand times its height off the origin."""
    return vertices + 1e5 * np.ptp(vertices[:, 2]), faces


def one_triangle(vertices: np.ndarray, faces: np.ndarray) -> Arrays:
    return vertices, faces[:1]


def random_soup(vertices: np.ndarray, faces: np.ndarray, count: int = 50_000) -> Arrays:
    """Triangles whose corners are drawn at random from the body's box."""
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    corners = _chance().uniform(low, high, (3 * count, 3))
    return corners, np.arange(3 * count).reshape(-1, 3)


def _together(parts: list[Arrays]) -> Arrays:
    start, faces = 0, []
    for vertices, own in parts:
        faces.append(own + start)
        start += len(vertices)
    return np.concatenate([vertices for vertices, _ in parts]), np.concatenate(faces)


BREAKS = {
    make.__name__.replace("_", " "): make
    for make in (
        holes, flips, duplicates, t_junctions, self_intersections, slivers, not_numbers, inside_shells, fins,
        huge_coordinates, one_triangle, random_soup,
    )
}  # fmt: skip
