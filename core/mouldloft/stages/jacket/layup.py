"""Stage 7, jacket: the rigid fibreglass shell over the glove: laminate, stiffness, bolts, weight, lifting.

Areas, masses and centres come from the glove's outside with its keys (`shell`). Load checks make the schedule heavier
until it holds (`stiffness`); bolts and wedges come after the keys (`fasteners`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...base.figures import listed
from ...base.intervals import Interval
from ...base.marks import Assumption, Mark
from ...base.progress import SILENT, Progress
from ...geometry.frame import as_point
from ...inputs.brief import Brief, JacketBrief
from ...inputs.catalogue import Catalogue
from ...trade.bolts import STANDARD, BoltChoice, choose_bolt
from ...trade.laminate import Laminate, laminate_of, lay_up, mat_g_m2_from_oz
from ...trade.lifting import check_lift, lifting_assumptions, lightest_cuts, who_lifts
from ...trade.panels import KNOCK_DOWN, POISSON
from ...trade.panels import SOURCE as PANEL_SOURCE
from ...trade.section import JointSection
from ..keys import RUBBER_DENSITY_KG_DM3, Keys
from ..opening import direction_words
from ..rubber import Envelope, Rubber, covered, jacketed
from .fasteners import Fasteners, Foot, fitted_between, place_fasteners, place_on_board
from .footflange import LEVEL_PULL, foot_pixels, past_foot_mm
from .loose import lay_up_loose
from .record import CheckKind, Jacket, JacketPiece, LoadCheck
from .stiffness import (
    FLANGE_OF_FIELD,
    MOST_EXTRA_OF_BRIEF,
    STRENGTH_SAFETY,
    cast_kg_mm2,
    check_loads,
    loads_on,
    stand_closed,
    strengthen,
)
from .zones import (
    RIB_WIDTH_MM,
    LaidPiece,
    Outside,
    Schedule,
    glove_columns,
    lay,
    measure_outside,
    reach_from_flange_mm,
    rib_words,
    section_lengths_mm,
    within,
)

FOOT_BOARD_MM = 18.0  # common practice: the board that the master stands on while the mould is built
TURNED_PULL = 0.8  # pieces whose pull stands steeper than this lie on their back as they stand: they are turned over
EXTRA_PLY_G_M2 = 450  # common practice: what a laminate is thickened with
REMEDIES: dict[CheckKind, str] = {
    "panel": "build a frame under it",
    "rib": "build a frame under it",
    "between bolts": "set the bolts closer or widen the flange's laminate",
    "flange root": "make the flange narrower, or brace it with gussets",
}
HAND_LAID_VARIATION = 0.10  # common practice: resin taken up by hand, from one laminator to the next


def lay_up_jacket(
    rubber: Rubber,
    keys: Keys,
    brief: Brief,
    catalogue: Catalogue | None = None,
    progress: Progress = SILENT,
) -> Jacket:
    """Lay up the jacket over the glove and its keys, place bolts and wedges, check stiffness and lifting.

    The catalogue gives the rubber's density; without one the typical 1.08 kg/dm³ is taken.
    """
    density = rubber_density_kg_dm3(catalogue, brief)
    start = Schedule(*jacket_laminates(catalogue, brief))
    if catalogue is not None:
        start = replace(start, core_kg_mm3=catalogue.board_for(RIB_WIDTH_MM).density_kg_m3 * 1e-9)
    ply = _extra_ply(catalogue, brief)
    by_hand = HAND_LAID_VARIATION if catalogue is None else catalogue.rates.laminate_uncertainty
    outsides: list[Outside] = []
    for at, envelope in enumerate(rubber.envelopes):
        progress.step(0.4 * at / len(rubber.envelopes), f"area of the {envelope.name}")
        outsides.append(measure_outside(envelope, rubber, keys, rubber.parts[at].total_mm3, density, by_hand))
    progress.step(0.4, "bolts and wedges")
    held = place_fasteners(rubber)
    feet = [place_on_board(e, rubber, keys, held[at].bolts_mm) for at, e in enumerate(rubber.envelopes)]
    standing = stand_closed(outsides, start, cast_kg_mm2(brief.cast))
    loose = lay_up_loose(rubber, start.field, brief.jacket, by_hand)
    pieces, lengths = [], []
    for at, outside in enumerate(outsides):
        progress.step(0.5 + 0.5 * at / len(outsides), f"loads on the {outside.envelope.name}")
        loads = loads_on(outside, standing, max(held[at].pitch_mm, feet[at].pitch_mm), rubber, brief)
        schedule = strengthen(outside, start, ply, loads)
        shell = lay(outside, schedule)
        checks = check_loads(outside, schedule, loads)
        lengths.append(_along_length(outside, shell, rubber))
        inserts = [one.mass_interval_kg for one in loose if one.piece == outside.envelope.piece]
        pieces.append(_piece(shell, held[at], feet[at], checks, rubber, brief.jacket, inserts, outside))
    progress.step(1.0)
    advice = tuple(_advice(pieces, start, lengths, brief.jacket))
    glass = max((one.zone.thickness_mm for one in loose), default=0.0)
    home = choose_bolt(rubber.built_to.bolt, 2.0 * glass) if loose else None
    bolts = _bolts_of(pieces, rubber, catalogue)
    fitted = fitted_between([np.array(piece.bolts_mm) for piece in pieces], rubber.built_to.fitted_bolts)
    return Jacket(tuple(pieces), 0.0, advice, *bolts, fitted, loose, home)


def flange_mm(piece: JacketPiece) -> float:
    """Thickness of a piece's laminate on its flanges."""
    return next(zone.thickness_mm for zone in piece.zones if zone.name == "flange")


