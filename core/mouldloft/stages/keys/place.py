"""Stage 6, keys: tabs that bring the glove back to its place in the jacket, checked as a fixture.

A key is a sheared cone frustum: a round bump added to the glove's outside along the pull. Being a height map
it cannot lock the jacket along that pull, and its taper lets it leave its socket at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from ...base.errors import BriefRefused
from ...base.marks import Assumption, Mark
from ...base.progress import SILENT, Progress
from ...geometry.heightmap import sample
from ...inputs.brief import KeysBrief
from ..locks import Locks
from ..master import Master
from ..rubber import Envelope, Rubber, covered
from ..seam import Seam
from .fixture import RubberProperties, _check, _contact_of, _gaps_mm, _sags_mm, smallest_stiffness
from .record import FixtureCheck, Key, Keys
from .shape import _across, shape_key
from .sites import SPACING_OF_FOOT, KeySites, survey_sites
from .wedges import set_wedges

# Common practice: where a flange is too narrow for the brief's key, smaller ones are set there, down to this
# share.
SMALLER_KEYS = (1.0, 0.8, 0.65, 0.5, 0.4)
LEAST_ADDED = 0.65
# common practice: an edge place further from a key than this share of the spacing gets one off the flange's middle line
EDGE_UNSERVED = 0.75
MOST_KEYS_A_PIECE = 150  # a bound on the search, past any workshop's patience
WORTHWHILE = 0.9  # a key is added for a gap only if it takes at least a tenth off its radius


# --- the sites keys stand on ----------------------------------------------------------------------------


# --- setting them ----------------------------------------------------------------------------------------


def set_keys(
    rubber: Rubber,
    locks: Locks | None,
    seam: Seam | None,
    brief: KeysBrief,
    progress: Progress = SILENT,
    master: Master | None = None,
    properties: RubberProperties | None = None,
) -> Keys:
    """Set the keys of every piece: the brief's own, or by spacing rules along the edges and over the middle,
    then more until the fixture holds; wedges down the walls by rule beside either.

    Raises `BriefRefused` where an own key names no piece or a key has no top. What cannot be made to hold is
    told in the check's reason, not raised.
    """
    properties = properties or RubberProperties()
    _name_pieces_there_are(rubber, brief)
    surveyed = survey_sites(rubber, brief, locks, seam, master)
    prefixes = piece_prefixes([g.envelope.name for g in surveyed])
    keys: list[Key] = []
    checks: list[FixtureCheck] = []
    notes: list[str] = []
    for at, sites in enumerate(surveyed):
        progress.step(at / len(surveyed), f"keys of the {sites.envelope.name}")
        own = _own_keys(sites, brief)
        placed = own or _set_by_rule(sites, brief)
        row = [k for k in placed if k.where == "edge"]
        on_board = bool((sites.envelope.origin_mm[1] < 0) and master is not None and master.base == "open")
        wedges = set_wedges(sites.envelope, row, brief, rubber.flange_width_mm, on_board)
        placed = [*placed, *(key for key in wedges if not _down_loose(key, sites.envelope, rubber))]
        if not own:
            placed = _add_until_held(placed, sites, brief, properties)
        placed = _named(placed, prefixes[at], sites.envelope)
        notes += key_faults(placed, sites)
        keys += placed
        checks.append(_check(placed, sites, brief, properties))
    progress.step(1.0)
    return Keys(tuple(keys), tuple(checks), tuple(notes))


def _down_loose(wedge: Key, envelope: Envelope, rubber: Rubber) -> bool:
    """Does a wedge run down a loose piece, which is no part of the glove?"""
    up = np.linspace(0.25, 0.75, 3)[:, None] * wedge.length_mm * envelope.frame.pull
    behind = np.array(wedge.foot_mm) + up - (wedge.height_mm + 2.0) * np.array(wedge.out)
    return any(bool(one.holds(behind).any()) for one in rubber.loose if one.piece == envelope.piece)


def _name_pieces_there_are(rubber: Rubber, brief: KeysBrief) -> None:
    names = {e.name for e in rubber.envelopes}
    for name, *_ in brief.own_keys:
        if name not in names:
            raise BriefRefused(
                f"The brief has a key on '{name}', which is no piece of this mould; use one of: "
                f"{', '.join(sorted(names))}."
            )


def _own_keys(sites: KeySites, brief: KeysBrief) -> list[Key]:
    """The brief's own tabs on this piece, as large as the rule makes them there."""
    envelope = sites.envelope
    rows = [row[1:] for row in brief.own_keys if row[0] == envelope.name]
    if not rows:
        return []
    feet = snap_to_outside(envelope, np.array(rows, float))
    edge_scale = _edge_scale(sites, brief) or 1.0
    keys = []
    for foot in feet:
        where = _where(sites, foot)
        scale = edge_scale if where == "edge" else 1.0
        keys.append(shape_key("", envelope.piece, where, foot, brief, scale, own=True))
    return keys


