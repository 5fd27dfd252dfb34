"""Every demo body by name: its mesh at any triangle count, where its features are, and its brief."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from ..base.errors import BriefRefused
from ..base.files import make_folder, write_text, write_whole
from ..base.progress import SILENT, Progress
from .beast import standing_beast
from .body import DemoMesh, NamedBall, carve, moved_places
from .figure import standing_figure
from .goat import horned_goat
from .hare import BRIEF_TEXT, binary_stl, demo_hare

_SCULPTS = {"figure": standing_figure, "goat": horned_goat, "beast": standing_beast}
BODIES = ("hare", *_SCULPTS)
# on the table of the hare, before its head is turned: it stands 1400 mm tall as carved, to about 1 %
_HARE_HEAD = (
    NamedBall("left eye", "eye", (74.0, -326.0, 926.0), 26.0),
    NamedBall("right eye", "eye", (-74.0, -326.0, 926.0), 26.0),
    NamedBall("nose", "nose", (0.0, -460.0, 888.0), 26.0),
    NamedBall("mouth", "mouth", (0.0, -452.0, 855.0), 30.0),
    NamedBall("left ear", "part", (95.0, -160.0, 1180.0), 80.0),
    NamedBall("right ear", "part", (-95.0, -140.0, 1180.0), 80.0),
    NamedBall("chin", "part", (0.0, -400.0, 812.0), 40.0),
)
_HARE_BODY = (
    NamedBall("chest", "part", (0.0, -230.0, 590.0), 60.0),
    NamedBall("back", "part", (0.0, 250.0, 520.0), 80.0),
    NamedBall("left foreleg", "part", (76.0, -290.0, 180.0), 45.0),
    NamedBall("right foreleg", "part", (-76.0, -290.0, 180.0), 45.0),
    NamedBall("left hind leg", "part", (180.0, 120.0, 180.0), 80.0),
    NamedBall("right hind leg", "part", (-180.0, 120.0, 180.0), 80.0),
    NamedBall("tail", "part", (0.0, 420.0, 200.0), 50.0),
)


def demo_body(name: str, triangles: int = 80_000, progress: Progress = SILENT) -> DemoMesh:
    """One of `BODIES` as a closed manifold mesh, within 3 % of the wanted count, with its features' places.

    Raises `BriefRefused` for another name or for a count outside 20 thousand to 6 million.
    """
    if name == "hare":
        vertices, faces = demo_hare(triangles, progress)
        return DemoMesh(vertices, faces, (*moved_places(_HARE_HEAD, (0.0, -200.0, 0.0), yaw=4.0), *_HARE_BODY))
    if name not in _SCULPTS:
        raise BriefRefused(f"There is no demo body {name!r}; choose one of {', '.join(BODIES)}.")
    return carve(_SCULPTS[name](), triangles, progress)


def _brief_text(name: str) -> str:
    if name == "hare":
        return BRIEF_TEXT
    sculpt = _SCULPTS[name]()
    return BRIEF_TEXT.replace("Seated hare", sculpt.title).replace("= 1400", f"= {sculpt.height_mm:.0f}")


def write_demo(
    folder: str | Path, triangles: int = 80_000, progress: Progress = SILENT, body: str = "hare"
) -> tuple[Path, Path]:
    """Write `<body>.stl` (binary, millimetres) and `<body>.brief.toml` into the folder; returns both paths.

    Raises `OutputRefused` where they cannot be written; a file half written never stands there.
    """
    target = make_folder(folder)
    mesh = demo_body(body, triangles, progress)
    data = binary_stl(mesh.vertices_mm, mesh.faces, title_of_body(body))
    stl = write_whole(target / f"{body}.stl", lambda handle: handle.write(data))
    return stl, write_text(target / f"{body}.brief.toml", _brief_text(body))


def title_of_body(name: str) -> str:
    """'seated hare', 'standing child' ..."""
    return "seated hare" if name == "hare" else _SCULPTS[name]().title.lower()


def inside_place(place: NamedBall, points_mm: np.ndarray) -> np.ndarray:
    """(n,) bool: which of (n, 3) points lie in a place's ball."""
    return np.linalg.norm(points_mm - np.array(place.centre_mm), axis=1) <= place.radius_mm