def foot_flange_mm(piece: JacketPiece, envelope: Envelope, section: JointSection) -> np.ndarray:
    """(rows, columns) top, along the pull, of the jacket's own flange on the board, -inf where there is none."""
    thick = section.rubber_flange_thickness_mm
    return past_foot_mm(envelope, section.jacket_flange_mm, flange_mm(piece), thick)


def _bolts_of(
    pieces: Sequence[JacketPiece], rubber: Rubber, catalogue: Catalogue | None
) -> tuple[BoltChoice | None, BoltChoice | None]:
    """The bolt through two flanges, the two thickest that may meet; that through one and the board."""
    section, thick = rubber.built_to, sorted((flange_mm(piece) for piece in pieces), reverse=True)
    through = choose_bolt(section.bolt, sum(thick[:2])) if any(piece.bolts_mm for piece in pieces) else None
    board = catalogue.board_for(FOOT_BOARD_MM).thickness_mm if catalogue is not None else FOOT_BOARD_MM
    down = choose_bolt(section.bolt, thick[0] + board) if any(piece.foot_bolts_mm for piece in pieces) else None
    return through, down


def rubber_density_kg_dm3(catalogue: Catalogue | None, brief: Brief) -> float:
    """Density of the brief's rubber by the catalogue, or the typical one."""
    if catalogue is None:
        return RUBBER_DENSITY_KG_DM3
    return catalogue.rubber_for(brief.materials).density_kg_m3 / 1000.0


def _extra_ply(catalogue: Catalogue | None, brief: Brief) -> Laminate:
    """What a laminate is thickened with."""
    mats = [float(EXTRA_PLY_G_M2)]
    if catalogue is not None:
        mats = [mat.mat_g_m2 for mat in catalogue.mats_as((EXTRA_PLY_G_M2,), EXTRA_PLY_G_M2, brief.materials)]
    return laminate_of(mats, brief.jacket.glass_fraction)


def jacket_laminates(catalogue: Catalogue | None, brief: Brief) -> tuple[Laminate, Laminate]:
    """Laminates of the field and of the edges and flange, in the catalogue's mats: the flange half as heavy again as
    the field at least (common practice)."""
    made = []
    edge = max(brief.jacket.mat_oz + brief.jacket.edge_extra_oz, FLANGE_OF_FIELD * brief.jacket.mat_oz)
    for oz in (brief.jacket.mat_oz, edge):
        if catalogue is None:
            made.append(lay_up(mat_g_m2_from_oz(oz), brief.jacket.glass_fraction))
        else:
            mats = catalogue.mat_layers(oz, brief.materials)
            made.append(laminate_of([m.mat_g_m2 for m in mats], brief.jacket.glass_fraction))
    return made[0], made[1]


