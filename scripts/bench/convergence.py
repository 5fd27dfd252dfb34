"""How the undercut converges: rays against column images, and both against a shape whose answer is known.

python scripts/bench/convergence.py [TRIANGLES] [OUT.svg]      default 80000, beside this file

Known shape: a block of 100 x 60 x 60 mm with a slot 40 x 40 mm, pulled across the slot: three of the slot's faces lock,
40 x 60 mm each, and the slot's 40 x 40 x 60 mm fill. Turned by an odd angle, so that no pixel falls in with an edge.
"""

from __future__ import annotations

import sys
from pathlib import Path

import manifold3d as m3
import numpy as np
import trimesh
from mouldloft.base.files import write_text
from mouldloft.demo.hare import demo_hare
from mouldloft.geometry.depthmap import column_image, grid_around
from mouldloft.geometry.frame import pull_frame
from mouldloft.geometry.freedom import freedom_by_rays
from mouldloft.geometry.rays import ray_scene
from mouldloft.geometry.sampling import samples_by_area
from mouldloft.inputs.brief import brief_from_dict
from mouldloft.stages.master import Master, prepare_master, skin_faces
from mouldloft.stages.opening import best_offset, fill_at
from mouldloft.stages.undercut import freedom_by_columns

PIXELS_ACROSS = (75, 150, 300, 600, 1200, 2400)  # over the diagonal
SAMPLES = (1_000, 4_000, 16_000, 64_000, 256_000)
SLOT_LOCKED_MM2, SLOT_FILL_MM3 = 3 * 40 * 60.0, 40 * 40 * 60.0


def slotted_block() -> tuple[Master, np.ndarray]:
    """The block, turned, and the direction across its slot."""
    solid = m3.Manifold.cube([100, 60, 60], True) - m3.Manifold.cube([40, 80, 40], True).translate([0, 0, 10.0])
    mesh = solid.to_mesh()
    vertices = np.asarray(mesh.vert_properties)[:, :3]
    turn = trimesh.transformations.rotation_matrix(0.4321, [0.3, 0.5, 0.8])[:3, :3]
    brief = brief_from_dict({"master": {"unit": "mm", "base": "closed"}})
    return prepare_master(vertices @ turn.T, np.asarray(mesh.tri_verts), brief.master), turn[:, 0]


def by_resolution(master: Master, direction: np.ndarray) -> list[tuple[float, float, float]]:
    """(pixel mm, share of the skin on which column images and rays differ, undercut fill mm³) for each pixel size."""
    scene = ray_scene(master.vertices_mm, master.faces)
    areas, skin = master.face_areas_mm2, skin_faces(master)
    samples = samples_by_area(master.vertices_mm, master.faces, areas, 64_000, skin)
    rays = np.logical_or(*freedom_by_rays(scene, samples.points_mm, master.normals[samples.faces], direction))
    vertices = pull_frame(direction).to_frame(master.vertices_mm)
    rows = []
    for across in PIXELS_ACROSS:
        pixel = float(np.linalg.norm(master.size_mm)) / across
        columns = np.logical_or(*freedom_by_columns(master, samples, direction, pixel))
        top, bottom = column_image(vertices, master.faces, grid_around(vertices, pixel))
        solid = np.isfinite(top)
        offset = best_offset(top[solid], bottom[solid])
        fill = fill_at(top[solid], bottom[solid], offset, pixel, master.volume_mm3)
        rows.append((pixel, float(np.mean(columns != rays)), fill))
    return rows


def by_samples(master: Master, direction: np.ndarray) -> list[tuple[int, float]]:
    """(samples, locked mm²) by rays."""
    scene = ray_scene(master.vertices_mm, master.faces)
    rows = []
    for count in SAMPLES:
        taken = samples_by_area(master.vertices_mm, master.faces, master.face_areas_mm2, count, skin_faces(master))
        ways = freedom_by_rays(scene, taken.points_mm, master.normals[taken.faces], direction)
        rows.append((count, float(taken.areas_mm2[~(ways[0] | ways[1])].sum())))
    return rows


