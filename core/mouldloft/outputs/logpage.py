"""The log as a page: used over planned entry by entry, casts by weight and hours, tears. No network needed."""

from __future__ import annotations

from html import escape
from pathlib import Path
from string import Template

import numpy as np

from ..asbuilt.review import LogReview, Reading, review_lines
from ..base.figures import counted, number, percent, round_step
from ..base.files import write_text
from ..stages.plan import MouldPlan
from .look import BACKDROP, GLOVE, HAIRLINE, INK, JACKET, SEAM, SOFT_INK
from .words import run_line, title_of

_WIDE, _TALL = 760.0, 190.0  # of one chart, SVG units
_LEFT, _RIGHT, _TOP, _FOOT = 46.0, 96.0, 14.0, 34.0


def write_log_page(plan: MouldPlan, review: LogReview, path: str | Path, beside_plan: bool = False) -> Path:
    """Write the page; beside_plan : the plan's own page lies in the same folder. Raises `OutputRefused`."""
    return write_text(path, log_page(plan, review, beside_plan))


def log_page(plan: MouldPlan, review: LogReview, beside_plan: bool = False) -> str:
    """The page as HTML; names and notes of the user are escaped."""
    charts = "".join(_figure(reading) for reading in review.readings)
    return _PAGE.substitute(
        title=escape(f"Run log: {title_of(plan)}"),
        run=escape(run_line(plan).capitalize()) + (' · <a href="plan.html">the plan</a>' if beside_plan else ""),
        charts=charts + _life(review),
        words=escape("\n".join(review_lines(review))),
        ink=INK, soft=SOFT_INK, line=HAIRLINE, seam=SEAM, back=BACKDROP,
    )  # fmt: skip


def _figure(reading: Reading) -> str:
    f = reading.factor
    said = (
        f"factor {number(f.likely)}, mean's 95 % interval {number(f.low)} to {number(f.high)}, one entry spreads ± "
        f"{percent(f.spread)}"
        if f.observations > 1
        else "one entry: no interval yet"
    )
    entries = counted(f.observations, "entry", "entries")
    return (
        f"<figure><figcaption><b>{escape(reading.what)}</b> used over planned, {entries}: {said}</figcaption>"
        f"{_ratio_chart(reading)}</figure>"
    )


def _ratio_chart(reading: Reading) -> str:
    """A dot for each entry at used over planned, the plan at 1, the factor's band."""
    ratio = np.array(reading.used) / np.array(reading.planned)
    f = reading.factor
    most = max(float(ratio.max()), f.high, 1.0)
    step = round_step(most * 1.05, 4)
    top = step * np.ceil(most * 1.05 / step)

    def y(value: float) -> float:
        return _TOP + (_TALL - _TOP - _FOOT) * (1 - value / top)

    def x(at: int) -> float:
        return _LEFT + (_WIDE - _LEFT - _RIGHT) * (at + 0.5) / len(ratio)

    right = _WIDE - _RIGHT
    parts = [_grid(top, step, y)]
    if f.observations > 1:
        low = max(f.low, 0.0)
        parts.append(
            f'<rect x="{_LEFT}" y="{y(f.high):.1f}" width="{right - _LEFT}" height="{y(low) - y(f.high):.1f}" '
            f'fill="{GLOVE}" opacity=".28"/>'
        )
    parts.append(_level(y(f.likely), right, GLOVE, f"logged {number(f.likely)}", y(1.0), 2.2))
    parts.append(_level(y(1.0), right, INK, "planned 1", y(f.likely), 1.2))
    for at, value in enumerate(ratio):
        both = f"planned {number(reading.planned[at])}, used {number(reading.used[at])} {reading.unit}"
        words = f"{reading.names[at]}: {both}"
        parts.append(
            f'<circle cx="{x(at):.1f}" cy="{y(float(value)):.1f}" r="4.5" fill="{SEAM}"><title>{escape(words)}</title>'
            "</circle>"
        )
    if len(ratio) <= 16:
        for at, name in enumerate(reading.names):
            short = name.removeprefix("cast ") if name.startswith("cast ") else str(at + 1)
            parts.append(f'<text x="{x(at):.1f}" y="{_TALL - 18}" text-anchor="middle">{escape(short)}</text>')
    below = "cast" if reading.names[0].startswith("cast ") else "coat, in the order logged"
    parts.append(f'<text x="{_LEFT}" y="{_TALL - 4}">{below}</text>')
    return _svg(parts, f"{reading.what}, used over planned")


