"""Mesh files read with their sizes bounded first: no library sees a file whose own counts do not add up."""

from __future__ import annotations

import contextlib
import io
import json
import logging
import re
import struct
import warnings
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Literal
from xml.parsers import expat

import numpy as np

from ..base.errors import MasterRefused
from ..base.files import check_unpacking
from ..base.progress import SILENT, Progress

LARGEST_FILE_BYTES = 2 * 1024**3
MOST_FACES = 30_000_000
SUFFIXES = (".stl", ".obj", ".ply", ".glb", ".gltf", ".3mf", ".off")
_NAMES = "STL, OBJ, PLY, GLB, GLTF, 3MF or OFF"
# 3MF core specification 1.3, section 3.4: the values of the model's unit attribute, millimetre where it is missing
_UNITS_OF_3MF = {"micron", "millimeter", "centimeter", "inch", "foot", "meter"}
_MOST_PARTS, _DEEPEST_NEST = 10_000, 50
_XML_PIECE = 1024**2  # bytes of a model that are parsed at a time
_SHORT = {"micron": "micron", "millimeter": "mm", "centimeter": "cm", "inch": "in", "foot": "ft", "meter": "m"}


@dataclass(frozen=True, eq=False)
class MeshFile:
    """A mesh as it stands in the file: (n, 3) float64 vertices, (m, 3) int64 faces, and its unit if it states one.

    unit : "mm", "cm", "m", "in", "ft" or "micron", None where the format knows no unit.
    up, front : glTF's own, None where the format leaves its axes open.
    """

    vertices: np.ndarray
    faces: np.ndarray
    unit: str | None
    up: Literal["+y"] | None = None
    front: Literal["+z"] | None = None


def _refuse(path: Path, what: str, remedy: str) -> MasterRefused:
    return MasterRefused(f"{path.name} {what}; {remedy}.")


def read_mesh_file(path: str | Path, progress: Progress = SILENT) -> MeshFile:
    """Read STL, OBJ, PLY, GLB, GLTF, 3MF or OFF. Raises `MasterRefused` with one sentence for anything else."""
    path = Path(path)
    data = _bytes_of(path)
    progress.step(0.05, "reading the file")
    kind = path.suffix.lower()
    try:
        mesh = _READERS[kind](path, data)
    except MasterRefused:
        raise
    except MemoryError:
        raise _refuse(
            path, "needs more memory than this machine has", "export it with fewer triangles and run again"
        ) from None
    except RecursionError:
        raise _refuse(path, "nests its parts too deeply", "export it as one plain mesh") from None
    except Exception:  # whatever a library raises on a broken file ends as one sentence
        raise _refuse(
            path,
            f"cannot be read as {kind[1:].upper()}: its lines or counts do not fit together",
            "export it again from the sculpting program",
        ) from None
    if len(mesh.faces) == 0 or len(mesh.vertices) == 0:
        raise _refuse(path, "holds no surface (no faces)", "export the sculpt as a triangle mesh")
    _check_face_count(path, len(mesh.faces))
    return mesh


def _bytes_of(path: Path) -> bytes:
    """The whole file, its kind and size checked before a byte of it is read."""
    try:
        if path.is_dir():
            raise _refuse(path, "is a folder", "name a mesh file in it")
        if path.suffix.lower() not in SUFFIXES:
            kind = path.suffix or "no suffix"
            raise _refuse(path, f"is not of a kind that can be read ('{kind}')", f"export it as {_NAMES}")
        size = path.stat().st_size
        if size > LARGEST_FILE_BYTES:
            raise _refuse(
                path,
                f"is {size / 1024**3:.1f} GiB, more than the {LARGEST_FILE_BYTES / 1024**3:.0f} GiB that is read",
                "export it with fewer triangles or in a binary format",
            )
        if size == 0:
            raise _refuse(path, "is empty (0 bytes)", "export it again from the sculpting program")
        return path.read_bytes()
    except FileNotFoundError:
        raise _refuse(path, "is not there", f"check the path {path}") from None
    except PermissionError:
        raise _refuse(path, "may not be read", "ask for permission or copy it to a folder of yours") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _refuse(path, f"cannot be opened ({reason})", "check the path and the disk") from None


