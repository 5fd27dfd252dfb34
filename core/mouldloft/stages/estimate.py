"""An early estimate of rubber and job, before any clay: from a height and a stand-in body, or from a rough maquette.

It is an interval, and honest about why it is wide. From a height alone the body's proportions decide; a maquette
replaces them by its own geometry, opened, parted and covered by the same stages as the plan on coarser lattices; the
plan of the carved master replaces that.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Literal

from ..base.errors import BriefRefused, PlanImpossible
from ..base.figures import counted, percent
from ..base.intervals import CARVING, Interval, combined, interval_of, widened
from ..base.marks import Assumption, Mark
from ..base.progress import SILENT, Progress
from ..inputs.brief import Brief
from ..inputs.catalogue import Catalogue, read_catalogue
from ..trade.seamterms import terms_for
from ..trade.section import choose_section
from ..trade.thickness import ThicknessRule, choose_thickness
from .earlyfigures import EarlyRow, early_assumptions, early_rows
from .master import Master
from .pipeline import open_mould
from .rubber import FADE, brush_rubber
from .seam import place_seam

StandIn = Literal["standing figure", "seated figure", "seated animal", "standing animal", "bust", "head"]

ROUGH_DIRECTIONS = 64
ROUGH_PIXELS_PER_SKIN = 2.5  # lattice pitch: the skin over this; twice as coarse moves the amount by some 3 %
FOOT_FLANGE_SHARE = 0.15  # of the seam's flange again round an open foot (our own figure)

# What may still move an estimate from a maquette, relative half-widths (common practice, no source).
FORM_CHANGES = ("the form may still change", 0.08)
SEAM_MOVES = ("opening and seam may still move", 0.06)
CARVING_ADDS = ("carving adds skin", 0.04)
KEYS_SHARE = 0.03  # tabs, of the rest: not placed yet
KEYS_UNSURE = ("keys not placed yet", 0.02)


@dataclass(frozen=True)
class Proportion:
    """A ratio of a body with its range, where it comes from, and its mark."""

    low: float
    likely: float
    high: float
    mark: Mark
    source: str


@dataclass(frozen=True)
class StandInBody:
    """A stand-in: skin over height squared, volume over height cubed, seam over height (a plane through the middle, the
    foot left out), undercut fill over the body's volume."""

    skin: Proportion
    volume: Proportion
    seam: Proportion
    fill: Proportion


def _ours(low: float, likely: float, high: float, why: str) -> Proportion:
    return Proportion(low, likely, high, Mark.MEMORY, why)


_DU_BOIS = "after Du Bois and Du Bois 1916, 0.007184 W^0.425 H^0.725, at 175 cm and 70 kg; the range is ours"
_SOLIDS = "our own figure, from ellipsoids of such proportions"
_LOCKS = "our own figure: a smooth body has little, joined limbs and folds much"

STAND_INS: dict[StandIn, StandInBody] = {
    "standing figure": StandInBody(
        _ours(0.50, 0.60, 0.85, _DU_BOIS),
        _ours(0.010, 0.0133, 0.03, "70 kg at about water's density; more in a robe"),
        _ours(2.3, 3.2, 4.5, _SOLIDS),
        _ours(0.05, 0.20, 0.60, _LOCKS),
    ),
    "seated figure": StandInBody(
        _ours(0.85, 1.10, 1.50, "the standing figure's skin at 0.74 of its height, sitting height by rule"),
        _ours(0.020, 0.033, 0.06, "the standing figure's volume at 0.74 of its height"),
        _ours(2.3, 3.0, 4.2, _SOLIDS),
        _ours(0.05, 0.20, 0.60, _LOCKS),
    ),
    "seated animal": StandInBody(
        _ours(0.75, 1.10, 1.55, _SOLIDS),
        _ours(0.030, 0.060, 0.11, _SOLIDS),
        _ours(2.0, 2.7, 3.6, _SOLIDS),
        _ours(0.02, 0.08, 0.25, _LOCKS),
    ),
    "standing animal": StandInBody(
        _ours(0.80, 1.30, 2.20, _SOLIDS),
        _ours(0.030, 0.070, 0.16, _SOLIDS),
        _ours(3.0, 4.5, 6.5, _SOLIDS),
        _ours(0.05, 0.20, 0.60, _LOCKS),
    ),
    "bust": StandInBody(
        _ours(1.20, 1.70, 2.30, _SOLIDS),
        _ours(0.080, 0.150, 0.25, _SOLIDS),
        _ours(2.2, 2.7, 3.3, _SOLIDS),
        _ours(0.01, 0.04, 0.12, _LOCKS),
    ),
    "head": StandInBody(
        _ours(1.50, 1.95, 2.40, _SOLIDS),
        _ours(0.150, 0.230, 0.32, _SOLIDS),
        _ours(2.1, 2.5, 2.9, _SOLIDS),
        _ours(0.01, 0.03, 0.10, _LOCKS),
    ),
}