def _grid(top: float, step: float, y) -> str:
    lines = []
    for value in np.arange(0.0, top + step / 2, step):
        at = y(float(value))
        lines.append(
            f'<line x1="{_LEFT}" x2="{_WIDE - _RIGHT}" y1="{at:.1f}" y2="{at:.1f}" stroke="{HAIRLINE}"/>'
            f'<text x="{_LEFT - 6}" y="{at + 4:.1f}" text-anchor="end">{value:.3g}</text>'
        )
    return "".join(lines)


def _level(at: float, right: float, colour: str, words: str, beside: float, wide: float) -> str:
    """A level line with its words at the right, kept apart from the other line's words."""
    down = 4.0 + (7.0 if at >= beside else -7.0) * (abs(at - beside) < 14)
    return (
        f'<line x1="{_LEFT}" x2="{right}" y1="{at:.1f}" y2="{at:.1f}" stroke="{colour}" stroke-width="{wide}"/>'
        f'<text x="{right + 6}" y="{at + down:.1f}">{escape(words)}</text>'
    )


def _life(review: LogReview) -> str:
    """A square for each cast: taken, with its tears, and to come; a line where the rule expects the glove's end."""
    life = review.life
    whole = life.taken + life.to_come
    if not whole:
        return ""
    size = min(34.0, (_WIDE - _LEFT - 20) / max(whole, life.expected + 1))
    parts = []
    for at in range(whole):
        x = _LEFT + at * size
        taken = at < life.taken
        fill, side = JACKET if taken else "none", f"{size - 3:.1f}"
        parts.append(f'<rect x="{x + 1:.1f}" y="30" width="{side}" height="{side}" fill="{fill}" stroke="{SOFT_INK}"/>')
        tears = review.casts[at].tears if taken else 0
        name = str(review.casts[at].number) if taken else "to come" if at == life.taken else ""
        anchor, middle = ("middle", x + size / 2) if taken else ("start", x + 1)
        parts.append(f'<text x="{middle:.1f}" y="{42 + size:.1f}" text-anchor="{anchor}">{name}</text>')
        if tears:
            parts.append(
                f'<text x="{x + size / 2 - 1:.1f}" y="{30 + size / 2 + 4:.1f}" text-anchor="middle" fill="{SEAM}" '
                f'font-weight="600">{tears}</text>'
            )
    end = _LEFT + min(life.expected, whole + 1.0) * size
    more = "" if life.expected <= whole + 1 else " or later"
    parts.append(
        f'<line x1="{end:.1f}" x2="{end:.1f}" y1="18" y2="{36 + size:.1f}" stroke="{SEAM}" stroke-width="2"/>'
        f'<text x="{end:.1f}" y="12" text-anchor="middle">about {life.expected:.0f} expected{more}</text>'
    )
    said = f"{counted(life.taken, 'cast')} taken, {life.to_come} to come; the figure in a square is tears of the glove"
    return f"<figure><figcaption><b>Mould</b> {escape(said)}</figcaption>{_svg(parts, said, 100.0)}</figure>"


def _svg(parts: list[str], words: str, tall: float = _TALL) -> str:
    return (
        f'<svg viewBox="0 0 {_WIDE:.0f} {tall:.0f}" role="img" aria-label="{escape(words)}">'
        + "".join(parts)
        + "</svg>"
    )


_PAGE = Template("""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>$title</title>
<style>
body { font: 15px/1.45 system-ui, sans-serif; color: $ink; background: $back; margin: 0 auto; padding: 28px 20px 48px;
  max-width: 50rem; }
h1 { font-weight: 400; font-size: 26px; margin: 0; overflow-wrap: anywhere; }
h1::before { content: ""; display: block; width: 34px; height: 3px; background: $seam; margin-bottom: 10px; }
p { color: $soft; margin: 4px 0 18px; }
a { color: $seam; }
figure { margin: 0 0 22px; }
figcaption { color: $soft; margin-bottom: 4px; }
figcaption b { color: $ink; font-weight: 600; }
svg { display: block; width: 100%; height: auto; font: 12px system-ui, sans-serif; fill: $soft; }
pre { font: 13px/1.5 ui-monospace, monospace; white-space: pre-wrap; border-top: 1px solid $line; padding-top: 14px; }
</style></head><body>
<h1>$title</h1>
<p>$run</p>
$charts
<pre>$words</pre>
</body></html>
""")
