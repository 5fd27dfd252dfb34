"""Stage 3, opening: the direction in which the mould comes apart."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize, spatial

from ..base.errors import BriefRefused
from ..base.progress import SILENT, Progress
from ..base.threads import in_threads
from ..geometry.depthmap import column_image, grid_around
from ..geometry.frame import pull_frame, unit
from ..geometry.freedom import freedom_by_rays
from ..geometry.gathering import gathered
from ..geometry.rays import RayScene, first_wall_mm, ray_scene
from ..geometry.repair import signed_volume
from ..geometry.sampling import samples_by_area
from ..inputs.brief import OpeningBrief, SeamBrief
from ..trade.price import SeamMeasures, price_seam
from ..trade.seamterms import SOLID_MM, SOLID_MOST_MM3, TURNED_AWAY, WIDTHS_DEEP, SeamTerms, never_price, seam_terms
from .master import Master, skin_faces
from .visibility import how_it_shows


@dataclass(frozen=True)
class SymmetryPlane:
    """Best mirror plane of the master. mismatch is the mean mirror distance over the body's diagonal."""

    normal: tuple[float, float, float]
    offset_mm: float
    mismatch: float
    is_symmetric: bool


@dataclass(frozen=True)
class Candidate:
    """One direction with its trouble, term by term.

    cost : money, by `trade.price`: first of its best plane, with what nobody could lay up made dear; then, for those
    that are looked at closely, of its cheapest seam that keeps the limits. Lower is better.
    """

    direction: tuple[float, float, float]
    offset_mm: float  # best plane along the direction: points with p . d = offset
    origin: str  # "search", "symmetry plane", "principal axis 1", "brief"
    locked_area_mm2: float
    locked_fraction: float
    fill_mm3: float
    fill_fraction: float  # of the master's volume
    pull_depth_mm: float
    balance: float  # smaller piece's share of the skin, 0 to 0.5
    show: float  # share of the section line that stands on show, 0 to 1
    cost: float
    reason: str  # one sentence
    seam_kind: str = ""  # of the seam it was priced with, "" where it was only looked at quickly
    keeps_limits: bool = True


@dataclass(frozen=True)
class Opening:
    """The chosen direction, the ranked others, and the symmetry that was found."""

    chosen: Candidate
    candidates: tuple[Candidate, ...]  # ranked, chosen included
    symmetry: SymmetryPlane
    directions_tried: int
    solid_most_mm3: float = SOLID_MOST_MM3  # limbs no larger may be filled, by the limits that its seam keeps
    directions: Opening | None = None  # the search's own ranking, before seams were priced: kept for planning again


COARSE_SAMPLES = 12_000
FINE_SAMPLES = 64_000
_REFINE_EVERY = 3  # one coarse sample in so many is enough to follow a slope downhill
LEVEL = "level"
_LEVEL_STEP = 2.0  # degrees between the level directions that are tried
_NEARLY_LEVEL = 0.8  # of an axis's length: what of it has to lie level to be tried as a level pull
NEAR_DEG = 12.0  # the refined best stand at least this far apart, so that the ranking offers real choices


def half_sphere(count: int) -> np.ndarray:
    """(count, 3) unit directions spread evenly over a half-sphere (golden-angle spiral), none twice as d and -d.

    The spiral runs round the x axis, so that the mould maker's usual first guess, sideways, is its pole.
    """
    k = np.arange(count) + 0.5
    along = 1.0 - k / count
    turn = np.pi * (1.0 + np.sqrt(5.0)) * k
    across = np.sqrt(1.0 - along**2)
    return np.column_stack([along, across * np.cos(turn), across * np.sin(turn)])


def level_half(count: int) -> np.ndarray:
    """(count, 3) level directions spread evenly over half a turn, none twice as d and -d; the first is sideways."""
    turn = np.pi * np.arange(count) / count
    return np.column_stack([np.cos(turn), np.sin(turn), np.zeros(count)])


