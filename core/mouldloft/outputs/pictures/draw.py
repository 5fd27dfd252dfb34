"""Every picture of a plan, into a folder."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from PIL import Image

from ...base.files import make_folder
from ...base.progress import SILENT, Progress
from ...stages.plan import MouldPlan
from .apart import apart_picture
from .locks import lock_picture
from .overlay import save_png
from .peel import peel_picture
from .views import VIEWS, picture_of_view


def draw_pictures(
    plan: MouldPlan, folder: str | Path, progress: Progress = SILENT, renderer: str = "auto"
) -> tuple[Path, ...]:
    """Draw every picture of the plan into `folder` as PNG files and return their paths.

    Five views of the master with its seam (`front.png` and so on), `locks.png`, `apart.png`, `thickness.png` and,
    where gloves were peeled, `peel-1.png` and so on.
    renderer : as for `studio.photograph`. Raises `OutputRefused`, or `Cancelled` between pictures.
    """
    from .thickness import thickness_picture  # which draws with this module

    target = make_folder(folder)
    views = [name for name in VIEWS if name != "three_quarter_behind"]
    drawn: list[tuple[str, str, Callable[[Progress], Image.Image]]] = [
        (name, VIEWS[name][1].lower(), partial(picture_of_view, plan, name, renderer=renderer)) for name in views
    ]
    drawn += [
        ("locks", "undercuts", partial(lock_picture, plan, renderer=renderer)),
        ("apart", "taken apart", partial(apart_picture, plan, renderer=renderer)),
        ("thickness", "how thick the glove is", partial(thickness_picture, plan, renderer=renderer)),
    ]
    gloves = plan.peel.gloves if plan.peel is not None else ()
    for at, glove in enumerate(gloves):
        drawn.append((f"peel-{at + 1}", f"how the {glove.name} is peeled", partial(peel_picture, plan, at)))
    made = []
    for at, (name, what, draw) in enumerate(drawn):
        own = progress.part(at / len(drawn), (at + 1) / len(drawn))
        own.step(0.0, what)
        made.append(save_png(target / f"{name}.png", draw(own)))
    return tuple(made)