def snap_to_outside(envelope: Envelope, points_mm: np.ndarray) -> np.ndarray:
    """(k, 3) plan points moved onto the glove's outside: straight along the pull, or first to the nearest
    rubber.
    """
    inside = covered(envelope)
    if not inside.any():
        raise ValueError("an empty envelope has no outside to set a key on")
    frame_points = envelope.frame.to_frame(np.asarray(points_mm, float))
    i, j = np.nonzero(inside)
    x0, y0 = envelope.origin_mm
    pixels = np.column_stack([x0 + j * envelope.pixel_mm, y0 + i * envelope.pixel_mm])
    distance, nearest = cKDTree(pixels).query(frame_points[:, :2])
    off = distance > 0.75 * envelope.pixel_mm
    xy = np.where(off[:, None], pixels[nearest], frame_points[:, :2])
    z = sample(np.where(inside, envelope.outer_mm, np.nan), envelope.origin_mm, envelope.pixel_mm, xy)
    return envelope.frame.to_master(np.column_stack([xy, z]))


def _where(sites: KeySites, foot_mm: np.ndarray) -> str:
    """Whether a foot is in the row inside the seam, or on the flange, rather than over the middle."""
    envelope = sites.envelope
    x, y = _across(envelope, foot_mm)
    rows, columns = envelope.flange.shape
    i = int(np.clip(round((y - envelope.origin_mm[1]) / envelope.pixel_mm), 0, rows - 1))
    j = int(np.clip(round((x - envelope.origin_mm[0]) / envelope.pixel_mm), 0, columns - 1))
    if envelope.flange[i, j]:
        return "edge"
    if not len(sites.points_mm):
        return "middle"
    away = np.hypot(sites.points_mm[:, 0] - x, sites.points_mm[:, 1] - y)
    return _edge_or_middle(sites, int(np.argmin(away)))


def _set_by_rule(sites: KeySites, brief: KeysBrief) -> list[Key]:
    """A row inside the seam no further apart than the edge spacing, then middle keys."""
    keys: list[Key] = []
    scale = _edge_scale(sites, brief)
    if scale > 0:
        shape = _shape(sites, brief, scale)
        free = np.nonzero(sites.on_edge & (sites.allowed_mm >= shape.reach_mm))[0]
        taken = _feet(keys, sites.envelope)
        chosen = _spread(sites.points_mm[free], taken, EDGE_UNSERVED * brief.edge_spacing_mm, sites.centre_mm)
        keys += [_at(sites, int(k), "edge", brief, scale) for k in free[chosen]]
    shape = _shape(sites, brief, 1.0)
    free = np.nonzero(~sites.on_edge & (sites.allowed_mm >= shape.reach_mm))[0]
    taken = _feet(keys, sites.envelope)
    chosen = _spread(sites.points_mm[free], taken, brief.middle_spacing_mm / np.sqrt(3.0), sites.centre_mm)
    keys += [_at(sites, int(k), "middle", brief, 1.0) for k in free[chosen]]
    return keys


def _shape(sites: KeySites, brief: KeysBrief, scale: float) -> Key:
    return shape_key("", sites.envelope.piece, "edge", (0.0, 0.0, 0.0), brief, scale)


def _edge_scale(sites: KeySites, brief: KeysBrief) -> float:
    """Largest key that finds room along most of the edge; 0 where none does."""
    room = sites.allowed_mm[sites.on_edge]
    if len(room) == 0:
        return 0.0
    edge = sites.points_mm[sites.on_edge]
    best, reached = 0.0, 0.0
    for scale in SMALLER_KEYS:
        fits = room >= _shape(sites, brief, scale).reach_mm
        if not fits.any():
            continue
        distance, _ = cKDTree(edge[fits]).query(edge)
        served = float((distance <= brief.edge_spacing_mm).mean())
        if served > reached + 0.05:  # a smaller key must reach noticeably more of the edge
            best, reached = scale, served
    return best


def _at(sites: KeySites, index: int, where: str, brief: KeysBrief, scale: float) -> Key:
    return _stand(sites.envelope, sites.points_mm[index, :2], where, brief, scale)


def _stand(envelope: Envelope, xy: np.ndarray, where: str, brief: KeysBrief, scale: float) -> Key:
    """A key whose foot is on the glove's outside at a frame position."""
    z = sample(envelope.outer_mm, envelope.origin_mm, envelope.pixel_mm, xy[None])
    foot = envelope.frame.to_master(np.array([[xy[0], xy[1], z[0]]]))[0]
    return shape_key("", envelope.piece, where, foot, brief, scale)


