"""Small files that ask for much: each would fill the memory or the day if its reader believed it.

Run as a program on a folder of them, it reads each under a memory limit and prints a JSON line for each.
"""

from __future__ import annotations

import io
import json
import struct
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import trimesh

_TRIANGLE = (
    '<mesh><vertices><vertex x="0" y="0" z="0"/><vertex x="1" y="0" z="0"/><vertex x="0" y="1" z="0"/></vertices>'
    '<triangles><triangle v1="0" v2="1" v3="2"/></triangles></mesh>'
)


def split_glb(data: bytes) -> tuple[dict, bytes]:
    """The JSON tree and the binary chunk of a GLB with both."""
    length = struct.unpack_from("<I", data, 12)[0]
    return json.loads(data[20 : 20 + length]), data[28 + length :]


def join_glb(tree: bytes, binary: bytes) -> bytes:
    tree += b" " * (-len(tree) % 4)
    head = struct.pack("<III", 2, 28 + len(tree) + len(binary), len(tree))
    return b"glTF" + head + b"JSON" + tree + struct.pack("<I", len(binary)) + b"BIN\0" + binary


def _glb(change: Callable[[dict], None], more: int = 0) -> bytes:
    tree, binary = split_glb(trimesh.creation.icosphere(2, 1.0).export(file_type="glb"))
    tree["buffers"][0]["byteLength"] += more
    change(tree)
    return join_glb(json.dumps(tree).encode(), binary + b"\0" * more)


def _nodes(nodes: list[dict]) -> bytes:
    return _glb(lambda tree: tree.update(nodes=nodes, scenes=[{"nodes": [0]}]))


def _accessors(tree: dict) -> None:
    tree["bufferViews"][0]["byteLength"] += 500_000
    one = {"bufferView": 0, "componentType": 5121, "type": "SCALAR", "count": 500_000}
    tree["accessors"] += [dict(one) for _ in range(10_000)]


def _sparse(tree: dict) -> None:
    tree["accessors"][0] = {"componentType": 5126, "type": "MAT4", "count": 10**9, "sparse": {}}