def _check_face_count(path: Path, count: int) -> None:
    if count > MOST_FACES:
        raise _refuse(
            path,
            f"has {count / 1e6:.0f} million faces, more than the {MOST_FACES // 1_000_000} million that are read",
            "export it with fewer triangles",
        )


def _truncated(path: Path, detail: str) -> MasterRefused:
    return _refuse(path, f"is cut short ({detail})", "copy or export it again")


# --- STL


_STL_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])


def _read_stl(path: Path, data: bytes) -> MeshFile:
    size = len(data)
    count = struct.unpack_from("<I", data, 80)[0] if size >= 84 else -1
    if size >= 84 and size == 84 + 50 * count:
        _check_face_count(path, count)
        return _soup(np.frombuffer(data, _STL_RECORD, count, 84)["corners"])
    head = data[:4096].lstrip().lower()
    if head.startswith(b"solid") and (b"facet" in head or b"endsolid" in head):
        return _read_text_stl(path, data)
    if size < 84 or b"\0" not in data[:4096]:
        raise _refuse(path, "is not an STL file in spite of its name", f"export the sculpt as {_NAMES}")
    if size < 84 + 50 * count:
        raise _truncated(path, f"its header promises {count} triangles, its size allows {(size - 84) // 50}")
    # some writers pad the end: what the header promises is all there
    _check_face_count(path, count)
    return _soup(np.frombuffer(data, _STL_RECORD, count, 84)["corners"])


def _soup(corners: np.ndarray) -> MeshFile:
    """Loose triangles ((m, 3, 3)) as a mesh of three vertices each."""
    vertices = corners.reshape(-1, 3).astype(np.float64)
    return MeshFile(vertices, np.arange(len(vertices)).reshape(-1, 3), None)


_TEXT_PIECE = 32 * 1024**2


def _read_text_stl(path: Path, data: bytes) -> MeshFile:
    if b"endsolid" not in data[-4096:].lower():
        raise _truncated(path, "its last line is missing")
    _check_face_count(path, len(re.findall(rb"(?i)\bendfacet", data)))
    corners, begin = [], 0
    while begin < len(data):  # by pieces, since a word takes five times its length
        cut = data.find(b"\n", begin + _TEXT_PIECE)
        end = cut if cut >= 0 else len(data)
        # three numbers follow each word "vertex"; every other word of the format stands between them
        words = re.findall(rb"(?i)\bvertex[ \t]+(\S+)[ \t]+(\S+)[ \t]+(\S+)", data[begin:end])
        corners.append(np.array(words, dtype="S").astype(np.float64).reshape(-1, 3))
        begin = end
    points = np.concatenate(corners)
    if len(points) % 3:
        raise _refuse(path, "has a triangle without three corners", "export it again")
    return _soup(points.reshape(-1, 3, 3))


# --- PLY


_PLY_BYTES = {
    **dict.fromkeys(("char", "uchar", "int8", "uint8"), 1),
    **dict.fromkeys(("short", "ushort", "int16", "uint16"), 2),
    **dict.fromkeys(("int", "uint", "float", "int32", "uint32", "float32"), 4),
    **dict.fromkeys(("double", "float64", "int64", "uint64"), 8),
}


def _least_ply_bytes(path: Path, header: list[str], text_format: bool) -> tuple[int, int]:
    """Faces the header promises, and the least bytes that all it promises can take."""
    faces, least, count = 0, 0, 0
    for line in header:
        words = line.split()
        if words[:1] == ["element"] and len(words) == 3 and words[2].isdigit():
            count = int(words[2])
            faces = count if words[1] in ("face", "faces") else faces
        elif words[:1] == ["element"]:
            raise _refuse(path, "has a PLY header that makes no sense", "export it again")
        elif words[:2] == ["property", "list"] and len(words) == 5:
            per_item = 4 if text_format else _PLY_BYTES.get(words[2], 1) + 3 * _PLY_BYTES.get(words[3], 1)
            least += count * (per_item if faces == count else 1)
        elif words[:1] == ["property"] and len(words) == 3:
            least += count * (2 if text_format else _PLY_BYTES.get(words[1], 1))
    return faces, least