def opens_level(master: Master) -> bool:
    """Whether every pull has to be level: pieces laid up on a board slide over it, and none comes off down through it
    (common practice, no source)."""
    return master.base == "open"


def positive_half(direction: np.ndarray) -> np.ndarray:
    """The one of d and -d that stands for both: first clearly non-zero of x, y, z positive."""
    d = unit(direction)
    leading = d[np.flatnonzero(np.abs(d) > 1e-9)[0]]
    return d if leading > 0 else -d


def _stand_in(master: Master) -> tuple[np.ndarray, np.ndarray]:
    """A light copy for column images of the coarse search: vertices gathered in cells of 1/140 of the diagonal."""
    return gathered(master.vertices_mm, master.faces, float(np.linalg.norm(master.size_mm)) / 140.0)


def best_offset(tops_mm: np.ndarray, bottoms_mm: np.ndarray) -> float:
    """The plane offset along the pull that needs the least undercut fill.

    fill(z) = sum over columns of (top - z)+ and (z - bottom)+, less the volume: convex in z, and its slope is the
    count of bottoms below z less the count of tops above it. It vanishes at the median of all tops and bottoms.
    """
    return float(np.median(np.concatenate([tops_mm, bottoms_mm])))


def fill_at(tops_mm: np.ndarray, bottoms_mm: np.ndarray, offset_mm: float, pixel_mm: float, volume_mm3: float) -> float:
    """Undercut fill (mm³) of a plane split at `offset_mm`, from (k,) column tops and bottoms."""
    columns = np.maximum(tops_mm - offset_mm, 0).sum(dtype=float) + np.maximum(offset_mm - bottoms_mm, 0).sum(
        dtype=float
    )
    return float(max(columns * pixel_mm**2 - volume_mm3, 0.0))


@dataclass(frozen=True, eq=False)
class _Survey:
    """What every direction is judged on: surface samples, a mesh for column images, and what counts as dear."""

    master: Master
    brief: OpeningBrief
    terms: SeamTerms
    scene: RayScene
    points: np.ndarray
    normals: np.ndarray
    sample_area: float
    shown: np.ndarray  # (k,) 0..1, how much the sample shows to the brief's viewers
    thick_mm: np.ndarray  # (k,) of the body behind the sample
    vertices: np.ndarray
    faces: np.ndarray
    volume_mm3: float
    pixel_mm: float
    diagonal_mm: float


def _survey(
    master: Master,
    brief: OpeningBrief,
    scene: RayScene,
    show: np.ndarray,
    samples: int,
    full_mesh: bool,
    terms: SeamTerms | None = None,
) -> _Survey:
    taken = samples_by_area(master.vertices_mm, master.faces, master.face_areas_mm2, samples, skin_faces(master))
    normals = master.normals[taken.faces]
    vertices, faces = (master.vertices_mm, master.faces) if full_mesh else _stand_in(master)
    diagonal = float(np.linalg.norm(master.size_mm))
    return _Survey(
        master, brief, terms or seam_terms(), scene, taken.points_mm, normals,
        float(taken.areas_mm2[0]) if len(normals) else 0.0,
        show[taken.faces], first_wall_mm(scene, taken.points_mm, -normals, -normals), vertices, faces,
        abs(float(signed_volume(vertices, faces).sum())), diagonal / (600.0 if full_mesh else 160.0), diagonal,
    )  # fmt: skip


def _thinned(survey: _Survey, every: int) -> _Survey:
    """The same survey on one sample in `every`."""
    return replace(
        survey,
        points=survey.points[::every],
        normals=survey.normals[::every],
        shown=survey.shown[::every],
        thick_mm=survey.thick_mm[::every],
        sample_area=survey.sample_area * every,
    )


