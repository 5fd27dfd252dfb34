"""What the tries say: off, doubtful or stuck, with figures as a range and the order in which places let go."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ...base.figures import cm2, newtons, percent
from ...inputs.brief import PeelBrief
from ..locks import Locks
from ..master import Master
from ..rubber import Rubber
from .glove import PeelGlove
from .lattice import RubberLattice
from .paths import PeelPath
from .record import AirPocket, PeeledGlove, PeelMotion, TriedPeel, Verdict
from .trial import PeelTry
from .where import called

DOUBT = 2.0  # a force within this factor of the hands' most is doubtful (from a trial: deep plugs differ so much)
_POCKET_MM2 = 4000.0  # smaller pockets are about one cell's worth of skin
_PLACES = 6  # named in the order of letting go
_POCKETS = 4


def judged(
    master: Master,
    rubber: Rubber,
    locks: Locks,
    index: int,
    tries: Sequence[PeelTry],
    glove: PeelGlove,
    brief: PeelBrief,
) -> PeeledGlove:
    """One glove's tries as its record. glove : cut as in the last tries."""
    way = chosen_way(tries, brief.hands_n, locks.stretch_allowed)
    chosen = decisive([t for t in tries if t.path == way], brief.hands_n)
    shown = max(chosen, key=lambda t: (-t.pitch_mm, t.friction))  # the finest, with the most friction
    envelope = rubber.envelopes[index]
    pockets = _pockets(master, glove, shown)
    verdict, why = verdict_of(chosen, brief.hands_n, locks.stretch_allowed, locks.elongation_at_break, pockets)
    if verdict != "off" and brief.ways == "straight":
        verdict, why = (
            "doubtful",
            (*why, "Only the straight pull was tried; walked loose, it may ask for less."),
        )
    rule = max((r.stretch for r in locks.regions if r.piece == envelope.piece), default=0.0)
    stretches, forces = [t.stretch - 1 for t in chosen], [t.force_n for t in chosen]
    end = _last_free(shown)
    return PeeledGlove(
        piece=envelope.piece, name=envelope.name, verdict=verdict, why=why, way=way.words,
        stretch_low=min(stretches), stretch_high=max(stretches),
        stretch_place=called(np.array(shown.at_mm), master), stretch_at_mm=shown.at_mm, rule_stretch=rule,
        force_low_n=min(forces), force_high_n=max(forces),
        rubber_kg=float(glove.lattice.fill_mm3.sum()) * glove.density_kg_per_mm3, order=_order(master, glove, shown),
        pockets=pockets, tries=tuple(_figures(t) for t in tries), advice=(),
        skin_mm=glove.skin_mm[shown.kept].astype(np.float32), stretches=(shown.stretches - 1).astype(np.float32),
        freed_at=np.where(np.isfinite(shown.free_s), shown.free_s / end, 2.0).astype(np.float32),
        motion=_motion(glove.lattice, shown),
    )  # fmt: skip


def verdict_of(
    tries: Sequence[PeelTry], hands_n: float, allowed: float, breaks_at: float, pockets: Sequence[AirPocket] = ()
) -> tuple[Verdict, tuple[str, ...]]:
    """off, doubtful or stuck, and why. tries : the `decisive` ones of one way, at every friction, with hands that
    pulled gently, or up to twice hands_n at every pitch."""
    most = max(t.force_n for t in tries)
    high = max(t.stretch for t in tries) - 1
    torn = [t for t in tries if t.torn]
    if not any(t.off for t in tries):
        freed = max(t.freed for t in tries)
        if torn:
            return "stuck", (f"It tears with {percent(freed)} of the skin clear: it breaks at {percent(breaks_at)}.",)
        return "stuck", (f"{percent(freed)} of the skin comes clear, and no more with {2 * hands_n:.0f} N.",)
    why = []
    if torn:
        why.append(f"It tears in some tries, stretched past {percent(breaks_at)}.")
    elif not all(t.off for t in tries):
        by_friction = {t.friction for t in tries if t.off} != {t.friction for t in tries}
        why.append(f"It comes off in some tries and not in others ({'friction' if by_friction else 'pitch'} decides).")
    if most > hands_n / DOUBT:
        why.append(_too_near(min(t.force_n for t in tries), most, hands_n))
    if high > allowed:
        why.append(f"It stretches up to {percent(high)}, and {percent(allowed)} is allowed.")
    forces: dict[float, list[float]] = {}
    for t in tries:
        forces.setdefault(t.friction, []).append(t.force_n)
    if any(max(f) > DOUBT * max(min(f), 1.0) for f in forces.values()):
        why.append("Force differs more than twofold between a coarse and a fine lattice.")
    verdict: Verdict = "doubtful" if why else "off"
    if pockets:
        places = ", ".join(f"{p.place} ({cm2(p.area_mm2)})" for p in pockets)
        why.append(f"Air has to be let in first: {places}.")
    return verdict, tuple(why)