def _read_ply(path: Path, data: bytes) -> MeshFile:
    end = data.find(b"end_header", 0, 65_536)
    if data[:3].lower() != b"ply" or end < 0:
        raise _refuse(path, "is not a PLY file in spite of its name", f"export the sculpt as {_NAMES}")
    header = data[:end].decode("ascii", errors="replace").splitlines()
    body = len(data) - end - len(b"end_header")
    faces, least = _least_ply_bytes(path, header, any(line.startswith("format ascii") for line in header))
    _check_face_count(path, faces)
    if least > body:
        raise _truncated(path, f"its header promises at least {least} bytes, {body} are there")
    return _by_trimesh(data, "ply")


# --- OBJ and OFF


def _as_text(path: Path, data: bytes, kind: str) -> bytes:
    if b"\0" in data[:65_536]:
        raise _refuse(path, f"is not an {kind} file in spite of its name", f"export the sculpt as {_NAMES}")
    return data


def _read_obj(path: Path, data: bytes) -> MeshFile:
    _as_text(path, data, "OBJ")
    if not re.search(rb"^[ \t]*v[ \t]+\S+[ \t]+\S+[ \t]+\S+", data, re.MULTILINE):
        raise _refuse(path, "is not an OBJ file in spite of its name", f"export the sculpt as {_NAMES}")
    blanks = data.count(b" ") + data.count(b"\t")
    points, faces = data.count(b"\nv"), data.count(b"\nf")
    _check_face_count(path, blanks - 3 * points - 2 * faces)  # faces of many corners make many triangles
    # the library would make a mesh of all vertices for each material
    data = re.sub(rb"^[ \t]*(?:usemtl|o|g)\b[^\n]*", b"", data, flags=re.MULTILINE)
    return _by_trimesh(data, "obj", skip_materials=True)


def _read_off(path: Path, data: bytes) -> MeshFile:
    _as_text(path, data, "OFF")
    words = re.sub(rb"#[^\n]*", b"", data[:4096]).split()
    if not words or not words[0].upper().endswith(b"OFF") or not all(w.isdigit() for w in words[1:3]):
        raise _refuse(path, "is not an OFF file in spite of its name", f"export the sculpt as {_NAMES}")
    if len(words) < 3:
        raise _truncated(path, "its counts are missing")
    vertices, faces = int(words[1]), int(words[2])
    _check_face_count(path, faces)
    if 6 * vertices + 8 * faces > len(data):  # three numbers, four indices, each with a space
        raise _truncated(path, f"it promises {vertices} vertices and {faces} faces, which its size cannot hold")
    mesh = _by_trimesh(data, "off")
    if len(mesh.faces) < faces:  # faces of more corners come out as more triangles, never fewer
        raise _truncated(path, f"it promises {faces} faces, {len(mesh.faces)} are there")
    return mesh


# --- glTF


def _gltf_tree(path: Path, data: bytes, binary: bool) -> dict:
    """The JSON part of a glTF file, after checking the binary container's own lengths."""
    if binary:
        if len(data) < 20 or data[:4] != b"glTF":
            raise _refuse(path, "is not a GLB file in spite of its name", f"export the sculpt as {_NAMES}")
        total, chunk = struct.unpack_from("<I", data, 8)[0], struct.unpack_from("<I", data, 12)[0]
        if total > len(data) or 20 + chunk > len(data):
            raise _truncated(path, f"its header promises {max(total, 20 + chunk)} bytes, {len(data)} are there")
        data = data[20 : 20 + chunk]
    try:
        tree = json.loads(data)
    except (ValueError, UnicodeDecodeError):
        raise _refuse(path, "is not a glTF file in spite of its name", f"export the sculpt as {_NAMES}") from None
    if not isinstance(tree, dict):
        raise _refuse(path, "is not a glTF file in spite of its name", f"export the sculpt as {_NAMES}")
    return tree