def _judge(survey: _Survey, direction: np.ndarray, origin: str, offset_mm: float | None = None) -> Candidate:
    """All the trouble of one direction."""
    d = positive_half(direction)
    frame = pull_frame(d)
    vertices = frame.to_frame(survey.vertices)
    grid = grid_around(vertices, survey.pixel_mm)
    top, bottom = column_image(vertices, survey.faces, grid)
    solid = np.isfinite(top)
    tops, bottoms = top[solid], bottom[solid]
    offset = best_offset(tops, bottoms) if offset_mm is None else offset_mm
    fill = fill_at(tops, bottoms, offset, survey.pixel_mm, survey.volume_mm3)
    free_plus, free_minus = freedom_by_rays(survey.scene, survey.points, survey.normals, d)
    locked = float(np.mean(~(free_plus | free_minus))) if len(free_plus) else 0.0
    height = survey.points @ d
    share = float(np.mean(height > offset))
    depth = max(float(tops.max()) - offset, offset - float(bottoms.min()))
    length, show = _section(survey, d, height, offset)
    fill_share = fill / max(survey.volume_mm3, 1e-9)
    balance = min(share, 1 - share)
    area = survey.sample_area * len(free_plus)
    terms = survey.terms
    along = survey.normals @ d
    away = np.where(height > offset, along < -TURNED_AWAY, along > TURNED_AWAY)
    away |= np.abs(height - offset) > np.minimum(WIDTHS_DEEP * survey.thick_mm, terms.rates.reach_mm)
    hidden = float(np.mean(away & (survey.thick_mm > SOLID_MM))) * area if len(away) else 0.0
    solid = survey.sample_area * float(survey.thick_mm[away & (survey.thick_mm <= SOLID_MM)].sum())
    measures = SeamMeasures(length, show * length, 0.0, 0.0, 0.0, 1, fill, locked * area, solid)
    cost = price_seam(measures, terms.casts, terms.rubber, terms.rates).total + never_price(terms, area) * hidden
    return Candidate(
        direction=tuple(float(c) for c in d),  # type: ignore[arg-type]
        offset_mm=float(offset),
        origin=origin,
        locked_area_mm2=locked * area,
        locked_fraction=locked,
        fill_mm3=fill,
        fill_fraction=fill_share,
        pull_depth_mm=depth,
        balance=balance,
        show=show,
        cost=float(cost),
        reason="",
    )


def _section(survey: _Survey, d: np.ndarray, height: np.ndarray, offset: float) -> tuple[float, float]:
    """Length (mm) of the section line, and the share of it that stands on show. By the coarea formula the line's length
    is the surface integral of the sine between normal and pull over a thin band, so samples in the band carry that
    weight."""
    half = survey.diagonal_mm / 60.0
    band = np.abs(height - offset) < half
    sine = np.sqrt(np.clip(1.0 - (survey.normals[band] @ d) ** 2, 0.0, 1.0))
    total = float(sine.sum())
    shown = float((sine * survey.shown[band]).sum() / total) if total > 0 else 0.0
    return total * survey.sample_area / (2 * half), shown


def _refine(survey: _Survey, start: Candidate) -> Candidate:
    """Nelder-Mead over the two tilts about a start, or the one that stays level, on the same terms."""
    centre = np.asarray(start.direction)
    level = opens_level(survey.master)
    axes = np.cross([0.0, 0.0, 1.0], centre)[None] if level else pull_frame(centre).axes[:2]
    best = replace(start, cost=np.inf)  # it was judged on another survey

    def trouble(tilt: np.ndarray) -> float:
        nonlocal best
        judged = _judge(survey, centre + tilt @ axes, start.origin)
        if judged.cost < best.cost:
            best = judged
        return judged.cost

    free = len(axes)
    simplex = np.concatenate([np.zeros((1, free)), np.tan(np.radians(3.0)) * np.eye(free)])
    optimize.minimize(
        trouble, np.zeros(free), method="Nelder-Mead",
        options={"maxfev": 15 * free, "xatol": np.radians(0.25), "fatol": 1e-4, "initial_simplex": simplex},
    )  # fmt: skip
    return best


