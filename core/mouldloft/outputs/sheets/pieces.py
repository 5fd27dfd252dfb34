"""A workshop sheet for each piece: glove, coats, keys, jacket, lifting and cradle."""

from __future__ import annotations

from collections.abc import Sequence

from reportlab.platypus import Flowable, KeepTogether, Spacer, Table, TableStyle

from ...base.figures import counted, kg_lb, listed, litres, m2, mm, number, ounces
from ...base.figures import kg as kilograms
from ...base.progress import SILENT, Progress
from ...stages.jacket.record import JacketPiece, Rib
from ...stages.opening import direction_words
from ...stages.plan import MouldPlan
from ...stages.rubber import handled_edges_mm2
from ...trade.lifting import hands_words
from ..bolts import bolt_names, pitch_words, unheld_rows
from ..look import SOFT_INK
from ..whereabouts import AlongSeam, along_seam, where_words
from ..words import coats_of, rubber_kg_per_mm3
from .cradle import cradle_drawing
from .drawing import PATCH_NAMES, piece_drawing
from .typeset import facts_table, heading, ruled_table, set_text

_KEYS_A_ROW = 3
_BOLTS_A_ROW = 5


def piece_pages(plan: MouldPlan, at: int, inner: float, progress: Progress = SILENT) -> list[Flowable]:
    piece, envelope = plan.jacket.pieces[at], plan.rubber.envelopes[at]
    rubber = plan.rubber
    name = piece.name[:1].upper() + piece.name[1:]
    parts: list[Flowable] = [set_text(name, weight="light", size=20, leading=25)]
    parts.append(set_text("Glove with its keys, and jacket; along the pull, from outside.", size=8.6, colour=SOFT_INK))
    parts += [Spacer(1, 4), piece_drawing(plan, at, inner, progress), Spacer(1, 4)]
    facts = [
        ("Comes off", direction_words(plan.seam.pieces[at].pull)),
        ("Skin", _skin_words(plan)),
        ("Edge", f"{mm(rubber.edge_thickness_mm)}, over the last {mm(rubber.edge_band_mm)} to the seam"),
        *_handled(plan),
        ("Flange", f"{mm(rubber.flange_width_mm)} wide, {mm(rubber.flange_thickness_mm)} thick"),
        (
            "Thinnest",
            f"{mm(rubber.min_thickness_mm)}, measured on the outside of the whole glove; "
            f"half of it is over {mm(rubber.thickness_quantiles_mm[2])}",
        ),
        ("Draft", f"{number(plan.brief.rubber.draft_deg, 2, 1)}° at least on the outside"),
    ]  # fmt: skip
    parts.append(facts_table(facts, inner, 0.13))
    parts += _rubber_tables(plan, at, inner)
    parts += _key_table(plan, envelope.piece, inner)
    parts += _laminate_table(plan, at, inner)
    parts += _bolt_table(plan, at, inner)
    parts += _unheld_table(plan, at, inner)
    # on one page, so that a short table is never alone on the next
    parts.append(KeepTogether([*_lifting_table(plan, at, inner), *_cradle_table(plan, piece.piece, inner)]))
    return parts


def _handled(plan: MouldPlan) -> list[tuple[str, str]]:
    """Places that the brief says it is handled by, with how thick they are made."""
    brief = plan.brief.rubber
    if not brief.handling_points_mm:
        return []
    places = listed(where_words(plan, brief.handling_points_mm))
    thick = mm(plan.rubber.edge_thickness_mm)
    return [("Handled", f"{thick} round {places}, fading to the skin {mm(brief.handling_radius_mm)} from it")]


def _skin_words(plan: MouldPlan) -> str:
    """The skin's thickness and why, said once."""
    thick, reason = mm(plan.rubber.skin_thickness_mm), plan.rubber.thickness_reason
    return reason if reason.startswith(thick) else f"{thick}; {reason}"