# glTF 2.0, section 3.6.2: bytes of a component, components of an element
_GLTF_BYTES = {5120: 1, 5121: 1, 5122: 2, 5123: 2, 5125: 4, 5126: 4}
_GLTF_PARTS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT2": 4, "MAT3": 9, "MAT4": 16}


def _check_gltf_links(path: Path, tree: dict) -> None:
    for buffer in tree.get("buffers", []):
        link = str(buffer.get("uri", ""))
        if link and not link.startswith("data:") and (Path(link).name != link or ":" in link or "\\" in link):
            raise _refuse(path, "takes its data from outside its own folder", "export it as one GLB file")


# extensions of glTF 2.0 (Khronos registry) that pack a mesh so that only their own unpackers see it
_GLTF_PACKED = {
    "KHR_draco_mesh_compression": "Draco",
    "EXT_meshopt_compression": "meshopt",
    "KHR_meshopt_compression": "meshopt",
}


def _check_gltf_plain(path: Path, tree: dict) -> None:
    """Refuse compressed meshes, and points kept as shares of an integer's range, which the library would take as they
    stand."""
    primitives = [p for mesh in tree.get("meshes", []) for p in mesh.get("primitives", [])]
    held = [e for part in (*primitives, *tree.get("bufferViews", [])) for e in part.get("extensions", {})]
    packed = [_GLTF_PACKED[name] for name in (*held, *tree.get("extensionsRequired", [])) if name in _GLTF_PACKED]
    if packed:
        what = f"holds its mesh compressed ({packed[0]}), which is not read"
        raise _refuse(path, what, "export it again with compression switched off")
    accessors = tree.get("accessors", [])
    points = [p["attributes"]["POSITION"] for p in primitives if "POSITION" in p.get("attributes", {})]
    if any(accessors[at].get("normalized") for at in points):
        what = "holds its points quantized (rounded to whole numbers), which is not read"
        raise _refuse(path, what, "export it again with compression and quantization switched off")


def _check_gltf_counts(path: Path, tree: dict, size: int) -> None:
    """Refuse counts that `size` bytes cannot hold, data read over and over, and parts placed too often or too deep."""
    accessors = tree.get("accessors", [])
    promised = [a["count"] * _GLTF_BYTES[a["componentType"]] * _GLTF_PARTS[a["type"]] for a in accessors]
    views = [view["byteLength"] for view in tree.get("bufferViews", [])]
    sizes = promised + views
    bounded = max(sizes, default=0) <= size and sum(promised) <= 8 * size and sum(views) <= 8 * size
    if not bounded or min(sizes, default=0) < 0 or any("bufferView" not in a for a in accessors):
        raise _refuse(path, "promises more data than it holds", "export it again as a plain mesh")
    faces_of = []
    for mesh in tree.get("meshes", []):
        total = 0
        for primitive in mesh.get("primitives", []):
            index = primitive.get("indices", primitive.get("attributes", {}).get("POSITION"))
            total += accessors[index]["count"] // 3 if index is not None else 0
        faces_of.append(total)
    # by the standard each node has one parent, so each places its mesh once
    placed = sum(faces_of[node["mesh"]] for node in tree.get("nodes", []) if "mesh" in node)
    _check_face_count(path, max(placed, sum(faces_of)))
    _check_nesting(path, [node.get("children", []) for node in tree.get("nodes", [])])


def _check_nesting(path: Path, children: list[list[int]]) -> None:
    """Refuse nodes by the ten thousand or nested by the hundred: placing them takes their product."""
    level = set(range(len(children)))
    if len(level) > _MOST_PARTS:
        raise _refuse(path, f"comes in {len(level)} parts, more than are read", "join them into one mesh")
    for _ in range(_DEEPEST_NEST):
        if not level:
            return
        level = {child for node in level for child in children[node]}
    raise _refuse(path, "places a part inside itself or nests too deeply", "export it as one plain mesh")