def laminate_mm(piece: JacketPiece, envelope: Envelope, edge_band_mm: float) -> np.ndarray:
    """(rows, columns) thickness of the jacket's laminate over each pixel of the glove's outside, as its zones are
    weighed, ribs left out; NaN where no jacket goes."""
    thick = {zone.name: zone.thickness_mm for zone in piece.zones}
    reach = reach_from_flange_mm(envelope)
    found = np.where(reach <= edge_band_mm, thick["handling edge"], thick["field"])
    if piece.patches:
        found = np.where(in_patches(piece, envelope), np.maximum(found, thick["patch"]), found)
    return np.where(jacketed(envelope), np.where(laid_as_flange(piece, envelope), thick["flange"], found), np.nan)


def laid_as_flange(piece: JacketPiece, envelope: Envelope) -> np.ndarray:
    """(rows, columns) bool: the flanges on the parting, over the rubber and past it, and those on the board."""
    foot = foot_pixels(envelope, piece.flange_width_mm, piece.flange_thickness_mm)
    return np.asarray(envelope.past_rubber | covered(envelope) & (envelope.flange | foot))


def in_patches(piece: JacketPiece, envelope: Envelope) -> np.ndarray:
    """(rows, columns) bool: where the body is laid as a patch."""
    i, j = np.nonzero(covered(envelope) & ~laid_as_flange(piece, envelope))
    (x0, y0), p = envelope.origin_mm, envelope.pixel_mm
    at = np.column_stack([x0 + j * p, y0 + i * p, envelope.outer_mm[i, j]])
    patched = np.zeros(envelope.flange.shape, bool)
    patched[i, j] = within(envelope.frame.to_master(at), piece.patches)
    return patched


def _piece(
    shell: LaidPiece,
    held: Fasteners,
    feet: Foot,
    checks: tuple[LoadCheck, ...],
    rubber: Rubber,
    brief: JacketBrief,
    loose: Sequence[Interval],
    outside: Outside,
) -> JacketPiece:
    name = shell.envelope.name
    glove = rubber.volume_mm3.times(shell.rubber_kg / rubber.volume_mm3.likely)
    jacket = shell.interval
    return JacketPiece(
        piece=shell.envelope.piece,
        name=name,
        zones=shell.zones,
        area_mm2=shell.area_mm2,
        mass_kg=shell.mass_kg,
        rubber_mass_kg=shell.rubber_kg,
        centre_of_mass_mm=as_point(shell.centre_mm),
        bolts_mm=tuple(as_point(b) for b in held.bolts_mm),
        wedge_points_mm=tuple(as_point(w) for w in held.wedges_mm),
        bolt_pitch_mm=held.pitch_mm,
        checks=checks,
        lift=check_lift(shell.mass_kg, brief, f"the {name} of the jacket", most_kg=jacket.high),
        lift_with_glove=check_lift(
            jacket.likely + glove.likely + sum(one.likely for one in loose),
            brief,
            f"the {name} of the jacket with its glove" + (" and loose pieces" if loose else ""),
            most_kg=jacket.high + glove.high + sum(one.high for one in loose),
        ),
        mass_interval_kg=jacket,
        patches=shell.schedule.patches,
        ribs=shell.schedule.ribs,
        foot_bolts_mm=tuple(as_point(b) for b in feet.bolts_mm),
        foot_wedge_points_mm=tuple(as_point(w) for w in feet.wedges_mm),
        clamps_mm=tuple(as_point(c) for c in held.clamps_mm),
        bolt_axes=tuple(as_point(a) for a in held.axes),
        rubber_interval_kg=glove,
        flange_width_mm=rubber.flange_width_mm,
        flange_thickness_mm=rubber.flange_thickness_mm,
        tipped_share=_tipped_share(shell, outside),
    )


def _tipped_share(shell: LaidPiece, outside: Outside) -> float:
    """Share of a piece's weight, with its glove, that hands at its far rim carry as it is tipped from lying on its back
    on to its foot: level from the foot's edge to the centre of mass, over that to the rim. A piece that comes off
    upwards or downwards is turned over about the nearer of its two long rims."""
    middles, thick = glove_columns(outside.envelope)
    glove = np.average(middles, axis=0, weights=thick)
    centre = (shell.mass_kg * shell.centre_mm + outside.rubber_kg * glove) / (shell.mass_kg + outside.rubber_kg)
    axes = outside.envelope.frame.axes
    turned = abs(axes[2][2]) > TURNED_PULL
    spread = np.ptp(outside.cell_centre_mm @ axes[:2].T, axis=0)
    axis = axes[np.argmin(spread)] if turned else np.array([0.0, 0.0, 1.0])
    along = outside.cell_centre_mm @ axis
    share = float((centre @ axis - along.min()) / max(np.ptp(along), 1e-9))
    return min(share, 1.0 - share) if turned else share