@dataclass(frozen=True)
class Estimate:
    """Rubber before the plan, mm³ and kg of mix without waste, and beside it what else the job takes."""

    rubber_mm3: Interval
    rubber_kg: Interval
    skin_area_mm2: float
    skin_thickness_mm: float
    basis: str
    sentence: str
    assumptions: tuple[Assumption, ...]
    rows: tuple[EarlyRow, ...] = ()  # rubber, glass, resin, hours, days, money


def estimate_rubber(
    height_mm: float,
    casts: int,
    maquette: Master | None = None,
    stand_in: StandIn = "standing figure",
    brief: Brief | None = None,
    catalogue: Catalogue | None = None,
    progress: Progress = SILENT,
) -> Estimate:
    """Estimate a glove's rubber for a finished height and a run, from a maquette (any size) or else a stand-in body.

    Raises `BriefRefused` for an absurd height or run or an unknown stand-in. A maquette that is no closed solid, or
    that the stages cannot part, gives its skin only; the rest is then taken from the stand-in.
    """
    if not (math.isfinite(height_mm) and 50 <= height_mm <= 20_000):
        raise BriefRefused(f"A finished height of {height_mm:g} mm is out of reach; give 50 to 20000 mm.")
    if not 1 <= casts <= 500:
        raise BriefRefused(f"A run of {casts} casts is out of reach; give 1 to 500.")
    if stand_in not in STAND_INS:
        raise BriefRefused(f"There is no stand-in '{stand_in}'; use one of: {', '.join(STAND_INS)}.")
    brief = brief or Brief()
    brief = replace(brief, run=replace(brief.run, casts=casts))
    catalogue = catalogue or read_catalogue(None)
    body = STAND_INS[stand_in]
    if maquette is None:
        basis = f"a height of {height_mm:.0f} mm and a {stand_in} for the body"
        return _from_proportions(height_mm, body, basis, brief, catalogue)
    grown = scaled_to(maquette, height_mm)
    why = "it is no closed solid"
    if grown.health.is_solid and grown.volume_mm3 > 0:
        try:
            return _from_maquette(grown, brief, catalogue, progress)
        except PlanImpossible as error:  # its skin still says most
            why = str(error).rstrip(".")
    skin = grown.skin_area_mm2 * grown.detail_allowance / height_mm**2
    measured = replace(body, skin=_ours(0.9 * skin, skin, 1.15 * skin, "measured on the maquette"))
    basis = f"the skin of a maquette at {height_mm:.0f} mm and a {stand_in} for the rest, since {why}"
    return _from_proportions(height_mm, measured, basis, brief, catalogue)


def scaled_to(master: Master, height_mm: float) -> Master:
    """The same master at another height: lengths by the ratio, areas by its square, volume by its cube."""
    s = height_mm / master.height_mm
    x, y, z = master.size_mm
    return replace(
        master,
        vertices_mm=master.vertices_mm * s,
        face_areas_mm2=master.face_areas_mm2 * s**2,
        area_mm2=master.area_mm2 * s**2,
        base_area_mm2=master.base_area_mm2 * s**2,
        volume_mm3=master.volume_mm3 * s**3,
        height_mm=height_mm,
        size_mm=(x * s, y * s, z * s),
        scale=master.scale * s,
    )


# --- from a height ---------------------------------------------------------------------------------------


def _rubber_of_body(height_mm: float, body: dict[str, float], rule: ThicknessRule) -> float:
    """Rubber, mm³: skin, what the edge band and half of its fade add on both sides of the seam, flange on both sides,
    undercut fill, and tabs."""
    skin = body["skin"] * height_mm**2 * rule.skin_mm
    seam = body["seam"] * height_mm
    edge = 2 * seam * (1 + FADE / 2) * rule.band_mm * (rule.edge_mm - rule.skin_mm)
    flange = 2 * (1 + FOOT_FLANGE_SHARE) * seam * rule.flange_width_mm * rule.flange_mm
    fill = body["fill"] * body["volume"] * height_mm**3
    return (skin + edge + flange + fill) * (1 + KEYS_SHARE)


def widen(
    model: Callable[[dict[str, float]], float], body: StandInBody
) -> tuple[float, float, float, list[tuple[str, float]]]:
    """Low, likely and high of a model over a body's proportions, each moved alone and the moves added by squares (they
    are taken as independent), and each proportion's mean relative move."""
    middle = {f.name: getattr(body, f.name).likely for f in fields(StandInBody)}
    likely = model(middle)
    down = up = 0.0
    causes = []
    for f in fields(StandInBody):
        p: Proportion = getattr(body, f.name)
        low, high = model(middle | {f.name: p.low}), model(middle | {f.name: p.high})
        down, up = combined((down, likely - low)), combined((up, high - likely))
        causes.append((f"{f.name} of the body", (high - low) / (2 * likely)))
    return likely - down, likely, likely + up, causes