def _too_near(least_n: float, most_n: float, hands_n: float) -> str:
    if least_n > hands_n:
        least, most = newtons(least_n), newtons(most_n)
        taken = f"from {least}" if most_n > 1.99 * hands_n else f"{least.removesuffix(' N')} to {most}"
        return f"It takes {taken}, more than the {hands_n:.0f} N of the hands, and such figures may be out by two."
    return f"It takes up to {newtons(most_n)}, and the hands pull {hands_n:.0f} N at most: too near to be sure."


def chosen_way(tries: Sequence[PeelTry], hands_n: float, allowed: float) -> PeelPath:
    """The way that costs least at its worst, among those tried at the finest pitch."""
    finest = min(t.pitch_mm for t in tries)
    ways = list(dict.fromkeys(t.path for t in tries if t.pitch_mm == finest))

    def worst(way: PeelPath) -> tuple[bool, float, float]:
        own = decisive([t for t in tries if t.path == way], hands_n)
        return max(effort(t, hands_n, allowed) for t in own)

    return min(ways, key=worst)


def effort(tried: PeelTry, hands_n: float, allowed: float) -> tuple[bool, float, float]:
    """What ranks ways: off before stuck, then what would raise a doubt first, the pull against what hands surely can or
    the stretch against what is allowed; of ways that take all that gentle hands may, the one that stretches less."""
    pull, stretch = tried.force_n * DOUBT / hands_n, (tried.stretch - 1.0) / allowed
    return not tried.off, round(max(pull, stretch), 2), stretch


def decisive(tries: Sequence[PeelTry], hands_n: float) -> list[PeelTry]:
    """Of one way's tries those that decide: where it comes off in all in which hands pulled gently, those; else those
    in which they pulled all they might."""
    gentle = [t for t in tries if is_gentle(t.hands_n, hands_n)]
    return gentle if gentle and all(t.off for t in gentle) else [t for t in tries if t not in gentle]


def is_gentle(pulled_n: float, hands_n: float) -> bool:
    """Whether hands that pulled so much at most leave no doubt that the brief's can."""
    return pulled_n <= hands_n / DOUBT


def _figures(t: PeelTry) -> TriedPeel:
    return TriedPeel(t.path.words, t.friction, t.pitch_mm, t.off, t.freed, t.stretch - 1, t.force_n, t.hands_n, t.torn)


def _last_free(tried: PeelTry) -> float:
    finite = tried.free_s[np.isfinite(tried.free_s)]
    return float(finite.max()) if len(finite) else 1.0


def _order(master: Master, glove: PeelGlove, tried: PeelTry) -> tuple[str, ...]:
    """Names of places in the order they let go: the skin in even shares by time, each by the middle of its largest
    cluster, said once."""
    when = np.where(np.isfinite(tried.free_s), tried.free_s, np.inf)
    points = glove.skin_mm[tried.kept]
    order = np.argsort(when, kind="stable")
    named: list[str] = []
    for part in np.array_split(order[np.isfinite(when[order])], _PLACES):
        if len(part):
            middle = np.median(points[part], axis=0)
            nearest = points[part[np.linalg.norm(points[part] - middle, axis=1).argmin()]]
            named.append(called(nearest, master))
    held = np.flatnonzero(~np.isfinite(when))
    if len(held) and not tried.off:
        named.append(f"held at {called(np.median(points[held], axis=0), master)}")
    return tuple(dict.fromkeys(named))


def _pockets(master: Master, glove: PeelGlove, tried: PeelTry) -> tuple[AirPocket, ...]:
    """The shut pockets of the try, the largest first, each as one place."""
    points, areas = glove.skin_mm[tried.kept], tried.pocket_mm2
    found: list[AirPocket] = []
    left = areas >= _POCKET_MM2
    while left.any() and len(found) < _POCKETS:
        largest = float(areas[left].max())
        own = left & (areas >= 0.999 * largest)
        centre = points[own].mean(axis=0)
        at = points[own][np.linalg.norm(points[own] - centre, axis=1).argmin()]
        found.append(AirPocket(called(at, master), (float(at[0]), float(at[1]), float(at[2])), largest))
        reach = np.linalg.norm(points[own] - at, axis=1).max()
        left &= np.linalg.norm(points - at, axis=1) > max(reach, 50.0)
    return tuple(found)


def _motion(lattice: RubberLattice, tried: PeelTry) -> PeelMotion:
    corners = np.rint((lattice.positions_mm - lattice.low_mm) / lattice.pitch_mm).astype(np.int16)
    low = lattice.low_mm
    return PeelMotion(
        pitch_mm=float(lattice.pitch_mm), low_mm=(float(low[0]), float(low[1]), float(low[2])), corners=corners,
        nodes=lattice.nodes, moved_mm=tried.frames_mm.astype(np.float16),
        force_n=tried.frame_force_n.astype(np.float32), clear=tried.frame_clear.astype(np.float32),
    )  # fmt: skip