def _feet(keys: Sequence[Key], envelope: Envelope) -> np.ndarray:
    return envelope.frame.to_frame(np.array([k.foot_mm for k in keys], float).reshape(-1, 3))


def _spread(points: np.ndarray, taken: np.ndarray, reach_mm: float, centre: np.ndarray) -> np.ndarray:
    """Indices of points so that none is further than `reach_mm` from a chosen or taken one: farthest first.

    No two chosen stand nearer than `reach_mm`. The first is the one farthest from the centre; ties go to the
    first in order, so the same sites gives the same keys.
    """
    if len(points) == 0:
        return np.zeros(0, int)
    chosen: list[int] = []
    if len(taken):
        distance, _ = cKDTree(taken).query(points)
    else:
        first = int(np.argmax(np.round(np.linalg.norm(points - centre, axis=1), 6)))
        chosen.append(first)
        distance = np.linalg.norm(points - points[first], axis=1)
    while len(chosen) < MOST_KEYS_A_PIECE:
        farthest = int(np.argmax(np.round(distance, 6)))
        if distance[farthest] <= reach_mm:
            break
        chosen.append(farthest)
        distance = np.minimum(distance, np.linalg.norm(points - points[farthest], axis=1))
    return np.array(chosen, int)


def _add_until_held(keys: list[Key], sites: KeySites, brief: KeysBrief, properties: RubberProperties) -> list[Key]:
    """Add keys where they help most until nothing is free and nothing sags, or no place is left."""
    # a crowd of small tabs is worth less than its work: none smaller than the edge takes anyway
    least_scale = min(LEAST_ADDED, _edge_scale(sites, brief) or 1.0)
    keys = _stiffen(keys, sites, brief, least_scale)
    return _close_gaps(keys, sites, brief, properties, least_scale)


def _room(keys: Sequence[Key], sites: KeySites, brief: KeysBrief, least_scale: float) -> tuple[np.ndarray, np.ndarray]:
    """KeySites indices where one more key may stand, and the largest scale that fits there."""
    scale = np.zeros(len(sites.points_mm))
    for tried in [k for k in reversed(SMALLER_KEYS) if k >= least_scale]:
        scale[sites.allowed_mm >= _shape(sites, brief, tried).reach_mm] = tried
    scale[~sites.on_edge & (scale < 1.0)] = 0.0
    if keys:
        distance, nearest = cKDTree(_feet(keys, sites.envelope)).query(sites.points_mm)
        theirs = np.array([k.base_diameter_mm for k in keys])[nearest]
        apart = SPACING_OF_FOOT * (theirs + brief.base_diameter_mm * scale) / 2.0
        scale[distance < apart] = 0.0
    index = np.nonzero(scale > 0)[0]
    return index, scale[index]


def _stiffen(keys: list[Key], sites: KeySites, brief: KeysBrief, least_scale: float) -> list[Key]:
    envelope = sites.envelope
    while len(keys) < MOST_KEYS_A_PIECE:
        contact = _contact_of(keys, envelope, sites.centre_mm, sites.gyration_mm)
        if smallest_stiffness(contact) >= brief.least_stiffness:
            break
        index, scale = _room(keys, sites, brief, least_scale)
        if len(index) == 0:
            break
        some = np.unique(np.linspace(0, len(index) - 1, 400).astype(int))
        tried = [_at(sites, int(index[k]), _edge_or_middle(sites, index[k]), brief, scale[k]) for k in some]
        each = _contact_of(tried, envelope, sites.centre_mm, sites.gyration_mm)
        least = np.linalg.eigvalsh(contact.sum(axis=0) + each)[:, 0]
        best = int(np.argmax(np.round(least, 12)))
        better = np.sqrt(max(least[best], 0.0) / (len(keys) + 1))
        keys = [*keys, tried[best]]
        if len(keys) > 3 and better <= smallest_stiffness(contact) * 1.0001:
            break  # the mean over keys no longer rises: more of them will not help
    return keys


def _edge_or_middle(sites: KeySites, index: int) -> str:
    return "edge" if sites.on_edge[index] else "middle"


def _close_gaps(
    keys: list[Key], sites: KeySites, brief: KeysBrief, properties: RubberProperties, least_scale: float
) -> list[Key]:
    """Set a key as near as may be to the worst sag, again and again; leave the places that no key can
    serve.
    """
    points, envelope = sites.points_mm, sites.envelope
    hung = sites.hung_mm
    gaps = _gaps_mm(keys, envelope, hung)
    open_points = np.arange(len(hung))  # shrinks: more keys only close gaps and take up room
    while len(keys) < MOST_KEYS_A_PIECE:
        sags = _sags_mm(gaps, sites, properties)[open_points]
        open_points, sags = open_points[sags > brief.sag_limit_mm], sags[sags > brief.sag_limit_mm]
        index, scale = _room(keys, sites, brief, least_scale)
        if len(open_points) == 0 or len(index) == 0:
            break
        distance, nearest = cKDTree(points[index]).query(hung[open_points])
        new_gap = distance - brief.base_diameter_mm / 2.0 * scale[nearest]
        helped = new_gap <= WORTHWHILE * gaps[open_points]
        if not helped.any():
            break
        open_points, nearest = open_points[helped], nearest[helped]
        worst = int(np.argmax(np.round(sags[helped], 9)))
        at = int(index[nearest[worst]])
        key = _at(sites, at, _edge_or_middle(sites, at), brief, float(scale[nearest[worst]]))
        keys = [*keys, key]
        gaps = np.minimum(gaps, _gaps_mm([key], envelope, hung))
    return keys


