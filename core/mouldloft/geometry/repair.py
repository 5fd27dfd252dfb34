"""What is wrong with a mesh, counted; and how it is mended, told in sentences."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numba import njit

from ..base.progress import SILENT, Progress
from .edges import Edges, connected, edges_of, renumbered
from .manifold import arrays_of, as_manifold
from .outerskin import outer_skins
from .selfcrossings import find_self_crossings

MOST_FAULT_POINTS = 300
MOST_SHELLS_UNITED = 2_000
MOST_CUT_PAIRS = 20_000
SLICES, SLICE_VERTICES = 5, 4_000
# what may be mended without asking; all invented starting values
CRACK_SHARE = 2e-6  # of the diagonal: open edges nearer than this were one
CRUMB_SHARE = 0.002  # of the diagonal: shells smaller than this are crumbs
SMALL_HOLE_SHARE = 0.1  # of the diagonal: rims shorter than this are filled whatever their shape
FLAT_HOLE_SHARE = 0.06  # of the rim's width: rims flatter than this, such as a cut foot or neck, are capped at any size
MIDDLING_HOLE_SHARE = 0.5  # of the diagonal: rims shorter than this need only be flat to the next share
NEARLY_FLAT_SHARE = 0.15
FLAP_SHARE = 0.005  # of the area: open flaps smaller than this are slips of the tool


@njit(cache=True, nogil=True)
def _volume_kernel(points, faces, middle):
    out = np.empty(len(faces))
    for f in range(len(faces)):
        a, b, c = faces[f]
        ax, ay, az = points[a, 0] - middle[0], points[a, 1] - middle[1], points[a, 2] - middle[2]
        bx, by, bz = points[b, 0] - middle[0], points[b, 1] - middle[1], points[b, 2] - middle[2]
        cx, cy, cz = points[c, 0] - middle[0], points[c, 1] - middle[1], points[c, 2] - middle[2]
        out[f] = (ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)) / 6.0
    return out


def signed_volume(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """(m,) signed volume of each face's tetrahedron over the mesh's middle; their sum is the volume if closed."""
    return _volume_kernel(vertices, faces, (vertices.min(axis=0) + vertices.max(axis=0)) / 2)


@njit(cache=True, nogil=True)
def _area_kernel(points, faces):
    out = np.empty(len(faces))
    for f in range(len(faces)):
        a, b, c = faces[f]
        ux, uy, uz = points[b, 0] - points[a, 0], points[b, 1] - points[a, 1], points[b, 2] - points[a, 2]
        vx, vy, vz = points[c, 0] - points[a, 0], points[c, 1] - points[a, 1], points[c, 2] - points[a, 2]
        x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        out[f] = 0.5 * np.sqrt(x * x + y * y + z * z)
    return out


def face_areas(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """(m,) area of each face."""
    return _area_kernel(vertices, faces)


@njit(cache=True, nogil=True)
def _merge_kernel(bits, table, into):
    mask = np.uint64(len(table) - 1)
    count = 0
    for i in range(len(bits)):
        h = bits[i, 0] * np.uint64(0x9E3779B97F4A7C15)
        h = (h ^ (h >> np.uint64(29)) ^ bits[i, 1]) * np.uint64(0xBF58476D1CE4E5B9)
        h = (h ^ (h >> np.uint64(32)) ^ bits[i, 2]) * np.uint64(0x94D049BB133111EB)
        slot = (h ^ (h >> np.uint64(31))) & mask
        while True:
            k = table[slot]
            if k < 0:
                table[slot] = i
                into[i] = count
                count += 1
                break
            if bits[k, 0] == bits[i, 0] and bits[k, 1] == bits[i, 1] and bits[k, 2] == bits[i, 2]:
                into[i] = into[k]
                break
            slot = (slot + np.uint64(1)) & mask
    return count


def merge_equal(vertices: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Vertices that are equal to the last bit made one.

    vertices : (n, 3) float64. Returns (k,) index of the first of each, in order of appearance, and (n,) new index of
    every old vertex.
    """
    bits = np.ascontiguousarray(vertices + 0.0).view(np.uint64)  # + 0.0 turns -0.0 into 0.0
    size = 1 << int(np.ceil(np.log2(max(2 * len(bits), 2))))
    into = np.empty(len(bits), np.int64)
    count = _merge_kernel(bits, np.full(size, -1, np.int64), into)
    first = np.empty(count, np.int64)
    first[into[::-1]] = np.arange(len(bits) - 1, -1, -1)
    return first, into