def _from_proportions(height_mm: float, body: StandInBody, basis: str, brief: Brief, catalogue: Catalogue) -> Estimate:
    rule = choose_thickness(height_mm, brief.run.casts, brief.rubber)
    allowance, unsure = brief.master.detail_allowance, brief.master.detail_allowance_uncertainty

    def model(proportions: dict[str, float]) -> float:
        carved = proportions | {"skin": proportions["skin"] * allowance}
        return _rubber_of_body(height_mm, carved, rule)

    low, likely, high, causes = widen(model, body)
    by_hand = (("brushing by hand", brief.rubber.brushing_variation), (CARVING, unsure))
    volume = widened(Interval(low, likely, high, tuple(causes)), by_hand)
    assumptions = tuple(
        Assumption(
            f"{f.name} of the stand-in",
            f"{getattr(body, f.name).likely:g} ({getattr(body, f.name).low:g} to {getattr(body, f.name).high:g})",
            getattr(body, f.name).mark,
            getattr(body, f.name).source,
        )
        for f in fields(StandInBody)
    )
    area = body.skin.likely * height_mm**2 * allowance
    seam = body.seam.likely * height_mm
    return _estimate(volume, area, seam, height_mm, basis, rule, assumptions, brief, catalogue)


# --- from a maquette -------------------------------------------------------------------------------------


def _from_maquette(master: Master, brief: Brief, catalogue: Catalogue, progress: Progress) -> Estimate:
    """The plan's own stages on the maquette, parted by the brief's own seam, with few directions and a coarse lattice;
    lines and weights drawn on the master's own mesh are left out."""
    rule = choose_thickness(master.height_mm, brief.run.casts, brief.rubber)
    pixel = max(rule.skin_mm / ROUGH_PIXELS_PER_SKIN, max(master.size_mm) / 1200.0)
    rough = replace(
        brief,
        opening=replace(brief.opening, directions=min(brief.opening.directions, ROUGH_DIRECTIONS), refine=1),
        seam=replace(brief.seam, own_line=None, keep_clear=None, max_pieces=min(brief.seam.max_pieces, 2)),
        rubber=replace(brief.rubber, pixel_mm=pixel),
    )
    progress.step(0.0, "opening of the maquette")
    opening, field = open_mould(master, rough, progress, catalogue=catalogue)
    terms = terms_for(master.height_mm, rough, catalogue)
    seam = place_seam(master, opening, field, rough.seam, progress, terms=terms)
    rubber = brush_rubber(master, seam, rough, progress, catalogue.rubber_for(brief.materials))
    likely = rubber.volume_mm3.likely * (1 + KEYS_SHARE)
    causes = (*rubber.volume_mm3.causes, FORM_CHANGES, SEAM_MOVES, CARVING_ADDS, KEYS_UNSURE)
    volume = interval_of(likely, causes)
    rules = tuple(
        Assumption(name, f"± {percent(width)}", Mark.COMMON_PRACTICE)
        for name, width in (FORM_CHANGES, SEAM_MOVES, CARVING_ADDS, KEYS_UNSURE)
    )
    area = master.skin_area_mm2 * master.detail_allowance
    basis = f"a maquette of {master.health.split_from or len(master.faces)} triangles at {master.height_mm:.0f} mm"
    return _estimate(volume, area, seam.length_mm, master.height_mm, basis, rule, rules, brief, catalogue)


def _estimate(
    volume: Interval,
    area_mm2: float,
    seam_mm: float,
    height_mm: float,
    basis: str,
    rule: ThicknessRule,
    assumptions: Sequence[Assumption],
    brief: Brief,
    catalogue: Catalogue,
) -> Estimate:
    rubber_material = catalogue.rubber_for(brief.materials)
    k = rubber_material.density_kg_m3 * 1e-9
    mass = volume.times(k)
    sentence = (
        f"From {basis}: {mass.low:.0f} to {mass.high:.0f} kg of rubber, likely {mass.likely:.0f} kg, for "
        f"{counted(brief.run.casts, 'cast')} ({rule.reason}); the plan of the finished master narrows it."
    )
    section = choose_section(height_mm, rule.skin_mm, brief.rubber, brief.joint)
    rows = early_rows(area_mm2, seam_mm, mass, rule, section, brief, catalogue)
    thick = Assumption("rubber thickness", f"{rule.skin_mm:g} mm", Mark.COMMON_PRACTICE, rule.reason)
    found = (thick, *assumptions, *early_assumptions())
    return Estimate(volume, mass, area_mm2, rule.skin_mm, basis, sentence, found, rows)