def _rubber_tables(plan: MouldPlan, at: int, inner: float) -> list[Flowable]:
    part, density = plan.rubber.parts[at], rubber_kg_per_mm3(plan)
    coats = coats_of(plan, at)
    # coats hold what is still to be carved; the parts are of the master as it is
    carved = sum(coat.litres for coat in coats) * 1e6 - part.total_mm3
    causes = [*part.by_cause, ("all", part.total_mm3)]
    if carved > 1e-3 * part.total_mm3:
        causes = [*part.by_cause, ("detail to be carved", carved), ("all", part.total_mm3 + carved)]
    left = ruled_table(
        ("Rubber, by cause", "Volume", "Mass"),
        [[name, litres(v), kilograms(v * density)] for name, v in causes],
        [inner * v for v in (0.17, 0.10, 0.11)],
        right=(1, 2),
        total=True,
    )
    rows = []
    for coat in coats:
        mixed = f"{coat.batches} × {kilograms(coat.batch_kg)}" if coat.batches else ""
        rows.append(
            [
                coat.name + (", thickened" if coat.thickened else ""),
                mm(coat.thickness_mm) if coat.thickness_mm > 0 else "to fill",
                kilograms(coat.mass_kg),
                mixed,
                f"{number(coat.catalyst_g)} g" if coat.catalyst_g else "",
            ]
        )
    right = ruled_table(
        ("Coat", "Build", "Mass", "Batches", "Catalyst each"),
        [*rows, ["all", "", kilograms(sum(coat.mass_kg for coat in coats)), "", ""]],
        [inner * v for v in (0.20, 0.08, 0.09, 0.13, 0.10)],
        right=(1, 2, 3, 4),
        total=True,
    )
    both = Table([[left, right]], colWidths=[inner * 0.40, inner * 0.60])
    both.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 0),
            ]
        )
    )
    note = "Without waste. Catalyst by the product's data sheet and never beyond its limits."
    if plan.brief.joint.reinforced_edges:
        note += (
            f" Gauze, {m2(handled_edges_mm2(plan.rubber)[at])}, goes into the thickened coat over "
            "flange and edge band, cut at tight turns; only where the rubber's maker allows it."
        )
    return [KeepTogether([*heading("Rubber"), both, set_text(note, size=7.6, colour=SOFT_INK)])]