@dataclass
class Patient:
    """The mesh on the bench while it is mended; `told` what was done, `noted` what of it to look at.
    `weights` (n,) or None follow the vertices; the greatest wins."""

    vertices: np.ndarray
    faces: np.ndarray
    weights: np.ndarray | None = None
    told: list[str] = field(default_factory=list)
    noted: list[str] = field(default_factory=list)
    _edges: Edges | None = field(default=None, init=False, repr=False)
    _edges_of: np.ndarray | None = field(default=None, init=False, repr=False)

    @property
    def edges(self) -> Edges:
        """Its edges, found anew only where its faces are another array."""
        if self._edges is None or self._edges_of is not self.faces:
            self._edges, self._edges_of = edges_of(self.faces, len(self.vertices)), self.faces
        return self._edges

    def diagonal(self) -> float:
        return float(np.linalg.norm(self.vertices.max(axis=0) - self.vertices.min(axis=0)))

    def renumber(self, into: np.ndarray, count: int, first: np.ndarray) -> None:
        """Replace vertex i by into[i]; new vertex j takes its place from old vertex first[j]."""
        self.vertices = self.vertices[first]
        self.faces = into[self.faces]
        if self.weights is not None:
            greatest = np.zeros(count)
            np.maximum.at(greatest, into, self.weights)
            self.weights = greatest

    def keep_faces(self, kept: np.ndarray) -> None:
        if not kept.all():
            self.faces = self.faces[kept]

    def drop_loose_vertices(self) -> None:
        used = np.zeros(len(self.vertices), bool)
        used[self.faces.ravel()] = True
        if used.all():
            return
        into = np.cumsum(used) - 1
        self.vertices, self.faces = self.vertices[used], into[self.faces]
        if self.weights is not None:
            self.weights = self.weights[used]


@dataclass(frozen=True, eq=False)
class Diagnosis:
    """Counts of what is wrong, and places to look at ((k, 3), in the coordinates of the vertices)."""

    open_edges: int
    non_manifold_edges: int
    flipped_edges: int  # two faces that run along it the same way
    inside_out: bool
    self_intersections: int
    checked_fraction: float
    stray_shells: int
    degenerate_faces: int
    duplicate_faces: int
    fault_points: np.ndarray


