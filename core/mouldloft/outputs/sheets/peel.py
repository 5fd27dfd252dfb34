"""How to peel, on the workshop's sheets: frames, steps and figures of every glove that was peeled by mechanics."""

from __future__ import annotations

from reportlab.platypus import Flowable, PageBreak, Spacer

from ...base.figures import listed, newtons, percent
from ...base.progress import SILENT, Progress
from ...stages.peel import Peel, PeeledGlove, TriedPeel, is_gentle
from ...stages.plan import MouldPlan
from ..peelwords import glove_line, peel_steps, span_words
from ..pictures.peel import peel_picture
from .typeset import facts_table, heading, picture_panel, ruled_table, set_text

_NOTE = (
    "Worked out by mechanics on the glove as planned, never a promise: pull slowly, stop where it does not give. "
    "Lifting and pulling hurt backs: enough people, feet apart, nobody under the glove."
)


def peel_pages(plan: MouldPlan, inner: float, progress: Progress = SILENT) -> list[Flowable]:
    """A page for each glove; empty where none was peeled."""
    peel = plan.peel
    if peel is None:
        return []
    story: list[Flowable] = []
    for at, glove in enumerate(peel.gloves):
        story += [PageBreak()] if at else []
        story += heading(f"How to peel: {glove.name}", _NOTE)
        story.append(picture_panel(peel_picture(plan, at, progress), inner, 255))
        story += [Spacer(1, 6)]
        for k, words in enumerate(peel_steps(peel, glove), 1):
            story += [set_text(f"{k}. {words}", size=9.2, leading=12.4), Spacer(1, 2)]
        story += [Spacer(1, 6), facts_table(_facts(peel, glove), inner, 0.2), Spacer(1, 6)]
        story.append(_tries_table(peel, glove, inner))
    return story


def _tries_table(peel: Peel, glove: PeeledGlove, inner: float) -> Flowable:
    """A row for each way, size of cells and most that the hands pulled; stretch and pull with each friction beside one
    another."""
    head = ["Way", "Cells"]
    for friction in peel.frictions:
        head += [f"Stretch, friction {friction:g}", f"Pull, friction {friction:g}"]
    rows = []
    for kind in dict.fromkeys((t.way, t.pitch_mm, t.hands_n) for t in glove.tries):
        own = {t.friction: t for t in glove.tries if (t.way, t.pitch_mm, t.hands_n) == kind}
        way, pitch, hands = kind
        row = [f"{way}, gently" if is_gentle(hands, peel.hands_n) else way, f"{pitch:.0f} mm"]
        for friction in peel.frictions:
            row += _cells(own.get(friction))
        rows.append(row)
    widths = [0.3, 0.1, *[0.6 / (2 * len(peel.frictions))] * (2 * len(peel.frictions))]
    return ruled_table(head, rows, [inner * share for share in widths], tight=True)


def _cells(tried: TriedPeel | None) -> list[str]:
    if tried is None:
        return ["", ""]
    ends = f"{'torn' if tried.torn else 'held'}, {percent(tried.freed)} clear"
    return [percent(tried.stretch), newtons(tried.force_n) if tried.off else ends]


def _hands_words(peel: Peel, glove: PeeledGlove) -> str:
    """What the hands may pull, and what they were let pull in the tries, gently first."""
    said = f"{peel.hands_n:.0f} N together at most; friction {listed(f'{f:g}' for f in peel.frictions)}"
    gentle = [t.hands_n for t in glove.tries if is_gentle(t.hands_n, peel.hands_n)]
    if gentle:
        said += f"; gently: {max(gentle):.0f} N at most, else up to {max(t.hands_n for t in glove.tries):.0f} N"
    return said


def _facts(peel: Peel, glove: PeeledGlove) -> list[tuple[str, str]]:
    return [
        ("Verdict", glove_line(peel, glove)),
        (
            "First look by rule",
            f"{percent(glove.rule_stretch)} (depth over ring radius); mechanics, where both stand, decide: "
            f"{span_words(glove.stretch_low, glove.stretch_high, '%')}, a mean over {peel.average_mm:g} mm",
        ),
        ("Hands", _hands_words(peel, glove)),
        ("Left out", listed(peel.left_out)),
    ]