def _key_table(plan: MouldPlan, piece: int, inner: float) -> list[Flowable]:
    keys = [key for key in plan.keys.keys if key.piece == piece]
    check = next((c for c in plan.keys.checks if c.piece == piece), None)
    note = f"{check.reason}" if check else ""
    parts = heading("Keys", note)
    if not keys:
        return [*parts, set_text("None.", size=8.6)]
    deep = -(-len(keys) // _KEYS_A_ROW)

    spots = along_seam(plan, [key.foot_mm for key in keys])
    more = len(plan.seam.lines) > 1

    def cells(key, spot: AlongSeam) -> list[str]:
        size = f"{number(key.base_diameter_mm, 3, 0)} × {number(key.height_mm, 2, 1).removesuffix('.0')}"
        along = f"{spot.line}: {spot.along_mm:.0f}" if more else f"{spot.along_mm:.0f}"
        return [key.name + ("*" if key.own else ""), along, f"{spot.off_mm:.0f}", f"{key.foot_mm[2]:.0f}", size]

    every = [cells(key, spot) for key, spot in zip(keys, spots, strict=True)]
    columns = [every[k * deep : (k + 1) * deep] for k in range(_KEYS_A_ROW)]
    empty = [""] * 5
    rows = [[c for column in columns for c in (column[k] if k < len(column) else empty)] for k in range(deep)]
    one = (0.05, 0.08, 0.065, 0.055, 0.08)
    head = ("Key", "Along", "Inside", "Up", "Size") * _KEYS_A_ROW
    right = [5 * k + c for k in range(_KEYS_A_ROW) for c in (1, 2, 3)]
    parts.append(ruled_table(head, rows, [inner * v for v in one * _KEYS_A_ROW], right=right, size=7.0))
    words = (
        "mm to the middle of each key, whose number stands in the picture. Along: of the seam, from its lowest place "
        f"at the front, up the front first{', after the number of the line' if more else ''}. Inside: straight from "
        "the seam. Up: from the floor. Size: foot across × height. "
        f"{'A star marks your own. ' if any(key.own for key in keys) else ''}"
        f"Sides taper {number(keys[0].taper_deg, 2, 0)}° to the pull."
    )
    parts.append(set_text(words, size=7.6, colour=SOFT_INK))
    return parts


def _laminate_table(plan: MouldPlan, at: int, inner: float) -> list[Flowable]:
    piece = plan.jacket.pieces[at]
    rows = [
        [
            zone.name,
            m2(zone.area_mm2),
            f"{ounces(zone.mat_oz_ft2)} ({number(zone.mat_g_m2)} g/m²)",
            " + ".join(layer.replace(" g/m²", "") for layer in zone.layers) + " g/m²",
            mm(zone.thickness_mm),
            kilograms(zone.glass_kg),
            kilograms(zone.resin_kg),
        ]
        for zone in piece.zones
    ]
    glass, resin = (sum(getattr(z, k) for z in piece.zones) for k in ("glass_kg", "resin_kg"))
    rows.append(["all", m2(sum(z.area_mm2 for z in piece.zones)), "", "", "", kilograms(glass), kilograms(resin)])
    table = ruled_table(
        ("Zone", "Area", "Mat", "Layers, from the rubber out", "Thick", "Glass", "Resin"),
        rows,
        [inner * v for v in (0.14, 0.09, 0.18, 0.27, 0.09, 0.11, 0.12)],
        right=(1, 4, 5, 6),
        total=True,
    )
    bolts = (
        f"{counted(len(piece.bolts_mm), 'bolt')}{_bolt_name(plan)} through the glass past the rubber, "
        f"{pitch_words(plan, at)}; "
        f"{counted(len(piece.wedge_points_mm), 'wedge point')} to open it by."
    )
    if piece.clamps_mm:
        bolts += f" {counted(len(piece.clamps_mm), 'clamp')} where the flange leans more than 30° and has no step."
    if piece.foot_bolts_mm:
        bolts += (
            f" Into the board round the foot: {counted(len(piece.foot_bolts_mm), 'bolt')}, "
            f"{counted(len(piece.foot_wedge_points_mm), 'wedge point')}."
        )
    checks = [
        [c.what, c.load, f"{number(c.value)} {c.unit}", f"{number(c.limit)} {c.unit}", "holds" if c.passes else "FAILS"]
        for c in piece.checks
    ]
    parts: list[Flowable] = [KeepTogether([*heading("Jacket", bolts), table])]
    parts += _stiffened(plan, piece, inner)
    if checks:
        parts += [
            Spacer(1, 6),
            ruled_table(
                ("Check", "Under", "Found", "Limit", ""),
                checks,
                [inner * v for v in (0.31, 0.35, 0.12, 0.13, 0.09)],
                right=(2, 3),
                size=7.4,
            ),
        ]
    return parts


def _unheld_table(plan: MouldPlan, at: int, inner: float) -> list[Flowable]:
    """Where the jacket's joints have neither bolt nor clamp, why, and what holds it there instead."""
    rows = unheld_rows(plan, at)
    if not rows:
        return []
    head = ("Joint with", "Along", "Wall stations", "Height", "In the way", "Instead")
    widths = [inner * v for v in (0.18, 0.08, 0.12, 0.14, 0.24, 0.24)]
    note = "Too far from any bolt or clamp to be held by one. Strap over both jackets, round the mould."
    title = heading("No bolt stands here", note)
    return [KeepTogether([*title, ruled_table(head, rows, widths, right=(1,), size=7.4)])]


def _bolt_table(plan: MouldPlan, at: int, inner: float) -> list[Flowable]:
    """Where the bolts through two flanges sit, by number, for the drill: those that no piece before this has."""
    names, piece = bolt_names(plan.jacket), plan.jacket.pieces[at]
    before = {name for own, _ in names[:at] for name in own}
    every = [(name, place) for name, place in zip(names[at][0], piece.bolts_mm, strict=True) if name not in before]
    if not every:
        return []
    spots = along_seam(plan, [place for _, place in every])
    more = len(plan.seam.lines) > 1
    cells = [
        [name, f"{spot.line}: {spot.along_mm:.0f}" if more else f"{spot.along_mm:.0f}", f"{place[2]:.0f}"]
        for (name, place), spot in zip(every, spots, strict=True)
    ]
    deep = -(-len(cells) // _BOLTS_A_ROW)
    columns = [cells[k * deep : (k + 1) * deep] for k in range(_BOLTS_A_ROW)]
    rows = [[c for column in columns for c in (column[k] if k < len(column) else [""] * 3)] for k in range(deep)]
    one = (0.06, 0.08, 0.06)
    note = (
        "By number, as on each jacket piece, the wall's pieces and the page. Along: of the seam as for keys, mm. Up: "
        "from the floor, mm. D: down into the board, as drawn."
    )
    table = ruled_table(("Bolt", "Along", "Up") * _BOLTS_A_ROW, rows, [inner * v for v in one * _BOLTS_A_ROW],
                        right=[3 * k + c for k in range(_BOLTS_A_ROW) for c in (1, 2)], size=7.0)  # fmt: skip
    return [KeepTogether([*heading("Bolts", note), table])]


def _bolt_name(plan: MouldPlan) -> str:
    return f", {plan.jacket.bolt.name} mm," if plan.jacket.bolt is not None else ""


def _stiffened(plan: MouldPlan, piece: JacketPiece, inner: float) -> list[Flowable]:
    """Where patches and ribs go, named as they are drawn."""
    layers = {zone.name: " + ".join(layer.replace(" g/m²", "") for layer in zone.layers) for zone in piece.zones}
    rows = [
        [
            name,
            "patch",
            f"all within {mm(p.radius_mm)} of {_at(plan, p.centre_mm)}, off the flange",
            "",
            layers["patch"],
        ]
        for name, p in zip(PATCH_NAMES, piece.patches)
    ]
    rows += [
        [str(k), "rib", f"{_at(plan, r.start_mm)} to {_at(plan, r.end_mm)}", _section(r), layers["ribs"]]
        for k, r in enumerate(piece.ribs, 1)
    ]
    if not rows:
        return []
    head = ("Sign", "What", "Where, on the outside", "Core, wide × high", "Layers, g/m²")
    widths = [inner * v for v in (0.06, 0.07, 0.44, 0.16, 0.27)]
    return [Spacer(1, 6), ruled_table(head, rows, widths, size=7.4)]


def _section(rib: Rib) -> str:
    return f"{rib.core_width_mm:.0f} × {mm(rib.core_height_mm)}"


def _at(plan: MouldPlan, point_mm: Sequence[float]) -> str:
    return where_words(plan, [point_mm])[0]


def _lifting_table(plan: MouldPlan, at: int, inner: float) -> list[Flowable]:
    piece = plan.jacket.pieces[at]
    rows = []
    for what, lift, over in (
        ("jacket alone", piece.lift, "TOO HEAVY"),
        ("jacket with its glove", piece.lift_with_glove, "one by one"),
    ):
        who = hands_words(lift.lifters_needed)
        rows.append(
            [
                what,
                *(
                    kg_lb(kilos, plan.brief.job.units)
                    for kilos in (lift.load_kg, lift.most_kg, lift.recommended_one_person_kg)
                ),
                f"{kg_lb(lift.team_capability_kg, plan.brief.job.units)} for {lift.lifters}",
                who,
                "within" if lift.passes else over,
            ]
        )
    guide = piece.lift.method[:1].upper() + piece.lift.method[1:]
    note = f"Centre of mass of the jacket {mm(round(piece.centre_of_mass_mm[2]))} up. {guide}."
    table = ruled_table(
        ("Weight and lifting", "Load", "At most", "One person", "Team", "Needs", ""),
        rows,
        [inner * v for v in (0.17, 0.15, 0.15, 0.15, 0.18, 0.09, 0.11)],
        right=(1, 2, 3),
    )
    return [*heading("Lifting"), table, set_text(note, size=7.4, colour=SOFT_INK)]


def _cradle_table(plan: MouldPlan, piece: int, inner: float) -> list[Flowable]:
    cradle = next((c for c in plan.cradle.pieces if c.piece == piece), None)
    if cradle is None:
        return [*heading("On the bench"), set_text(plan.cradle.instead)] if plan.cradle.instead else []
    rows = [
        [name, str(count), mm(length), mm(width), mm(thick)] for name, count, length, width, thick in cradle.cut_list
    ]
    tilts = "; ".join(
        f"{'level' if t.tilt_deg == 0 else f'tipped {t.tilt_deg:g}°'} {mm(t.margin_mm)}, "
        f"{'stands' if t.passes else 'ROCKS'}"
        for t in cradle.tilts
    )
    table = ruled_table(
        ("Cradle, to cut", "Count", "Length", "Width", "Thick"),
        rows,
        [inner * v for v in (0.44, 0.11, 0.15, 0.15, 0.15)],
        right=(1, 2, 3, 4),
    )
    note = "Put together: from above, with each board's distance from the first, and from the side; mm."
    if len(cradle.boards) > 1 and not cradle.rails:
        note += (
            " No rail passes under all of them: screw each upright to two lengths of timber laid under the frame, "
            "at these distances."
        )
    drawing = cradle_drawing(plan, piece, inner)
    put_together = [] if drawing is None else [set_text(note, size=8.2), drawing]
    return [*heading("Cradle", f"Centre of mass inside its feet: {tilts}."), table, *put_together]
