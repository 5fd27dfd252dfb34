"""What a plan made again changes before rubber is bought: lines of the order, and templates to cut again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
from scipy import spatial

from ..base.figures import listed, mm, money, number, unit_words
from ..stages.plan import MouldPlan

BOARD_KEEPS_MM, CLAY_KEEPS_MM = 2.0, 5.0  # common practice: boards and strips, and what clay or felt makes up
_ROUNDS = 100
_SPACING_MM = 4.0  # along the outline that is laid; the other is sampled finer, so that nothing catches on it
_FINE_MM = 0.4

Fate = Literal["keep", "renumber", "cut again", "new", "not needed"]


@dataclass(frozen=True)
class OrderChange:
    """One material whose order changes. before, after : what is bought, in unit; cost : after less before."""

    code: str
    name: str
    unit: str
    before: float
    after: float
    cost: float
    currency: str

    @property
    def words(self) -> str:
        unit = unit_words(self.unit)
        more = "more" if self.cost >= 0 else "less"
        return (
            f"{self.name}: {number(self.before)} {unit} planned, {number(self.after)} {unit} now "
            f"({money(abs(self.cost), self.currency)} {more})"
        )


def order_changes(before: MouldPlan, after: MouldPlan) -> tuple[OrderChange, ...]:
    """The materials of which other packs are bought, the largest change of cost first."""
    old = {line.code: line for line in before.takeoff.lines}
    new = {line.code: line for line in after.takeoff.lines}
    found = []
    for code in (*old, *(c for c in new if c not in old)):
        one, other = old.get(code), new.get(code)
        line = other or one
        assert line is not None
        bought = [each.buy if each else 0.0 for each in (one, other)]
        cost = (other.cost if other else 0.0) - (one.cost if one else 0.0)
        if abs(bought[0] - bought[1]) > 1e-6 * max(bought) or abs(cost) > 0.005:
            found.append(OrderChange(code, line.name, line.unit, bought[0], bought[1], cost, line.currency))
    return tuple(sorted(found, key=lambda change: (-abs(change.cost), change.code)))


@dataclass(frozen=True)
class TemplateFate:
    """One template, and whether the one already cut still serves. off_mm : how far its edge moved, 0 where there is
    nothing to compare. serves : the old template that serves under this name, where it is renumbered."""

    name: str
    fate: Fate
    off_mm: float = 0.0
    serves: str = ""


def template_fates(before: MouldPlan, after: MouldPlan) -> tuple[TemplateFate, ...]:
    """Wall pieces and cradle boards of both plans, in the order of work: by name, and where that one no longer serves,
    by any other of its kind that does."""
    old, new = dict(_templates(before)), dict(_templates(after))
    off = {name: outline_off_mm(old[name].outline, own.outline) for name, own in new.items() if name in old}
    left = [name for name in old if name not in off or off[name] > new[name].limit_mm]
    found = []
    for name, own in new.items():
        if name in off and off[name] <= own.limit_mm:
            found.append(TemplateFate(name, "keep", off[name]))
            continue
        other = next((each for each in left if _serves(old[each], own)), None)
        if other is not None:
            left.remove(other)
            found.append(TemplateFate(name, "renumber", off.get(name, 0.0), other))
        else:
            found.append(TemplateFate(name, "cut again" if name in off else "new", off.get(name, 0.0)))
    return (*found, *(TemplateFate(name, "not needed") for name in left if name not in new))


def _serves(old: _Template, new: _Template) -> bool:
    """Is the old template of the same kind, and the new one's shape?"""
    one, other = (shapely.Polygon(each.outline) for each in (old, new))
    least = new.limit_mm * max(one.length, other.length)
    alike = old.kind == new.kind and abs(one.area - other.area) < least
    return alike and outline_off_mm(old.outline, new.outline) <= new.limit_mm


@dataclass(frozen=True, eq=False)
class _Template:
    kind: str
    outline: np.ndarray
    limit_mm: float


def _templates(plan: MouldPlan) -> Iterable[tuple[str, _Template]]:
    for piece in plan.wall.pieces if plan.wall is not None else ():
        limit = CLAY_KEEPS_MM if piece.kind == "rib" else BOARD_KEEPS_MM
        yield f"wall {piece.name}", _Template(piece.kind, np.asarray(piece.outline_mm)[:, :2], limit)
    for lying in plan.cradle.pieces:
        name = plan.jacket.pieces[lying.piece].name if lying.piece < len(plan.jacket.pieces) else str(lying.piece)
        for board in lying.boards:
            yield f"cradle of the {name}, {board.name}", _Template(f"cradle {name}", board.cut_mm, CLAY_KEEPS_MM)
        for rail in lying.rails:
            yield f"cradle of the {name}, {rail.name}", _Template(f"rail {name}", rail.outline_mm, CLAY_KEEPS_MM)


def outline_off_mm(one: np.ndarray, other: np.ndarray) -> float:
    """How far apart two closed outlines, (k, 2) each, are at most once one is laid on the other as well as may be."""
    laid, goal = (np.asarray(outline, float)[:, :2] for outline in (one, other))
    a, b = _along(laid, _SPACING_MM), _along(goal, _FINE_MM)
    laid, a = laid - a.mean(axis=0) + b.mean(axis=0), a - a.mean(axis=0) + b.mean(axis=0)
    tree = spatial.cKDTree(b)
    for _ in range(_ROUNDS):
        near = b[tree.query(a)[1]]
        middle, onto = a.mean(axis=0), near.mean(axis=0)
        u, _, v = np.linalg.svd((a - middle).T @ (near - onto))
        turn = u @ np.diag([1.0, np.sign(np.linalg.det(u @ v))]) @ v
        laid, a = (laid - middle) @ turn + onto, (a - middle) @ turn + onto
    return float(shapely.hausdorff_distance(shapely.LinearRing(laid), shapely.LinearRing(goal), densify=0.02))


def _along(outline: np.ndarray, spacing_mm: float) -> np.ndarray:
    ring = shapely.LinearRing(outline)
    count = max(int(ring.length / spacing_mm), 16)
    return shapely.get_coordinates(shapely.line_interpolate_point(ring, np.arange(count) / count, normalized=True))


_FATES = (
    ("cut again", "Cut again"),
    ("renumber", "Keep and renumber"),
    ("new", "New"),
    ("not needed", "No longer needed"),
    ("keep", "Keep"),
)


def _fate_words(each: TemplateFate) -> str:
    if each.fate == "cut again":
        return f"{each.name} ({mm(each.off_mm)} off)"
    return f"{each.serves} as {each.name.removeprefix('wall ')}" if each.fate == "renumber" else each.name


def report_lines(before: MouldPlan, after: MouldPlan) -> list[str]:
    """What to order otherwise, and which templates to cut again, in plain lines."""
    changes = order_changes(before, after)
    lines = ["ORDER"]
    if changes:
        lines += [f"  {change.words}" for change in changes]
        total = after.takeoff.total_cost - before.takeoff.total_cost
        lines.append(f"  In all {money(abs(total), after.takeoff.currency)} {'more' if total >= 0 else 'less'}.")
    else:
        lines.append("  As planned: the same packs.")
    fates = template_fates(before, after)
    lines += ["", "TEMPLATES"]
    for fate, said in _FATES:
        which = [_fate_words(each) for each in fates if each.fate == fate]
        if which:
            lines.append(f"  {said}: {listed(which)}.")
    return lines