def _zip(**models: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, model in models.items():
            archive.writestr(f"3D/{name}.model", model)
    return out.getvalue()


def _doubling() -> bytes:
    nest = "".join(
        f'<object id="{k}"><components><component objectid="{k - 1}"/><component objectid="{k - 1}"/></components>'
        "</object>"
        for k in range(1, 24)
    )
    return (
        f'<model><resources><object id="0">{_TRIANGLE}</object>{nest}</resources><build><item objectid="23"/></build>'
        "</model>"
    ).encode()


def _mentions() -> bytes:
    each = '<component p:path="/3D/o.model" objectid="2"/>' * 20_000
    head = f'<model xmlns:p="x"><resources><object id="1"><components>{each}</components></object></resources>'
    return _zip(
        **{
            "3dmodel": f'{head}<build><item objectid="1"/></build></model>'.encode(),
            "o": f"<model><object id='2'>{_TRIANGLE * 5000}</object></model>".encode(),
        }
    )


def _ply(header: str, body: bytes) -> bytes:
    return f"ply\nformat {header}\nend_header\n".encode() + body


_LIST = "property list uchar int i"
_CORNERS = "v 0 0 0\nv 1 0 0\nv 0 1 0\nv 0 0 1\n"

MESHES: dict[str, Callable[[], bytes]] = {
    "chunk of 4 GiB.glb": lambda: b"glTF" + struct.pack("<III", 2, 2**32 - 1, 2**32 - 1) + b"JSON{}",
    "one buffer ten thousand times.glb": lambda: _glb(_accessors, 500_000),
    "sparse of 64 GB.glb": lambda: _glb(_sparse),
    "parts in parts.glb": lambda: _nodes([{"children": [k + 1], "mesh": 0} for k in range(9000)] + [{"mesh": 0}]),
    "part inside itself.glb": lambda: _nodes([{"children": [1], "mesh": 0}, {"children": [0]}]),
    "deep JSON.gltf": lambda: b"[" * 400_000 + b"]" * 400_000,
    "zip of blanks.3mf": lambda: _zip(**{"3dmodel": b" " * 300_000_000}),
    "parts doubled 23 times.3mf": lambda: _zip(**{"3dmodel": _doubling()}),
    "model mentioned again and again.3mf": _mentions,
    "tags without end.3mf": lambda: _zip(**{"3dmodel": b"<object " * 300_000}),
    "entities in UTF-16.3mf": lambda: _zip(
        **{"3dmodel": '<!DOCTYPE m [<!ENTITY a "aaaa">]><model>&a;</model>'.encode("utf-16")}
    ),
    "deep XML.3mf": lambda: _zip(**{"3dmodel": b"<model>" + b"<a>" * 500_000}),
    "two thousand million vertices.ply": lambda: _ply(
        f"binary_little_endian 1.0\nelement vertex 2147483648\nelement face 1\n{_LIST}", b"\0" * 1000
    ),
    "vertices without properties.ply": lambda: _ply(
        f"ascii 1.0\nelement vertex 2147483648\nelement face 2147\n{_LIST}", b"3 0 1 2\n" * 3000
    ),
    "face of two thousand million corners.ply": lambda: _ply(
        "binary_little_endian 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\n"
        "element face 1\nproperty list uint int i",
        b"\0" * 36 + b"\xff\xff\xff\x7f" + b"\0" * 1000,
    ),
    "four thousand million triangles.stl": lambda: b"\0" * 80 + b"\xff\xff\xff\xff" + b"\0" * 500,
    "words without numbers.stl": lambda: b"solid a facet " + b"vertex " * 300_000 + b" " * 300_000 + b"endsolid",
    "blank lines.obj": lambda: b"x" + b"\n" * 1_000_000,
    "a material a face.obj": lambda: (_CORNERS + "".join(f"usemtl m{k}\nf 1 2 3\n" for k in range(20_000))).encode(),
    "far indices.off": lambda: b"OFF\n8 1 0\n" + b"0 0 0\n" * 8 + b"1000000000" + b" 0" * 100,
}
TEXTS: dict[str, Callable[[], bytes]] = {
    "deep array.toml": lambda: b"piece = " + b"[" * 100_000 + b"]" * 100_000,
    "deep table.toml": lambda: b"piece = " + b"{a=" * 50_000 + b"1" + b"}" * 50_000,
    "deep key.toml": lambda: b".".join([b"a"] * 100_000) + b" = 1",
    "deep quoted key.toml": lambda: b".".join([b'"a b"'] * 100_000) + b" = 1",
    "deep heading.toml": lambda: b"[" + b" . ".join([b"a"] * 100_000) + b"]",
    "long number.toml": lambda: b"piece = " + b"9" * 1_000_000,
    "large file.toml": lambda: b"#" * 5_000_000,
}


def read_all(folder: Path) -> None:
    """Read every file in the folder by its kind; a JSON line each: name, the refusal or null, peak memory in MB."""
    import resource

    from mouldloft.base.errors import MouldloftError
    from mouldloft.inputs.brief import MasterBrief, read_brief
    from mouldloft.inputs.catalogue import read_catalogue
    from mouldloft.stages.master import read_master

    resource.setrlimit(resource.RLIMIT_AS, (6 * 1024**3, 6 * 1024**3))
    size = MasterBrief(finished_height_mm=500.0)
    for file in sorted(folder.iterdir()):
        readers = (read_brief, read_catalogue) if file.suffix == ".toml" else (lambda path: read_master(path, size),)
        for reader in readers:
            try:
                reader(file)
                said = None
            except MouldloftError as error:
                said = str(error)
            print(json.dumps({"name": file.name, "said": said, "peak_mb": _peak_mb()}), flush=True)


def _peak_mb() -> float:
    """Most memory this process has held. Linux's getrusage would tell that of the one which started it, too."""
    import resource

    status = Path("/proc/self/status")
    if status.exists():
        return int(status.read_text().split("VmHWM:")[1].split()[0]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def array_file(entries: dict[str, bytes]) -> bytes:
    """A zip of .npy files as `planfile` packs them, of given bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in entries.items():
            archive.writestr(name + ".npy", data)
    return out.getvalue()


def npy(array: np.ndarray, allow_pickle: bool = False) -> bytes:
    out = io.BytesIO()
    np.lib.format.write_array(out, array, allow_pickle=allow_pickle)
    return out.getvalue()


if __name__ == "__main__":
    read_all(Path(sys.argv[1]))