def _degenerate(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """(m,) bool: two corners are one vertex, or the corners lie on a line."""
    a, b, c = faces.T
    size = float(np.abs(vertices).max())
    return (a == b) | (b == c) | (c == a) | (face_areas(vertices, faces) <= 1e-14 * size * size)


def _duplicates(faces: np.ndarray, edges: Edges) -> np.ndarray:
    """(m,) bool: the same three vertices, in any order, stand in an earlier face."""
    # only faces that share an edge, and the corner across from it, can be the same
    across = np.roll(faces, 1, axis=1).ravel()
    pairs = edges.pairs
    twins = pairs[across[pairs[:, 0]] == across[pairs[:, 1]]] // 3
    near = np.union1d(twins, np.flatnonzero(edges.crowded[edges.edge_of].any(axis=1)))
    corners = np.sort(faces[near], axis=1)
    order = np.lexsort(corners.T)
    same = (corners[order[1:]] == corners[order[:-1]]).all(axis=1)
    again = np.zeros(len(faces), bool)
    again[near[order[1:][same]]] = True
    return again


def _spread_out(points: np.ndarray, most: int) -> np.ndarray:
    return points[np.unique(np.linspace(0, len(points) - 1, min(most, len(points))).astype(int))]


def diagnose(vertices: np.ndarray, faces: np.ndarray, edges: Edges, progress: Progress = SILENT) -> Diagnosis:
    """Count the faults of (n, 3) vertices and (m, 3) faces with their edges; nothing is changed."""
    progress.step(0.15, "counting edges")
    count, _ = edges.shells
    degenerate = _degenerate(vertices, faces)
    duplicate = _duplicates(faces, edges)
    flipped = (edges.uses == 2) & (edges.upward != 1)
    crossings = find_self_crossings(vertices, faces[~degenerate], progress)
    middle = vertices[edges.ends].mean(axis=1)
    whole = faces[~degenerate]
    crossing = vertices[whole[np.unique(crossings.pairs)]].mean(axis=1) if crossings.count else middle[:0]
    places = [
        middle[edges.open],
        middle[edges.crowded],
        middle[flipped],
        crossing,
        vertices[faces[degenerate | duplicate]].mean(axis=1),
    ]
    faulty = [p for p in places if len(p)]
    share = MOST_FAULT_POINTS // max(len(faulty), 1)
    return Diagnosis(
        open_edges=int(edges.open.sum()),
        non_manifold_edges=int(edges.crowded.sum()),
        flipped_edges=int(flipped.sum()),
        inside_out=bool(signed_volume(vertices, faces).sum() < 0),
        self_intersections=crossings.count,
        checked_fraction=crossings.checked_fraction,
        stray_shells=count - 1,
        degenerate_faces=int(degenerate.sum()),
        duplicate_faces=int(duplicate.sum()),
        fault_points=np.concatenate([_spread_out(p, share) for p in faulty]) if faulty else middle[:0],
    )


# --- mending, step by step


def _many(count: int, one: str, more: str | None = None) -> str:
    return f"{count} {one if count == 1 else more or one + 's'}"


def _drop_bad_faces(patient: Patient) -> None:
    """Drop faces with a repeated corner, and repeats of a face; flat slivers stay, for they close the surface."""
    a, b, c = patient.faces.T
    collapsed = (a == b) | (b == c) | (c == a)
    again = _duplicates(patient.faces, patient.edges) & ~collapsed
    if collapsed.any():
        patient.told.append(f"{_many(int(collapsed.sum()), 'face')} without area dropped.")
    if again.any():
        patient.told.append(f"{_many(int(again.sum()), 'duplicate face')} dropped.")
    patient.keep_faces(~(collapsed | again))


def _drop_fins(patient: Patient) -> None:
    """Drop open flaps that hang on the surface by an edge with more than two faces."""
    for _ in range(3):
        edges = patient.edges
        if not edges.crowded.any():
            return
        patch = _patches(edges)
        on_crowd = edges.crowded[edges.edge_of].any(axis=1)
        on_rim = edges.open[edges.edge_of].any(axis=1)
        area = np.bincount(patch, face_areas(patient.vertices, patient.faces))
        small = area < FLAP_SHARE * area.sum()
        flap = (np.bincount(patch, on_crowd) > 0) & (np.bincount(patch, on_rim) > 0) & small
        if not flap.any():
            return
        gone = flap[patch]
        flaps = _many(int(flap.sum()), "open flap")
        patient.told.append(f"{flaps} of {_many(int(gone.sum()), 'face')} hanging on the surface dropped.")
        patient.keep_faces(~gone)


def _part_touching(patient: Patient) -> None:
    """Give each sheet its own vertices where bodies only touch along an edge, so that each closes by itself."""
    edges = patient.edges
    if not edges.crowded.any():
        return
    count = 3 * len(patient.faces)
    one, two = edges.pairs.T
    corner = patient.faces.ravel()
    following = np.arange(count).reshape(-1, 3)[:, [1, 2, 0]].ravel()
    # corners of neighbouring faces at the same vertex belong to one sheet
    starts = np.where(corner[one] == corner[two], two, following[two])
    ends = np.where(corner[one] == corner[two], following[two], two)
    joined = np.stack([np.concatenate([one, following[one]]), np.concatenate([starts, ends])], axis=1)
    sheets, sheet = connected(joined, count)
    used = len(np.unique(corner))
    if sheets == used:
        return
    first = np.zeros(sheets, np.int64)
    first[sheet] = corner
    patient.faces = sheet.reshape(-1, 3).astype(np.int64)
    patient.vertices = patient.vertices[first]
    if patient.weights is not None:
        patient.weights = patient.weights[first]
    patient.told.append(f"{_many(sheets - used, 'vertex', 'vertices')} parted where bodies only touch.")


def _patches(edges: Edges) -> np.ndarray:
    """(m,) patch of each face: faces joined across edges that have just two faces."""
    return connected(edges.pairs // 3, len(edges.edge_of))[1]


def are_cracks(patient: Patient) -> bool:
    """Do the rims lie on one another, so that `close_cracks` may join them? By samples, as the whole takes minutes.

    Several thin slices across the mesh are looked at. Where less than a quarter of their rim vertices have another
    within a crack's width, at most a quarter of the sides can find a neighbour.
    """
    rim = np.zeros(len(patient.vertices), bool)
    rim[patient.edges.ends[patient.edges.open]] = True
    return _beside_share(patient.vertices[rim], CRACK_SHARE * patient.diagonal()) >= 0.25


def _beside_share(points: np.ndarray, width: float) -> float:
    """Share of the points in several thin slices that have another within a width."""
    from scipy.spatial import cKDTree

    along = points[:, 0]
    few = np.sort(along[:: 1 + len(along) // 100_000])
    half = int(np.ceil(SLICE_VERTICES / 2 * len(few) / len(along)))
    beside = seen = 0
    for middle in np.linspace(0, len(few) - 1, SLICES + 2)[1:-1].astype(int):
        low, high = few[max(middle - half, 0)], few[min(middle + half, len(few) - 1)]
        inside = points[(along >= low - width) & (along <= high + width)]
        away = cKDTree(inside).query(inside, k=2, distance_upper_bound=width)[0][:, 1]
        beside, seen = beside + int(np.isfinite(away).sum()), seen + len(inside)
    return beside / max(seen, 1)


def all_apart(vertices: np.ndarray) -> bool:
    """Does hardly one of the vertices ((n, 3), finite) lie on another, or a crack's width from it? By thin slices: of
    millions of loose triangles it is known before they are put together."""
    width = CRACK_SHARE * float(np.linalg.norm(vertices.max(axis=0) - vertices.min(axis=0)))
    return _beside_share(vertices, width) < 0.01


def close_cracks(patient: Patient) -> None:
    """Make one of rim vertices that all but coincide."""
    from scipy.spatial import cKDTree

    edges = patient.edges
    rim = np.unique(edges.ends[edges.open])
    if not len(rim):
        return
    pairs = cKDTree(patient.vertices[rim]).query_pairs(CRACK_SHARE * patient.diagonal(), output_type="ndarray")
    if not len(pairs):
        return
    _, group = connected(pairs, len(rim))
    owner = np.arange(len(patient.vertices))
    _, first = np.unique(group, return_index=True)
    owner[rim] = rim[first[group]]
    kept, into = np.unique(owner, return_inverse=True)
    patient.told.append(f"{_many(len(owner) - len(kept), 'vertex', 'vertices')} joined across cracks.")
    patient.renumber(into, len(kept), kept)
    _drop_bad_faces(patient)


@njit(cache=True, nogil=True)
def _orient_kernel(beside, same_way, flip, queue):
    """Flood every shell from its first face; True in the result where a face must be turned over. -1: not yet seen."""
    contradictions = 0
    for seed in range(len(flip)):
        if flip[seed] >= 0:
            continue
        flip[seed] = 0
        queue[0], head, tail = seed, 0, 1
        while head < tail:
            f = queue[head]
            head += 1
            for k in range(3):
                g = beside[f, k]
                if g < 0:
                    continue
                wanted = flip[f] ^ same_way[f, k]
                if flip[g] < 0:
                    flip[g] = wanted
                    queue[tail] = g
                    tail += 1
                elif flip[g] != wanted:
                    contradictions += 1
    return contradictions


def _turn_faces(patient: Patient) -> bool:
    """Make neighbouring faces run the same way, and each shell face outwards. False where no such turning exists."""
    edges = patient.edges
    count = len(patient.faces)
    beside = np.full(3 * count, -1, np.int64)
    one, two = edges.pairs.T
    beside[one], beside[two] = two // 3, one // 3
    same = (edges.upward != 1)[edges.edge_of].astype(np.int8)
    flip = np.full(count, -1, np.int8)
    contradictions = _orient_kernel(beside.reshape(-1, 3), same, flip, np.empty(count, np.int64))
    # each shell was turned to agree with its first face: the fewer turned faces are the wrong ones
    shell = _patches(edges)
    turned, size = np.bincount(shell, flip == 1), np.bincount(shell)
    if contradictions:
        return False
    flip = (flip == 1) ^ (2 * turned > size)[shell]
    if flip.any():
        patient.faces = np.where(flip[:, None], patient.faces[:, ::-1], patient.faces)
        patient.told.append(f"{_many(int(flip.sum()), 'face')} turned over to run with their neighbours.")
    return True


def _face_outwards(patient: Patient) -> None:
    """Turn a mesh that is inside out as a whole."""
    if signed_volume(patient.vertices, patient.faces).sum() < 0:
        patient.faces = np.ascontiguousarray(patient.faces[:, ::-1])
        patient.told.append("The whole mesh was inside out and was turned.")


def _rims(faces: np.ndarray, edges: Edges) -> list[np.ndarray]:
    """Closed rims of the open edges, each as its vertices in the order that a filling face runs.

    Rims that touch themselves at a vertex are cut into simple loops there.
    """
    open_side = edges.open[edges.edge_of]
    starts, ends = faces[open_side], np.roll(faces, -1, axis=1)[open_side]
    following: dict[int, list[int]] = {}
    for a, b in zip(ends.tolist(), starts.tolist()):  # against the face, so that the filling runs with it
        following.setdefault(a, []).append(b)
    loops = []
    for seed in sorted(following):
        while following.get(seed):
            walk, place = [seed], {seed: 0}
            while following.get(walk[-1]):
                vertex = following[walk[-1]].pop()
                if vertex in place:
                    loops.append(np.array(walk[place[vertex] :]))
                    for gone in walk[place[vertex] + 1 :]:
                        del place[gone]
                    walk = walk[: place[vertex] + 1]
                else:
                    place[vertex] = len(walk)
                    walk.append(vertex)
    return [loop for loop in loops if len(loop) >= 3]


def _flat_axes(points: np.ndarray) -> tuple[np.ndarray, float, float]:
    """(2, 3) axes of the best plane with the rim running anticlockwise, the rim's width, and its unflatness."""
    middle = points - points.mean(axis=0)
    _, spread, axes = np.linalg.svd(middle, full_matrices=False)
    flat = middle @ axes[:2].T
    ahead = np.roll(flat, -1, axis=0)
    turn = (flat[:, 0] * ahead[:, 1] - flat[:, 1] * ahead[:, 0]).sum()
    plane = axes[:2] if turn >= 0 else axes[[1, 0]]
    width = float(np.ptp(flat, axis=0).max())
    return plane, width, float(np.abs(middle @ axes[2]).max()) if spread[2] > 0 else 0.0


def _fill_holes(patient: Patient) -> None:
    """Cap rims that are nearly flat and fill small ones by a fan; larger bent holes stay open."""
    import manifold3d
    from shapely import Polygon

    diagonal = patient.diagonal()
    caps, hubs = [patient.faces], [patient.vertices]
    flat_count = small_count = left = 0
    longest = 0.0
    for rim in _rims(patient.faces, patient.edges):
        points = patient.vertices[rim]
        length = float(np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1).sum())
        plane, width, unflat = _flat_axes(points)
        outline = (points - points.mean(axis=0)) @ plane.T
        flat_enough = FLAT_HOLE_SHARE if length > MIDDLING_HOLE_SHARE * diagonal else NEARLY_FLAT_SHARE
        if len(rim) == 3 or (unflat <= flat_enough * width and Polygon(outline).is_valid):
            cap = np.asarray(manifold3d.triangulate([outline]), np.int64).reshape(-1, 3)
            caps.append(rim[cap])
            flat_count += 1
            longest = max(longest, length)
        elif length <= SMALL_HOLE_SHARE * diagonal:
            hub = np.full(len(rim), len(patient.vertices) + small_count)
            caps.append(np.column_stack([rim, np.roll(rim, -1), hub]))
            hubs.append(points.mean(axis=0)[None])
            small_count += 1
        else:
            left += 1
    patient.faces, patient.vertices = np.concatenate(caps), np.concatenate(hubs)
    if patient.weights is not None:
        patient.weights = np.concatenate([patient.weights, np.zeros(small_count)])
    if flat_count:
        patient.told.append(
            f"{_many(flat_count, 'flat hole')} capped (longest rim {longest / diagonal:.0%} of the diagonal)."
        )
    if small_count:
        patient.told.append(f"{_many(small_count, 'small hole')} filled.")
    if left:
        patient.told.append(f"{_many(left, 'large bent hole')} left open.")


def _drop_crumbs(patient: Patient) -> None:
    """Drop shells that are specks beside the whole."""
    edges = patient.edges
    count, shell = edges.shells
    if count == 1:
        return
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    for corner in range(3):
        np.minimum.at(low, shell, patient.vertices[patient.faces[:, corner]])
        np.maximum.at(high, shell, patient.vertices[patient.faces[:, corner]])
    crumb = np.linalg.norm(high - low, axis=1) < CRUMB_SHARE * patient.diagonal()
    gone = crumb[shell]
    if not gone.any() or gone.all():
        return
    patient.told.append(
        f"{_many(int(crumb.sum()), 'stray crumb')} of {_many(int(gone.sum()), 'face')} dropped (each under "
        f"{CRUMB_SHARE:.1%} of the diagonal)."
    )
    patient.keep_faces(~gone)


def _leave_out_inside(patient: Patient, progress: Progress) -> None:
    """Of closed shells that pass through themselves the outer surface alone, cut along the lines where they cross."""
    crossings = find_self_crossings(patient.vertices, patient.faces, progress)
    if not patient.edges.is_closed or crossings.checked_fraction < 1.0 or not 0 < crossings.count <= MOST_CUT_PAIRS:
        return
    shell = patient.edges.shells[1]
    volume = np.bincount(shell, signed_volume(patient.vertices, patient.faces))
    old, before = patient.vertices, face_areas(patient.vertices, patient.faces).sum()
    of = np.where(volume[shell] > 0, shell, -1)
    patient.vertices, patient.faces, places = outer_skins(old, patient.faces, of, crossings.pairs)
    if places == 0:
        return
    _carry_weights(patient, old)
    patient.drop_loose_vertices()
    left = 1.0 - face_areas(patient.vertices, patient.faces).sum() / before
    patient.told.append(f"{_many(places, 'pair')} of faces that passed through each other cut where they did.")
    patient.noted.append(
        f"The sculpt passed through itself, at {_many(places, 'pair')} of faces: its outer surface alone is planned, "
        f"and {max(left, 0.0):.2%} of its skin, which lay inside, is left out; look there whether that was meant."
    )


def _carry_weights(patient: Patient, old: np.ndarray) -> None:
    """The weights, still those of the old vertices, taken by the nearest new ones."""
    from scipy.spatial import cKDTree

    if patient.weights is not None:
        patient.weights = patient.weights[cKDTree(old).query(patient.vertices)[1]]


def _join_shells(patient: Patient) -> None:
    """Unite closed shells by exact Boolean: overlaps become one skin, shells inside the body go."""
    import manifold3d

    edges = patient.edges
    count, shell = edges.shells
    if count == 1 or count > MOST_SHELLS_UNITED or not edges.is_closed:
        return
    volume = np.bincount(shell, signed_volume(patient.vertices, patient.faces), minlength=count)
    solids = []
    by_shell = np.split(np.argsort(shell, kind="stable"), np.cumsum(np.bincount(shell))[:-1])
    for k in np.argsort(-np.abs(volume), kind="stable"):
        used, local = renumbered(patient.faces[by_shell[k]])
        # a shell that faces inwards is the inside of a hollowed piece: the mould only sees the outside
        local = local if volume[k] >= 0 else local[:, ::-1]
        solid = as_manifold(patient.vertices[used], local)
        if solid is None:
            return
        solids.append(solid)
    united = manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Add)
    if united.status() != manifold3d.Error.NoError or united.is_empty():
        return
    parts = len(united.decompose())
    before, old = float(np.abs(volume).sum()), patient.vertices
    patient.vertices, faces = arrays_of(united)
    patient.faces = faces.astype(np.int64)
    _carry_weights(patient, old)
    patient.told.append(
        f"{_many(count, 'closed shell')} united into {parts} (overlaps and shells inside the body took "
        f"{1 - united.volume() / before:.1%} of their summed volume)."
    )


def mend(patient: Patient, progress: Progress = SILENT, crossed: bool = True) -> bool:
    """Mend the mesh in place; `patient.told` says what was done. True where it is a solid afterwards.

    crossed : whether faces of it are known to pass through each other; what only mending makes cross stays so.

    A solid is closed, each edge with two faces in opposite ways, and encloses a volume above zero.
    """
    progress.step(0.6, "mending")
    _drop_bad_faces(patient)
    edges = patient.edges
    if edges.open.any() or edges.crowded.any():
        close_cracks(patient)
        _drop_fins(patient)
        _part_touching(patient)
    progress.step(0.7, "mending")
    _drop_crumbs(patient)
    turned = True
    if not patient.edges.is_closed:
        turned = _turn_faces(patient)
        _fill_holes(patient)
        _part_touching(patient)
    progress.step(0.8, "mending")
    _face_outwards(patient)
    if turned:
        if crossed:
            _leave_out_inside(patient, progress)
            _drop_crumbs(patient)
        _join_shells(patient)
    patient.drop_loose_vertices()
    if not len(patient.faces):
        return False
    closed = patient.edges.is_closed
    return turned and closed and float(signed_volume(patient.vertices, patient.faces).sum()) > 0