def _refine_all(
    survey: _Survey, found: list[Candidate], progress: Progress, span: tuple[float, float]
) -> list[Candidate]:
    """The best of the search, each moved downhill on a thinner survey; best first."""
    ranked = sorted(found, key=lambda c: c.cost)
    starts = _apart(ranked, survey.brief.refine, NEAR_DEG / 2)
    thin = _thinned(survey, _REFINE_EVERY)
    refined = in_threads(lambda c: _refine(thin, c), starts, progress, span, "refining the best")
    return sorted(refined, key=lambda c: c.cost) or ranked[:1]


def _angle_deg(a: tuple[float, float, float], b: tuple[float, float, float]) -> float:
    return float(np.degrees(np.arccos(np.clip(abs(float(np.dot(a, b))), 0.0, 1.0))))


def _apart(ranked: list[Candidate], count: int, least_deg: float) -> list[Candidate]:
    chosen: list[Candidate] = []
    for candidate in ranked:
        if len(chosen) >= count:
            break
        if all(_angle_deg(candidate.direction, other.direction) >= least_deg for other in chosen):
            chosen.append(candidate)
    return chosen


# --- symmetry -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Mirror:
    """A surface to be mirrored onto itself: sample points, and a tree of many more."""

    points: np.ndarray
    tree: spatial.cKDTree
    middle: np.ndarray
    diagonal_mm: float

    def mismatch(self, normal: np.ndarray, offset_mm: float) -> float:
        """Mean distance of the mirrored points from the surface, over the diagonal."""
        mirrored = self.points - 2 * np.outer(self.points @ normal - offset_mm, normal)
        # capped, so that one thing out of line (a turned head) does not drag the plane off the body
        most = 0.05 * self.diagonal_mm
        away = self.tree.query(mirrored, distance_upper_bound=most)[0]
        return float(np.minimum(away, most).mean()) / self.diagonal_mm


def _fit_mirror(
    mirror: _Mirror, axis: np.ndarray, offset_mm: float, tilt: float, evaluations: int
) -> tuple[float, np.ndarray, float]:
    """Mismatch, normal and offset of the best plane about a first guess: Nelder-Mead over two tilts and the offset."""
    frame = pull_frame(axis)

    def plane(free: np.ndarray) -> tuple[np.ndarray, float]:
        n = unit(axis + free[0] * frame.axes[0] + free[1] * frame.axes[1])
        # a tilt turns the plane about the middle of the body
        return n, offset_mm + float(mirror.middle @ (n - axis)) + free[2] * mirror.diagonal_mm

    fit = optimize.minimize(
        lambda free: mirror.mismatch(*plane(free)), np.zeros(3), method="Nelder-Mead",
        options={"maxfev": evaluations, "xatol": 1e-4, "fatol": 1e-6,
                 "initial_simplex": [[0, 0, 0], [tilt, 0, 0], [0, tilt, 0], [0, 0, tilt / 4]]},
    )  # fmt: skip
    return float(fit.fun), *plane(fit.x)


def find_symmetry(master: Master, progress: Progress = SILENT, span: tuple[float, float] = (0.0, 1.0)) -> SymmetryPlane:
    """Best mirror plane: tilts and offset are fitted to the mirrored surface's distance, from each principal plane and
    the two upright ones on a few points, then from the best of them on more.

    span : the fractions of the stage that `progress` reports.
    """

    def taken(count: int) -> np.ndarray:
        skin = skin_faces(master)
        return samples_by_area(master.vertices_mm, master.faces, master.face_areas_mm2, count, skin).points_mm

    points = taken(1500)
    middle = points.mean(axis=0)
    rough = _Mirror(points[::5], spatial.cKDTree(taken(40_000)), middle, float(np.linalg.norm(master.size_mm)))
    best: tuple[float, np.ndarray, float] | None = None
    starts = np.vstack([np.linalg.eigh(np.cov((points - middle).T))[1].T, np.eye(3)[:2]])
    for k, axis in enumerate(starts):
        fit = _fit_mirror(rough, axis, float(middle @ axis), 0.08, 70)
        progress.step(span[0] + (span[1] - span[0]) * (k + 1) / (len(starts) + 1), "symmetry plane")
        if best is None or fit[0] < best[0] - 1e-6:
            best = fit
    assert best is not None
    mismatch, found, offset = _fit_mirror(replace(rough, points=points), best[1], best[2], 0.02, 60)
    normal = positive_half(found)
    offset *= 1.0 if normal @ found > 0 else -1.0
    progress.step(span[1], "symmetry plane")
    # sample spacing alone gives about 0.3 % of the diagonal; 1 % reads as symmetric [common practice, no source]
    return SymmetryPlane(tuple(float(c) for c in normal), float(offset), mismatch, mismatch < 0.01)  # type: ignore[arg-type]


