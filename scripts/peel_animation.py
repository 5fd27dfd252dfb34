"""A glove coming off its cast, as an animated picture, from a plan made with `--peel`.

python scripts/peel_animation.py PLAN_FOLDER OUT.gif [PIECE]      PIECE: 0 for the first glove
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from mouldloft.outputs.look import SOFT_INK
from mouldloft.outputs.pictures.overlay import Overlay
from mouldloft.outputs.pictures.peel import peel_frames
from mouldloft.outputs.planfile import open_plan
from mouldloft.stages.plan import MouldPlan
from PIL import Image, ImageChops

_FRAMES, _SIZE, _FOOT_PX, _EDGE_PX = 22, (560, 680), 30, 14
_FRAME_MS, _REST_MS = 140, 1600  # a frame, and the last one, stands so long
_COLOURS = 96


def animated(plan: MouldPlan, at: int) -> list[Image.Image]:
    """Frames, cut to what any of them shows, with what each shows in words below it."""
    frames = peel_frames(plan, at, _FRAMES, _SIZE)
    ground = Image.new("RGB", _SIZE, frames[0][0].getpixel((2, 2)))
    shown = np.array([ImageChops.difference(picture, ground).point(_seen).getbbox() for picture, _ in frames])
    box = (*np.maximum(shown[:, :2].min(axis=0) - _EDGE_PX, 0), *(shown[:, 2:].max(axis=0) + _EDGE_PX))
    made = []
    for picture, words in frames:
        cut = picture.crop(tuple(int(v) for v in box))
        whole = Image.new("RGB", (cut.width, cut.height + _FOOT_PX), ground.getpixel((0, 0)))
        whole.paste(cut, (0, 0))
        over = Overlay(np.asarray(whole))
        over.text(cut.width / 2, cut.height + 12, words, 18, "regular", SOFT_INK, "mm")
        made.append(over.finished())
    return made


def _seen(value: int) -> int:
    return 255 if value > 8 else 0


def main() -> None:
    """Draw and write it."""
    plan, out = open_plan(Path(sys.argv[1])), Path(sys.argv[2])
    frames = animated(plan, int(sys.argv[3]) if len(sys.argv) > 3 else 0)
    palette = frames[len(frames) // 2].quantize(_COLOURS)  # one for all, so that the ground does not flicker
    drawn = [frame.convert("RGB").quantize(palette=palette, dither=Image.Dither.NONE) for frame in frames]
    times = [_FRAME_MS] * (len(drawn) - 1) + [_REST_MS]
    drawn[0].save(out, save_all=True, append_images=drawn[1:], duration=times, loop=0, optimize=True)
    print(f"{out}: {len(drawn)} frames, {out.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
