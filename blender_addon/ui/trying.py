"""What the core tries on a plan when asked, as shapes, places and words to show."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from ..work.display import Shape, ramp
from ..work.trials import Peeled, PeelShown, SectionsShown, Told

MOST_FRAMES = 32  # of one glove's motion: more is not seen


def peeled(plan: Any, ways: str, progress: Any) -> PeelShown:
    """The gloves of a plan peeled off the cast. ways : "straight" for a first answer, "all"."""
    from mouldloft.outputs.look import stretch_colours, to_linear
    from mouldloft.outputs.peelwords import glove_line, peel_steps
    from mouldloft.outputs.pictures.peel import glove_to_peel
    from mouldloft.stages.peel import played
    from mouldloft.stages.pipeline import peel_off

    brief = replace(plan.brief, peel=replace(plan.brief.peel, run=True, ways=ways))
    peel = peel_off(plan.master, plan.seam, plan.locks, plan.rubber, brief, plan.catalogue, progress, plan.keys)
    assert peel is not None
    plan = replace(plan, peel=peel)
    shown = []
    for at in sorted(range(len(peel.gloves)), key=lambda k: plan.seam.taking_off.index(peel.gloves[k].name)):
        glove, body = peel.gloves[at], glove_to_peel(plan, at)
        count = len(glove.motion.moved_mm)
        frames = np.unique(np.linspace(0, count - 1, min(count, MOST_FRAMES)).round().astype(int))
        linear = to_linear(np.asarray(body.colours))
        colours = np.column_stack([linear, np.ones(len(linear))]).astype(np.float32)
        places = played(glove.motion, body.vertices_mm, frames)
        shown.append(Peeled(f"Peel, {glove.name}", glove.piece, body.faces, places, colours))
    allowed = 100.0 * peel.stretch_allowed
    marks = ["0", *(f"{allowed * k / 4:.0f}" for k in (1, 2, 3)), f"{allowed:.0f} %"]
    srgb = stretch_colours(np.linspace(0.0, 1.0, 256))
    legend = ramp("Greatest stretch while peeled", srgb, marks, f"{allowed:.0f} % is allowed")
    line = "; ".join(f"{glove.name}: {glove_line(peel, glove)}" for glove in peel.gloves)
    remarks = [f"{glove.name}: {words}" for glove in peel.gloves for words in (*peel_steps(peel, glove), *glove.advice)]
    return PeelShown(shown, legend, Told(line, [*remarks, *peel.left_out], peel.verdict == "off"))


def cut_up(master: Any, brief: Any, catalogue: Any, progress: Any) -> SectionsShown:
    """The sections that the core proposes for a master."""
    from mouldloft.base.figures import counted, kg, mm
    from mouldloft.outputs.look import PLASTER, rgb
    from mouldloft.stages.sections import propose_sections
    from mouldloft.trade.lifting import hands_words

    progress.begin("Sections")
    found = propose_sections(master, brief, catalogue, progress)
    by_number = {cut.number: cut for cut in found.cuts}
    moves: dict[int, np.ndarray] = {}

    def move_of(part: int) -> np.ndarray:
        """Off along its own cut, and along with what carries it."""
        cut = by_number.get(found.parts[part].stands_on)
        if part not in moves:
            moves[part] = np.zeros(3) if cut is None else cut.section.normal + move_of(cut.leaves)
        return moves[part]

    shapes = []
    for number, part in enumerate(found.parts if found.cuts else ()):
        x, y, z = (float(v) for v in move_of(number))
        shapes.append(
            Shape(part.name.capitalize(), "section", number, part.vertices_mm, part.faces, rgb(PLASTER),
                  way=(x, y, z), reach_mm=0.4 * max(master.size_mm))
        )  # fmt: skip
    asks = [f"In one: {words}." for words in found.asks] or ["Nothing asks for a cut: in one it is reached, carried."]
    cuts = [f"Cut {cut.number}: {cut.why}" for cut in found.cuts]
    parts = [
        f"{part.name.capitalize()}: {' × '.join(mm(size) for size in part.size_mm)}; cast {kg(part.cast_kg)}, heavier "
        f"half of the jacket {kg(part.jacket_kg)}, {hands_words(part.people)}"
        for part in (found.parts if found.cuts else ())
    ]
    left = [f"Still over a limit: {words}." for words in found.left if found.cuts]
    line = f"{counted(len(found.parts), 'part')}, {counted(len(found.cuts), 'cut')}" if found.cuts else "No cut"
    return SectionsShown(shapes, Told(line, [*asks, *cuts, *parts, *left, *found.notes], not left))