# --- the stage ------------------------------------------------------------------------------------------------------


def find_opening(
    master: Master,
    brief: OpeningBrief,
    progress: Progress = SILENT,
    *,
    scene: RayScene | None = None,
    show: np.ndarray | None = None,
    terms: SeamTerms | None = None,
) -> Opening:
    """Search the half-sphere, or the level ways of a master on its board, refine the best, try the symmetry plane and
    the principal axes, rank them all.

    Each direction is judged by exact occlusion at surface samples (locked area, within about 0.3 % of the skin) and by
    a column image (fill and best plane offset). Deterministic. With `brief.direction` the user's own is chosen and the
    others are still ranked beside it. scene : the master's rays, if at hand; show : (m,) how much each face shows, by
    `visibility.how_it_shows` (without it, to viewers as an empty brief has them); terms : rates, those of an empty
    brief if left out. The best are priced with their seams by `seam.pairs`.
    """
    terms = terms or seam_terms()
    scene = scene or ray_scene(master.vertices_mm, master.faces)
    if show is None:
        show = how_it_shows(master, SeamBrief(), progress, scene, span=(0.0, 0.1))
    coarse = _survey(master, brief, scene, show, COARSE_SAMPLES, False, terms)
    level = opens_level(master)
    tried = level_half(min(brief.directions, round(180 / _LEVEL_STEP))) if level else half_sphere(brief.directions)
    found = in_threads(lambda d: _judge(coarse, d, "search"), tried, progress, (0.1, 0.6), f"{len(tried)} directions")
    symmetry = find_symmetry(master, progress, (0.6, 0.65))
    refined = _refine_all(coarse, found, progress, (0.65, 0.8))
    progress.step(0.8, "judging the finalists")
    fine = _survey(master, brief, scene, show, FINE_SAMPLES, True, terms)
    finalists = _special(coarse, symmetry)
    finalists += [(np.asarray(c.direction), c.origin) for c in _apart(refined, brief.seams, NEAR_DEG / 2)]
    if brief.direction is not None:
        finalists.append((_own_direction(brief.direction), "brief"))
    judged = in_threads(lambda one: _judge(fine, *one), finalists, progress, (0.8, 1.0), "judging the finalists")
    own = [c for c in judged if c.origin == "brief"]
    others = sorted((c for c in judged if c.origin != "brief"), key=lambda c: (c.cost, c.origin))
    # a level pull is priced beside a slightly better one: a wall stood up square is built by eye
    ranked = _apart(others, max(brief.seams, 9), NEAR_DEG)
    ranked += [c for c in others if c.origin == LEVEL and c not in ranked]
    if own:
        ranked = own + [c for c in ranked if _angle_deg(c.direction, own[0].direction) > 1.0]
    worded = tuple(replace(c, reason=_reason(c, ranked[0], symmetry, fine)) for c in ranked)
    return Opening(worded[0], worded, symmetry, len(tried))


def _own_direction(given: tuple[float, float, float]) -> np.ndarray:
    try:
        return unit(np.asarray(given))
    except ValueError:
        raise BriefRefused(
            "The brief's opening direction has no length; give three numbers, such as [1, 0, 0]."
        ) from None