def _neighbours(path: Path, tree: dict) -> dict[str, bytes]:
    """The files beside a .gltf that it names; sizes are checked before any is read."""
    names = {b["uri"] for b in tree.get("buffers", []) if b.get("uri", "data:")[:5] != "data:"}
    files = [path.parent / name for name in sorted(names)]
    if sum(file.stat().st_size for file in files) > LARGEST_FILE_BYTES:
        raise _refuse(path, "has more data beside it than is read", "export it with fewer triangles")
    return {file.name: file.read_bytes() for file in files}


def _read_gltf(path: Path, data: bytes) -> MeshFile:
    tree = _gltf_tree(path, data, path.suffix.lower() == ".glb")
    _check_gltf_links(path, tree)
    _check_gltf_plain(path, tree)
    try:
        neighbours = _neighbours(path, tree)
    except FileNotFoundError:
        raise _refuse(path, "lacks the data file beside it", "keep both together or export a GLB") from None
    _check_gltf_counts(path, tree, len(data) + sum(map(len, neighbours.values())))
    # glTF 2.0, section 3.4: the unit of all linear distances is the metre, +Y is up, the front faces +Z
    mesh = _by_trimesh(data, path.suffix.lower()[1:], resolver=neighbours, skip_materials=True)
    return MeshFile(mesh.vertices, mesh.faces, "m", "+y", "+z")


# --- 3MF