def piece_prefixes(names: Sequence[str]) -> list[str]:
    """Shortest beginnings of the piece names, in capitals, that tell them apart; numbers where three do not."""
    clean = ["".join(c for c in n if c.isalnum()) or "P" for n in names]
    for length in range(1, 4):
        short = [c[:length].upper() for c in clean]
        if len(set(short)) == len(short):
            return short
    return [f"{c[:1].upper()}{i + 1}." for i, c in enumerate(clean)]


def _named(keys: Sequence[Key], prefix: str, envelope: Envelope) -> list[Key]:
    """Numbered from the top down (across the pull), then left to right."""
    feet = _feet(keys, envelope)
    order = sorted(range(len(keys)), key=lambda k: (-round(float(feet[k, 1]), 3), round(float(feet[k, 0]), 3)))
    return [replace(keys[k], name=f"{prefix}{n}") for n, k in enumerate(order, start=1)]


def key_faults(keys: Iterable[Key], sites: KeySites) -> list[str]:
    """One sentence for each key of the piece that stands where no key should, or too near another."""
    said: list[str] = []
    envelope = sites.envelope
    mine = [k for k in keys if k.piece == envelope.piece and not k.is_wedge]
    if not mine:
        return said
    feet = _feet(mine, envelope)
    distance, nearest = cKDTree(sites.points_mm[:, :2]).query(feet[:, :2])
    for key, away, place in zip(mine, distance, nearest, strict=True):
        if away > sites.block_mm or sites.allowed_mm[place] + sites.block_mm < key.reach_mm:
            said.append(
                f"Key {key.name} of the {envelope.name} stands over an undercut, a steep or tight place, or an "
                "edge: move it."
            )
    if len(mine) > 1:
        apart, other = cKDTree(feet).query(feet, k=2)
        for key, near, its in zip(mine, apart[:, 1], other[:, 1], strict=True):
            touching = near < (key.base_diameter_mm + mine[its].base_diameter_mm) / 2.0
            if touching and key.name < mine[its].name:
                both = f"{key.name} and {mine[its].name}"
                said.append(f"Keys {both} of the {envelope.name} run into each other.")
    return said


def keys_on_one_spot(keys: Iterable[Key]) -> list[str]:
    """One sentence for each pair of tabs of a piece that stand on the same spot, within half a foot's radius."""
    tabs = [key for key in keys if not key.is_wedge]
    if len(tabs) < 2:
        return []
    feet = np.array([key.foot_mm for key in tabs])
    reach = max(key.base_diameter_mm for key in tabs) / 4.0
    said = []
    for a, b in sorted(cKDTree(feet).query_pairs(reach)):
        near = min(tabs[a].base_diameter_mm, tabs[b].base_diameter_mm) / 4.0
        if tabs[a].piece == tabs[b].piece and np.linalg.norm(feet[a] - feet[b]) < near:
            said.append(f"Keys {tabs[a].name} and {tabs[b].name} stand on one spot: move or delete one of them.")
    return said


def key_assumptions(brief: KeysBrief, properties: RubberProperties | None = None) -> tuple[Assumption, ...]:
    """The figures that keys rest on, with their marks."""
    properties = properties or RubberProperties()
    spacing = f"{brief.edge_spacing_mm:.0f} mm along edges, {brief.middle_spacing_mm:.0f} mm over the middle"
    return (
        Assumption("key spacing", spacing, Mark.COMMON_PRACTICE),
        Assumption("sag limit between keys", f"{brief.sag_limit_mm:g} mm", Mark.COMMON_PRACTICE),
        Assumption(
            "how a half lies while its cast is laid",
            f"open side up as it lies, tipped {brief.tilt_deg:g}° at most",
            Mark.COMMON_PRACTICE,
        ),
        Assumption(
            "rubber modulus", f"{properties.modulus_mpa:g} MPa", Mark.MEMORY, "Gent 1958, from Shore A 12 to 28"
        ),
        Assumption("sag of a held patch", "that of a round plate clamped at its rim", Mark.COMMON_PRACTICE),
    )