# --- advice ----------------------------------------------------------------------------------------------


def _advice(
    pieces: Sequence[JacketPiece], start: Schedule, lengths: Sequence[_Length], brief: JacketBrief
) -> list[str]:
    said = _heavier(pieces, start)
    for piece, length in zip(pieces, lengths, strict=True):
        said += [_cannot(piece, check) for check in piece.checks if not check.passes]
        said += _lighter(piece, length, brief)
        if len(pieces) > 2 and not piece.bolts_mm and not piece.clamps_mm:
            said.append(f"The {piece.name} of the jacket has no room for a bolt or a clamp: strap it to the others.")
    return said


def _heavier(pieces: Sequence[JacketPiece], start: Schedule) -> list[str]:
    """Where the checks asked for more than the brief; pieces with the same said once."""
    alike: dict[str, list[str]] = {}
    for piece in pieces:
        if more := _what_was_added(piece, start):
            alike.setdefault("; ".join(more), []).append(f"the {piece.name}")
    said = []
    for added, names in alike.items():
        who = listed(names)
        verb, they = ("is", "it holds") if len(names) == 1 else ("are", "they hold")
        head = f"{who[0].upper()}{who[1:]} of the jacket {verb} laid heavier than the brief's mat"
        said.append(f"{head}, so that {they}: {added}.")
    return said


def _what_was_added(piece: JacketPiece, start: Schedule) -> list[str]:
    """What of a piece is heavier than the brief asked for, in words."""
    zones = {zone.name: zone for zone in piece.zones}
    more = [
        f"{name} {len(zones[name].layers)} layers in place of {len(asked.layers)}"
        for name, asked in (("field", start.field), ("flange", start.edge))
        if zones[name].mat_g_m2 > asked.glass_g_m2
    ]
    if piece.patches:
        rounds = ", ".join(f"{2 * p.radius_mm:.0f} mm across, {p.centre_mm[2]:.0f} mm up" for p in piece.patches)
        more.append(f"{len(zones['patch'].layers)} layers on rounds ({rounds})")
    if piece.ribs:
        more.append(rib_words(piece.ribs))
    return more


def _cannot(piece: JacketPiece, check: LoadCheck) -> str:
    """A check that still fails with the most that is laid."""
    found = f"{check.value:.2g} {check.unit} (limit {check.limit:.2g})"
    return (
        f"The {piece.name} of the jacket: {check.what} is still {found} under {check.load}, with up to "
        f"{MOST_EXTRA_OF_BRIEF:.0%} more mat than the brief's and ribs where they help; "
        f"{REMEDIES[check.kind]}, or split the piece."
    )


@dataclass(frozen=True, eq=False)
class _Length:
    """How a piece's weight lies along the longer of its two ways across the pull, so that a cut leaves both parts free
    to come off. at_mm : (k + 1,) places along `axis`; the rest (k,) kg between them, and (k + 1,) kg of the new flange
    that a cut adds to each side. Undercut fill is taken to lie as the rest of the glove does."""

    axis: np.ndarray
    at_mm: np.ndarray
    jacket_kg: np.ndarray
    glove_kg: np.ndarray
    jacket_adds_kg: np.ndarray
    glove_adds_kg: np.ndarray


def _along_length(outside: Outside, shell: LaidPiece, rubber: Rubber) -> _Length:
    across = outside.envelope.frame.axes[1::-1]  # level cuts where both are as long
    axis = across[np.argmax(np.ptp(outside.cell_centre_mm @ across.T, axis=0).round())]
    place, body = outside.cell_centre_mm @ axis, outside.cell_zone < 2
    edges, cut_mm = section_lengths_mm(outside.cell_area_mm2[body], place[body], outside.cell_normal[body] @ axis, 20.0)
    flange_mm2 = np.interp(edges, (edges[1:] + edges[:-1]) / 2.0, cut_mm) * rubber.flange_width_mm

    def spread(kg: float, at_mm: np.ndarray, weights: np.ndarray) -> np.ndarray:
        # the flange lies further out than the body
        found = np.histogram(np.clip(at_mm, edges[0], edges[-1]), edges, weights=weights)[0]
        return kg * found / max(found.sum(), 1e-9)

    middles, thick = glove_columns(outside.envelope)
    density = outside.rubber_kg / max(outside.rubber_mm3, 1e-9)
    return _Length(
        axis,
        edges,
        spread(shell.mass_kg, place, shell.cell_kg),
        spread(outside.rubber_kg, middles @ axis, thick),
        flange_mm2 * shell.schedule.edge.mass_kg_m2 * 1e-6,
        flange_mm2 * rubber.flange_thickness_mm * density,
    )