def plot_svg(title: str, across: str, lines: dict[str, list[tuple[float, float]]]) -> str:
    """Error in per cent over resolution, both axes logarithmic, one line a name; a group of SVG, 460 x 330."""
    x = np.log10([p for line in lines.values() for p, _ in line])
    y = np.log10([max(e, 1e-3) for line in lines.values() for _, e in line])
    low_y, high_y = np.floor(y.min()), np.ceil(y.max())

    def at(p: float, e: float) -> tuple[float, float]:
        along = (np.log10(p) - x.min()) / (x.max() - x.min())
        return 60 + 270 * along, 280 - 230 * (np.log10(max(e, 1e-3)) - low_y) / (high_y - low_y)

    parts = [f'<text x="60" y="24" font-weight="bold">{title}</text><text x="120" y="322">{across}</text>']
    for power in range(int(low_y), int(high_y) + 1):
        _, level = at(1.0, 10.0**power)
        parts.append(f'<path d="M60 {level:.1f}H330" stroke="#ccc"/>')
        parts.append(f'<text x="54" y="{level + 4:.1f}" text-anchor="end">{10.0**power:g} %</text>')
    for p in sorted({p for line in lines.values() for p, _ in line}):
        mark = f"{p / 1000:g} k" if p >= 1000 and float(p).is_integer() else f"{p:g}"
        parts.append(f'<text x="{at(p, 1.0)[0]:.1f}" y="298" text-anchor="middle">{mark}</text>')
    for k, (name, line) in enumerate(lines.items()):
        colour, dash = (("#1b5e7a", ""), ("#b5541c", "6 3"), ("#4d4d4d", "2 3"))[k % 3]
        points = " ".join("{:.1f},{:.1f}".format(*at(p, e)) for p, e in line)
        parts.append(
            f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="2" stroke-dasharray="{dash}"/>'
        )
        _, end = at(*max(line))
        parts.append(f'<text x="338" y="{end + 4:.1f}" fill="{colour}">{name}</text>')
    return "".join(parts)


def main() -> None:
    """Print the tables and draw the plot."""
    triangles = int(sys.argv[1]) if len(sys.argv) > 1 else 80_000
    out = Path(sys.argv[2] if len(sys.argv) > 2 else Path(__file__).with_suffix(".svg"))
    brief = brief_from_dict({"master": {"finished_height_mm": 1400}})
    hare = prepare_master(*demo_hare(triangles), brief.master)
    bodies = {"hare": (hare, np.array([1.0, 0.0, 0.0])), "slotted block": slotted_block()}
    differ, fills, locked = {}, {}, {}
    for name, (master, direction) in bodies.items():
        rows, counts = by_resolution(master, direction), by_samples(master, direction)
        exact = name == "slotted block"
        best_fill = SLOT_FILL_MM3 if exact else rows[-1][2]
        best_locked = SLOT_LOCKED_MM2 if exact else counts[-1][1]
        against = "the known answer" if exact else "the finest"
        print(f"\n{name}, {len(master.faces):,} faces; errors against {against}")
        print("| pixel mm | images and rays differ on | undercut fill | error |\n|---:|---:|---:|---:|")
        for pixel, share, fill in rows:
            print(
                f"| {pixel:.2f} | {100 * share:.2f} % | {fill / 1e3:.2f} cm³ | {100 * (fill / best_fill - 1):+.2f} % |"
            )
        print("| samples | locked area | error, of the skin |\n|---:|---:|---:|")
        for count, area in counts:
            error = 100 * (area - best_locked) / master.skin_area_mm2
            print(f"| {count:,} | {area / 100:.1f} cm² | {error:+.3f} % |")
        diagonal = float(np.linalg.norm(master.size_mm))
        differ[name] = [(round(diagonal / p), 100 * share) for p, share, _ in rows]
        errors = [(round(diagonal / p), 100 * abs(fill / best_fill - 1)) for p, _, fill in rows]
        fills[name] = errors if exact else errors[:-1]
        areas = [(n, 100 * abs(a - best_locked) / master.skin_area_mm2) for n, a in counts]
        locked[name] = areas if exact else areas[:-1]
    plots = (
        ("Rays and column images differ", "pixels over the diagonal", differ),
        ("Error of undercut fill", "pixels over the diagonal", fills),
        ("Error of locked area, of the skin", "samples", locked),
    )
    groups = "".join(f'<g transform="translate({460 * k} 0)">{plot_svg(*plot)}</g>' for k, plot in enumerate(plots))
    head = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1380 335" font-family="sans-serif" font-size="13">'
    write_text(out, f'{head}<rect width="1380" height="335" fill="#fff"/>{groups}</svg>\n')
    print(f"\n{out} drawn", file=sys.stderr)


if __name__ == "__main__":
    main()