def _special(survey: _Survey, symmetry: SymmetryPlane) -> list[tuple[np.ndarray, str]]:
    """The mirror plane's normal, level to the front and to the side, and the principal axes: what a mould maker tries
    by eye."""
    axes = np.linalg.eigh(np.cov((survey.points - survey.points.mean(axis=0)).T))[1].T[::-1]
    out = [(axis, f"principal axis {k + 1}") for k, axis in enumerate(axes)]
    if symmetry.is_symmetric:
        out = [(np.asarray(symmetry.normal), "symmetry plane"), *out]
    front = _level_front(symmetry)
    if opens_level(survey.master):
        laid = [(axis * [1.0, 1.0, 0.0], origin) for axis, origin in out]
        out = [(unit(axis), origin) for axis, origin in laid if np.linalg.norm(axis) > _NEARLY_LEVEL]
    return [(front, LEVEL), (np.cross(front, [0.0, 0.0, 1.0]), LEVEL), *out]


def _level_front(symmetry: SymmetryPlane) -> np.ndarray:
    """Level, along an upright mirror plane where there is one, else straight to the front."""
    level = np.cross(symmetry.normal, [0.0, 0.0, 1.0])
    if not symmetry.is_symmetric or np.linalg.norm(level) < 0.9:
        return np.array([0.0, -1.0, 0.0])
    return unit(level)


def direction_words(direction: tuple[float, float, float]) -> str:
    """A pull as the workshop would say it: 'to the left, 4 degrees up'."""
    x, y, z = direction
    level = float(np.hypot(x, y))
    rise = float(np.degrees(np.arctan2(z, level)))
    if abs(rise) > 75:
        return "straight up" if rise > 0 else "straight down"
    turn = float(np.degrees(np.arctan2(x, -y))) % 360  # 0 front, 90 left, 180 back, 270 right
    names = ("front", "left", "back", "right")
    nearest = round(turn / 90) % 4
    off = (turn - 90 * nearest + 180) % 360 - 180
    words = f"to the {names[nearest]}"
    if abs(off) >= 1:
        words += f", {abs(off):.0f}° towards the {names[(nearest + (1 if off > 0 else -1)) % 4]}"
    if abs(rise) >= 1:
        words += f", {abs(rise):.0f}° {'up' if rise > 0 else 'down'}"
    return words


def _reason(c: Candidate, best: Candidate, symmetry: SymmetryPlane, survey: _Survey) -> str:
    near = _angle_deg(c.direction, symmetry.normal)
    where = f"{near:.0f}° off the mirror plane's normal" if symmetry.is_symmetric else f"from the {c.origin}"
    figures = f"{100 * c.locked_fraction:.1f} % of the skin undercut, {c.fill_mm3 / 1e6:.1f} litres of undercut fill"
    if c is best:
        return f"Opens {direction_words(c.direction)} ({where}): {figures}, pull {c.pull_depth_mm:.0f} mm."
    unit, length = survey.terms.unit, survey.diagonal_mm
    terms = {
        f"{100 * (c.locked_fraction - best.locked_fraction):.1f} % more skin undercut": unit.locked_mm2
        * (c.locked_area_mm2 - best.locked_area_mm2),
        f"{(c.fill_mm3 - best.fill_mm3) / 1e6:.1f} litres more undercut fill": unit.fill_mm3
        * (c.fill_mm3 - best.fill_mm3),
        f"a pull {c.pull_depth_mm - best.pull_depth_mm:.0f} mm deeper": unit.past_reach_mm
        * max(c.pull_depth_mm - max(best.pull_depth_mm, survey.terms.rates.reach_mm), 0.0),
        f"{100 * (c.show - best.show):.0f} % more of the seam on show": (unit.shown_mm - unit.hidden_mm)
        * length
        * (c.show - best.show),
    }
    worst = max(terms, key=lambda name: terms[name])
    why = f"behind the chosen one for {worst}" if terms[worst] > 0 else "close to the chosen one"
    return f"Opens {direction_words(c.direction)} ({where}): {figures}; {why}."