def _lighter(piece: JacketPiece, length: _Length, brief: JacketBrief) -> list[str]:
    """What a workshop does with a piece whose jacket or glove may be too heavy, each way with its numbers: hands by the
    most a load may weigh."""
    jacket, glove = piece.mass_interval_kg, piece.rubber_interval_kg
    team = piece.lift.team_capability_kg
    if jacket is None or glove is None or max(jacket.high, glove.high) <= team:
        return []
    over = [(what, load) for what, load in (("jacket", jacket), ("glove", glove)) if load.high > team]
    what, worst = max(over, key=lambda pair: pair[1].high)
    hands = listed([f"the {said} ({_hands(load, brief)})" for said, load in over])
    ways = [f"lift {hands}"]
    spare = worst.high / worst.likely
    apart = [(length.jacket_kg, length.jacket_adds_kg), (length.glove_kg, length.glove_adds_kg)]
    cuts, each = lightest_cuts(length.at_mm, apart, team / spare)
    if cuts:
        ways.append(
            f"split the piece into {_parts(cuts, each, spare, length.axis)}, the heavier of jacket and glove given"
        )
    past = "is over" if worst.likely > team else "may be over"
    return [
        f"The {what} of the {piece.name} {past} the {team:.0f} kg that {brief.lifters} may lift: {'; or '.join(ways)}."
    ]


def _hands(load: Interval, brief: JacketBrief) -> str:
    return f"{load.likely:.0f} kg, at most {load.high:.0f}: {who_lifts(load.high, brief)}"


def _parts(cuts_mm: Sequence[float], each_kg: Sequence[float], spare: float, axis: np.ndarray) -> str:
    if abs(axis[2]) > LEVEL_PULL:
        places = f"level, {listed(f'{cut * np.sign(axis[2]):.0f}' for cut in cuts_mm)} mm up"
    else:
        off = (f"{abs(cut):.0f} mm {direction_words(as_point(axis * (1 if cut > 0 else -1)))}" for cut in cuts_mm)
        places = f"across, {listed(off)} of the middle"
    weights = f"{listed(f'{kg:.0f}' for kg in each_kg)} kg, at most {max(each_kg) * spare:.0f}"
    return f"{len(each_kg)} of {weights}, new flanges counted, by cutting it {places}"


def jacket_assumptions(brief: JacketBrief) -> tuple[Assumption, ...]:
    """The figures that the jacket rests on, with their marks; laminate figures are told by the laminate."""
    return (
        Assumption("bolts, nuts and washers by size", "lengths and heights by the standards", Mark.MEMORY, STANDARD),
        Assumption("jacket mat", f"{brief.mat_oz:g} oz, edges {brief.edge_extra_oz:g} more", Mark.COMMON_PRACTICE),
        Assumption("leaning load", f"{brief.leaning_load_n:.0f} N on a patch", Mark.COMMON_PRACTICE),
        Assumption("safety on laminate strength", f"{STRENGTH_SAFETY:g}", Mark.COMMON_PRACTICE),
        Assumption(
            "most mat added where a check fails", f"{MOST_EXTRA_OF_BRIEF:.0%} of the field's", Mark.COMMON_PRACTICE
        ),
        Assumption("how far a panel gives", "shallow shell of the surface's own curvature", Mark.MEMORY, PANEL_SOURCE),
        Assumption("curve counted on in buckling", f"{KNOCK_DOWN:.0%}", Mark.MEMORY, "NASA SP-8007"),
        Assumption("Poisson's ratio of laminate", f"{POISSON}", Mark.MEMORY),
        *lifting_assumptions(brief),
    )
