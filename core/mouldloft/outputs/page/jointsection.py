"""The joint's section for the page, as SVG, from the same shapes as the sheet at full size."""

from __future__ import annotations

from html import escape

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ...stages.plan import MouldPlan
from ..look import INK
from ..sheets.section import GLASS, MASTER_MM, RISE_MM, RUBBERS, joint_areas, joint_names, section_built

_HATCHES = (
    ("r1", RUBBERS[0], 45, 2.6),
    ("r2", RUBBERS[1], 135, 2.6),
    ("g1", GLASS[0], 20, 1.7),
    ("g2", GLASS[1], 70, 1.7),
)
_WORDS_MM = 66.0  # to the right of the section


def joint_svg(plan: MouldPlan) -> str:
    """A figure with its caption as HTML; "" of a mould without a section."""
    section = section_built(plan)
    if section is None:
        return ""
    edge, names = plan.rubber.edge_thickness_mm, joint_names(plan)
    hatched = {colour: f"url(#{name})" for name, colour, _, _ in _HATCHES}
    drawn = "".join(_path(shape, hatched.get(colour, colour)) for shape, colour in joint_areas(plan, section))
    words = [
        (27.0, f"rubber 1, {names[0]}"), (20.0, f"jacket 1, {names[0]}"), (0.0, "glass to glass"),
        (-22.0, f"rubber 2, {names[1]}"), (-29.0, f"jacket 2, {names[1]}"),
    ]  # fmt: skip
    starts = (edge / 2.0, edge + 3.0, section.reach_mm - 2.0, edge / 2.0, edge + 3.0)
    right = section.reach_mm + 4.0
    said = "".join(
        f'<line x1="{x:.1f}" y1="{-y:g}" x2="{right - 1:.1f}" y2="{-y:g}" stroke="{INK}" stroke-width=".25"/>'
        f'<circle cx="{x:.1f}" cy="{-y:g}" r=".7" fill="{INK}"/>'
        f'<text x="{right:.1f}" y="{2.0 - y:g}" font-size="6" fill="{INK}">{escape(text)}</text>'
        for x, (y, text) in zip(starts, words, strict=True)
    )
    caption = (
        f"Square across the wall: rubber flange {section.rubber_flange_mm:g} mm, jacket flange "
        f"{section.jacket_flange_mm:g} mm past it"
    )
    if plan.jacket.bolt is not None:
        caption += f", {plan.jacket.bolt.name} mm bolts"
    wide = MASTER_MM + right + _WORDS_MM
    return (
        f'<h2>The joint</h2><figure class="joint"><svg role="img" aria-label="{escape(caption)}" '
        f'viewBox="{-MASTER_MM - 1:.1f} {-RISE_MM - 1:.1f} {wide + 2:.1f} {2 * RISE_MM + 2:.1f}">'
        f"<defs>{_patterns()}</defs>{drawn}{said}</svg><figcaption>{escape(caption)}.</figcaption></figure>"
    )


def _patterns() -> str:
    made = []
    for name, colour, turn, step in _HATCHES:
        crossed = f'<path d="M0 0H{step}" stroke="{INK}" stroke-width=".18"/>' if name.startswith("g") else ""
        made.append(
            f'<pattern id="{name}" width="{step}" height="{step}" patternUnits="userSpaceOnUse" '
            f'patternTransform="rotate({turn})"><rect width="{step}" height="{step}" fill="{colour}"/>'
            f'<path d="M0 0V{step}" stroke="{INK}" stroke-width=".25"/>{crossed}</pattern>'
        )
    return "".join(made)


def _path(shape: BaseGeometry, fill: str) -> str:
    rings = []
    for part in shapely.get_parts(shape):
        if isinstance(part, shapely.Polygon) and not part.is_empty:
            for ring in (part.exterior, *part.interiors):
                corners = np.asarray(ring.coords)[:-1]
                rings.append("M" + "L".join(f"{x:.2f} {-y:.2f}" for x, y in corners) + "Z")
    return f'<path d="{"".join(rings)}" fill="{fill}" fill-rule="evenodd" stroke="{INK}" stroke-width=".3"/>'
