"""A made-up scan of the finished clay and a made-up log of the run, to try `rescan` and `log` on; all invented."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import trimesh
from scipy.spatial.transform import Rotation

from ..geometry.edges import renumbered

NOISE_MM = 0.5
PROUD_MM, SHY_MM, WIDE = 14.0, -10.0, 0.036  # the two places carved otherwise; their width as a share of the height
UNSEEN_SHARE = 0.02  # of the height: what stands on the board is never scanned
RUBBER, COAT_HOURS, GELCOAT, RESIN, WEIGHT, CAST_HOURS = 1.15, 1.25, 1.2, 1.08, 1.06, 0.9  # used over planned
_SCATTER = 0.06


def made_up_scan(vertices_mm: np.ndarray, faces: np.ndarray, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """What a scanner might give of a body ((n, 3) mm, (m, 3)): metres, another pose, half a millimetre of noise, two
    holes and no underside; clay proud in front and shy behind."""
    rng = np.random.default_rng(seed)
    vertices = np.asarray(vertices_mm, float)
    body = trimesh.Trimesh(vertices, faces, process=False)
    out, height = np.asarray(body.vertex_normals), float(np.ptp(vertices[:, 2]))
    moved = vertices + NOISE_MM * rng.normal(size=(len(vertices), 1)) * out
    for level, way, depth in ((0.43, -1.0, PROUD_MM), (0.31, 1.0, SHY_MM)):
        off_level = np.abs(vertices[:, 2] - level * height) > 0.015 * height
        place = vertices[np.argmax(way * vertices[:, 1] - 10.0 * height * off_level)]
        away = np.linalg.norm(vertices - place, axis=1) / (WIDE * height)
        moved += out * (depth * np.exp(-(away**2)) * (away < 2))[:, None]
    centres = vertices[faces].mean(axis=1)
    drop = centres[:, 2] < UNSEEN_SHARE * height
    for place in centres[rng.integers(0, len(centres), 2)]:
        drop |= np.linalg.norm(centres - place, axis=1) < 0.035 * height
    used, kept = renumbered(faces[~drop])
    turn = Rotation.random(random_state=seed).as_matrix()
    return (0.001 * (moved + rng.normal(size=3) * 500.0) @ turn)[used], kept


def made_up_log(
    coats: Mapping[tuple[str, str], tuple[float, float]], cast: Mapping[str, float], casts: int, seed: int = 3
) -> str:
    """A filled log as TOML. coats : planned kilograms and hours for each (piece, coat); cast : one cast's planned
    figures; casts : how many were taken. The glove begins to tear at the last two."""
    rng = np.random.default_rng(seed)

    def used(planned: float, factor: float) -> str:
        return f"{planned * factor * (1 + _SCATTER * rng.normal()):.2f}"

    lines = ["# A made-up log: every figure is invented."]
    for (piece, coat), (kilograms, hours) in coats.items():
        lines += ["", "[[coat]]", f'piece = "{piece}"', f'coat = "{coat}"', f"rubber_kg = {used(kilograms, RUBBER)}"]
        lines += [f"hours = {used(hours, COAT_HOURS)}", f"temperature_c = {17 + rng.normal():.0f}"]
    for number in range(1, casts + 1):
        lines += ["", "[[cast]]", f"number = {number}", f"weight_kg = {used(cast['weight_kg'], WEIGHT)}"]
        lines += [f"gelcoat_kg = {used(cast['gelcoat_kg'], GELCOAT)}", f"resin_kg = {used(cast['resin_kg'], RESIN)}"]
        lines += [f"hours = {used(cast['hours'], CAST_HOURS)}", f"tears = {int(number > casts - 2)}"]
    for what, before in (("ear tip to paw", 1203.0), ("nose to tail", 801.0)):
        lines += ["", "[[marks]]", f'what = "{what}"', f"before_mm = {before}", f"after_mm = {before * 0.9968:.1f}"]
    return "\n".join(lines) + "\n"
