"""Whether the keys hold the glove: no slide or turn left free, and no patch that sags too far."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ...base.figures import GRAVITY_M_S2
from ...inputs.brief import KeysBrief
from ...inputs.materials import RubberMaterial
from ...trade.panels import beyond_thickness_mm
from ..rubber import Envelope, Rubber
from .record import FixtureCheck, Key, Keys
from .sites import BARRED, KeySites, _sites_of
from .wedges import wedge_contact

# Common practice: brushable silicone, 1.07 to 1.09 g/cm³ by one data sheet and one workshop's notes; the
# catalogue decides.
RUBBER_DENSITY_KG_DM3 = 1.08


# Mark.MEMORY: Gent's relation between hardness and modulus (1958) gives 0.5 to 1.0 MPa for Shore A 12 to 28; it is good
# from about 40 up, so it only guides here.
RUBBER_MODULUS_MPA = 0.7


STRETCH_UNDER_SPREAD = 0.488  # see `hung_sag_mm`


RUBBER_POISSON = 0.5  # rubber keeps its volume


_AROUND = 12  # samples of a key's side: exact for the second moments of a circle from 5 up


@dataclass(frozen=True)
class RubberProperties:
    """What the sag check needs to know of the rubber."""

    density_kg_dm3: float = RUBBER_DENSITY_KG_DM3
    modulus_mpa: float = RUBBER_MODULUS_MPA


def rubber_properties(material: RubberMaterial) -> RubberProperties:
    """What the sag check needs, from a catalogue entry."""
    return RubberProperties(material.density_kg_m3 / 1000.0, material.young_modulus_mpa)


def contact_stiffness(
    feet_mm: np.ndarray,
    base_diameter_mm: np.ndarray,
    top_diameter_mm: np.ndarray,
    height_mm: np.ndarray,
    centre_mm: np.ndarray,
    gyration_mm: float,
) -> np.ndarray:
    """(n, 6, 6) contact matrix of each key: the mean over its side of w wᵀ, w = (normal, arm x normal /
    gyration).

    feet_mm : (n, 3) frame coordinates, the pull along +z; diameters and height (n,). Both senses of each
    normal count, since a tab sits in a socket. The side is sampled round at 12 places and at the two Gauss
    points of its height: a cone gripped along its side, so a lone one resists every motion but the turn
    about its own axis.
    """
    n = len(feet_mm)
    if n == 0:
        return np.zeros((0, 6, 6))
    angle = 2.0 * np.pi * np.arange(_AROUND) / _AROUND
    run = (np.asarray(base_diameter_mm) - np.asarray(top_diameter_mm)) / 2.0
    side = np.hypot(run, height_mm)
    sin_taper, cos_taper = run / side, height_mm / side
    out = np.stack([np.cos(angle), np.sin(angle), np.zeros(_AROUND)], axis=1)
    total = np.zeros((n, 6, 6))
    for gauss in (0.5 - 0.5 / np.sqrt(3.0), 0.5 + 0.5 / np.sqrt(3.0)):
        radius = np.asarray(base_diameter_mm) / 2.0 - run * gauss
        normal = cos_taper[:, None, None] * out[None]
        normal[:, :, 2] = sin_taper[:, None]
        place = feet_mm[:, None, :] + radius[:, None, None] * out[None]
        place[:, :, 2] += (height_mm * gauss)[:, None]
        turn = np.cross(place - centre_mm, normal) / gyration_mm
        wrench = np.concatenate([normal, turn], axis=2)
        total += np.einsum("nki,nkj->nij", wrench, wrench) / (2.0 * _AROUND)
    return total


def smallest_stiffness(contact: np.ndarray) -> float:
    """Smallest singular value of the stacked contact rows over the root of the key count; 0 for no keys.

    contact : (n, 6, 6) from `contact_stiffness`. 0 means that some slide or turn is free.
    """
    if len(contact) == 0:
        return 0.0
    least = float(np.linalg.eigvalsh(contact.sum(axis=0))[0])
    return float(np.sqrt(max(least, 0.0) / len(contact)))


def sag_of_patch_mm(radius_mm: np.ndarray, thickness_mm: np.ndarray, properties: RubberProperties) -> np.ndarray:
    """Sag of a round patch of rubber held at its rim, hanging under its own weight.

    Clamped circular plate, w = q a⁴ / 64 D with D = E t³ / 12 (1 - nu²): the tests solve the plate's equation apart.
    Flat and free of the jacket: a curved patch sags less.
    """
    a, t = np.asarray(radius_mm, float), np.asarray(thickness_mm, float)
    q_mpa = properties.density_kg_dm3 * 1e-6 * GRAVITY_M_S2 * t  # kg/dm3 = 1e-6 kg/mm3; N/mm2
    rigidity = properties.modulus_mpa * t**3 / (12.0 * (1.0 - RUBBER_POISSON**2))
    return q_mpa * a**4 / (64.0 * rigidity)


def hung_sag_mm(
    radius_mm: np.ndarray, thickness_mm: np.ndarray, properties: RubberProperties, share: np.ndarray | float = 1.0
) -> np.ndarray:
    """The sag under a share of its weight, the stretch of the middle plane counted: beyond half the thickness it tells.

    w (1 + 0.488 (w / t)²) = small-deflection sag, for a clamped rim that holds still (Timoshenko & Woinowsky-Krieger,
    Theory of plates and shells, for Poisson's ratio 0.3; from memory, verify).
    """
    small = share * np.minimum(
        sag_of_patch_mm(radius_mm, thickness_mm, properties), 1e9
    )  # without a key it hangs from nothing
    return beyond_thickness_mm(small, np.asarray(thickness_mm, float), STRETCH_UNDER_SPREAD)


def _contact_of(keys: Sequence[Key], envelope: Envelope, centre: np.ndarray, gyration: float) -> np.ndarray:
    feet = envelope.frame.to_frame(np.array([k.foot_mm for k in keys], float).reshape(-1, 3))
    base = np.array([k.base_diameter_mm for k in keys])
    top = np.array([k.top_diameter_mm for k in keys])
    height = np.array([k.height_mm for k in keys])
    found = contact_stiffness(feet, base, top, height, centre, gyration)
    for k, key in enumerate(keys):
        if key.is_wedge:
            found[k] = wedge_contact(key, envelope, centre, gyration)
    return found


def _gaps_mm(keys: Sequence[Key], envelope: Envelope, points: np.ndarray) -> np.ndarray:
    """(k,) distance from each sites point to the foot of the nearest key: straight, so never more than the
    surface's own. Infinite without keys."""
    if not keys:
        return np.full(len(points), np.inf)
    feet = envelope.frame.to_frame(np.array([k.foot_mm for k in keys]))
    distance, nearest = cKDTree(feet).query(points)
    rim = np.array([k.base_diameter_mm / 2.0 for k in keys])[nearest]
    return np.maximum(distance - rim, 0.0)


def recheck_keys(
    keys: Iterable[Key],
    rubber: Rubber,
    brief: KeysBrief,
    properties: RubberProperties | None = None,
    surveyed: Sequence[KeySites] | None = None,
) -> tuple[FixtureCheck, ...]:
    """Check any keys anew, after some were added, moved or removed: one check for each piece. Fast.

    With `surveyed` from `survey_sites` the figures are those of `set_keys` to the last digit, and the
    reasons name what is in the way; without them the rubber alone is read, on a coarser grid.
    """
    properties = properties or RubberProperties()
    keys = tuple(keys)
    surveyed = surveyed or [_sites_of(e, brief, rubber) for e in rubber.envelopes]
    return tuple(_check([k for k in keys if k.piece == g.envelope.piece], g, brief, properties) for g in surveyed)


def check_fixture(keys: Keys, rubber: Rubber, brief: KeysBrief) -> tuple[FixtureCheck, ...]:
    """`recheck_keys` of a whole stage's result."""
    return recheck_keys(keys.keys, rubber, brief)


def _check(keys: Sequence[Key], sites: KeySites, brief: KeysBrief, properties: RubberProperties) -> FixtureCheck:
    envelope, points = sites.envelope, sites.points_mm
    stiffness = smallest_stiffness(_contact_of(keys, envelope, sites.centre_mm, sites.gyration_mm))
    gaps = _gaps_mm(keys, envelope, points)
    if not keys or len(points) == 0:
        return FixtureCheck(
            envelope.piece, 0.0, brief.least_stiffness, float("inf"), float("inf"), brief.sag_limit_mm, False,
            f"the {envelope.name} has no keys",
        )  # fmt: skip
    hung_gaps = _gaps_mm(keys, envelope, sites.hung_mm)
    sags = _sags_mm(hung_gaps, sites, properties)
    if sags.any():
        worst = int(np.argmax(sags))
        sag, at, reach = float(sags[worst]), sites.hung_mm[worst], float(hung_gaps[worst])
    else:
        worst = int(np.argmax(gaps))
        sag, at, reach = 0.0, points[worst], float(gaps[worst])
    stiff, flat = stiffness >= brief.least_stiffness, sag <= brief.sag_limit_mm
    place = envelope.frame.to_master(at[None])[0]
    return FixtureCheck(
        piece=envelope.piece,
        stiffness=stiffness,
        least_stiffness=brief.least_stiffness,
        widest_gap_mm=float(gaps.max()),
        sag_mm=sag,
        sag_limit_mm=brief.sag_limit_mm,
        holds=stiff and flat,
        reason=_why(
            envelope.name, len(keys), stiff, flat, stiffness, sag, place, brief, _in_the_way(sites, at, reach),
        ),
        gap_centre_mm=(float(place[0]), float(place[1]), float(place[2])),
    )  # fmt: skip


def _sags_mm(gaps_mm: np.ndarray, sites: KeySites, properties: RubberProperties) -> np.ndarray:
    """(m,) sag about each hung place: of the round patch that reaches to the next key or to rubber that lies firmly."""
    radius = np.minimum(gaps_mm, sites.held_mm)
    return hung_sag_mm(radius, sites.thickness_mm[sites.hung_of], properties, sites.hangs[sites.hung_of])


def _why(
    name: str,
    count: int,
    stiff: bool,
    flat: bool,
    stiffness: float,
    sag: float,
    place: np.ndarray,
    brief: KeysBrief,
    in_the_way: str,
) -> str:
    if stiff and flat:
        return f"{count} keys hold the {name}: no slide or turn is free, sag {sag:.1f} mm at most"
    said = []
    if not stiff:
        said.append(
            f"{count} keys leave a slide or turn of the {name} too free "
            f"({stiffness:.3f}, at least {brief.least_stiffness:.3f}): spread them or add some"
        )
    if not flat:
        said.append(f"the {name} sags {sag:.1f} mm (limit {brief.sag_limit_mm:.1f}) in the gap {place[2]:.0f} mm up")
        if in_the_way:
            said.append(
                f"what keeps keys from it is {in_the_way}: tie the rubber to the jacket there, or set your own key"
            )
    return "; ".join(said)


def _in_the_way(sites: KeySites, centre: np.ndarray, gap_mm: float) -> str:
    """What bars most of a gap's sites, or "" where nobody looked."""
    if not sites.allowed_mm.any():
        return ""
    near = sites.barred[np.linalg.norm(sites.points_mm - centre, axis=1) <= gap_mm]
    counts = np.bincount(near, minlength=len(BARRED))
    return BARRED[int(np.argmax(counts[1:])) + 1] if counts[1:].any() else BARRED[0]