class _ModelCount:
    """What a 3MF archive's models hold and place, counted while each streams through a parser that keeps nothing.

    The same ids may stand in several models of the archive; their faces add up, as they do in the library.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.own: dict[str, int] = {}  # object id: its own triangles
        self.parts: dict[str, list[str]] = {}  # object id: the ids of its components
        self.items: list[str] = []  # ids that the build places
        self.mentions = 0  # components that stand in another model, which is parsed anew for each
        self.units: list[str] = []  # stated by each model's root, in the archive's order
        self._faces = 0
        self._current, self._in_root = "", False

    def read(self, stream: IO[bytes]) -> None:
        """One model. Raises `MasterRefused` as soon as it holds more than is read, ExpatError where it is no XML."""
        parser = expat.ParserCreate()
        parser.StartElementHandler = self._start
        parser.StartDoctypeDeclHandler = self._doctype
        parser.XmlDeclHandler = self._declaration
        self._current, self._in_root = "", False
        first = stream.read(_XML_PIECE)
        if first.removeprefix(b"\xef\xbb\xbf").lstrip()[:1] != b"<" or b"\0" in first:
            raise self._not_utf_8()
        piece = first
        while piece:
            parser.Parse(piece, False)
            piece = stream.read(_XML_PIECE)
        parser.Parse(b"", True)

    def _not_utf_8(self) -> MasterRefused:
        what, remedy = "holds a model that is not XML in UTF-8", "export it again from the sculpting program"
        return _refuse(self.path, what, remedy)

    def _doctype(self, *_: object) -> None:
        raise _refuse(self.path, "defines XML entities, which 3MF does not allow", "export it again")

    def _declaration(self, version: str, encoding: str | None, standalone: int) -> None:
        if encoding is not None and encoding.lower() not in ("utf-8", "us-ascii", "ascii"):
            raise self._not_utf_8()

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        word = tag.rpartition(":")[2]
        if not self._in_root:
            self.units.append(attributes.get("unit", ""))
            self._in_root = True
        elif word == "triangle":
            self._faces += 1
            self.own[self._current] = self.own.get(self._current, 0) + 1
            if self._faces > MOST_FACES:
                _check_face_count(self.path, self._faces)
        elif word == "object":
            self._current = attributes.get("id", "")
            self.parts.setdefault(self._current, [])
        elif word == "component":
            self.parts.setdefault(self._current, []).append(attributes.get("objectid", ""))
            self.mentions += any(name.rpartition(":")[2] == "path" for name in attributes)
        elif word == "item":
            self.items.append(attributes.get("objectid", ""))

    def placed(self) -> tuple[int, int]:
        """Triangles and parts after every component and item is placed, counted without placing any."""
        done: dict[str, tuple[int, int]] = {}

        def count(name: str, above: tuple[str, ...]) -> tuple[int, int]:
            if name in above or len(above) > _DEEPEST_NEST:
                what = "places a part inside itself or nests too deeply"
                raise _refuse(self.path, what, "export it as one plain mesh")
            if name not in done:
                inner = [count(part, (*above, name)) for part in self.parts.get(name, [])]
                faces = self.own.get(name, 0) + sum(faces for faces, _ in inner)
                done[name] = faces, 1 + sum(parts for _, parts in inner)
            return done[name]

        each = [count(name, ()) for name in self.items]
        return sum(faces for faces, _ in each), sum(parts for _, parts in each)


def _read_3mf(path: Path, data: bytes) -> MeshFile:
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
        entries = archive.infolist()
    except (zipfile.BadZipFile, ValueError, NotImplementedError):
        raise _refuse(
            path, "is not a 3MF file, or is cut short", "export it again from the sculpting program"
        ) from None
    try:
        check_unpacking(archive, len(data), LARGEST_FILE_BYTES)
    except ValueError as error:
        raise _refuse(path, f"cannot be read: {error}", "export it with fewer triangles") from None
    models = [entry for entry in entries if entry.filename.lower().endswith(".model")]
    if not models:
        raise _refuse(path, "holds no 3-D model", "export the sculpt as a 3MF of a triangle mesh")
    count = _ModelCount(path)
    for entry in models:
        with archive.open(entry) as stream:
            count.read(stream)
    if count.mentions * sum(e.file_size for e in models) > LARGEST_FILE_BYTES or len(entries) > _MOST_PARTS:
        raise _refuse(path, "spreads its parts over too many models", "export it as one plain mesh")
    faces, parts = count.placed()
    _check_face_count(path, faces)
    if parts > _MOST_PARTS:
        raise _refuse(path, f"comes in {parts} parts, more than are read", "join them into one mesh")
    mesh = _by_trimesh(data, "3mf")
    main = next((k for k, e in enumerate(models) if "3dmodel.model" in e.filename.lower()), 0)
    stated = count.units[main].lower()
    return MeshFile(mesh.vertices, mesh.faces, _SHORT[stated if stated in _UNITS_OF_3MF else "millimeter"])


# --- by library


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """No library's warnings, log lines or prints reach the person at the bench."""
    log = logging.getLogger("trimesh")
    was = log.disabled
    log.disabled = True
    try:
        with (
            warnings.catch_warnings(),
            np.errstate(all="ignore"),
            contextlib.redirect_stdout(io.StringIO()),
            contextlib.redirect_stderr(io.StringIO()),
        ):
            warnings.simplefilter("ignore")
            yield
    finally:
        log.disabled = was


def _by_trimesh(data: bytes, kind: str, **options: Any) -> MeshFile:
    """Every mesh of the file in one, each in its place."""
    import trimesh

    with _quiet():
        scene = trimesh.load_scene(io.BytesIO(data), file_type=kind, process=False, maintain_order=True, **options)
        mesh = scene.to_mesh()
    vertices = np.ascontiguousarray(mesh.vertices, np.float64).reshape(-1, 3)
    faces = np.ascontiguousarray(mesh.faces, np.int64).reshape(-1, 3)
    return MeshFile(vertices, faces, None)


_READERS = {
    ".stl": _read_stl,
    ".obj": _read_obj,
    ".ply": _read_ply,
    ".off": _read_off,
    ".glb": _read_gltf,
    ".gltf": _read_gltf,
    ".3mf": _read_3mf,
}
