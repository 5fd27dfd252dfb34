"""Work shared out over threads, with progress and a way to stop."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from queue import Empty, SimpleQueue
from threading import Thread
from typing import TypeVar

from .progress import SILENT, Progress

WORKERS = max(2, min(os.cpu_count() or 2, 8))  # kernels, embree and numpy release the interpreter's lock
_TICK_S = 0.4
_PATIENCE_S = 0.5

Item = TypeVar("Item")
Result = TypeVar("Result")


def in_threads(
    work: Callable[[Item], Result],
    items: Iterable[Item],
    progress: Progress = SILENT,
    span: tuple[float, float] = (0.0, 1.0),
    note: str = "",
) -> list[Result]:
    """[work(item) for item in items], in threads; results in the order of the items.

    Steps `progress` over the fractions of `span` as items are done, and while a long one runs. When that raises
    `Cancelled`, items not yet begun are dropped and nothing is waited for.
    """
    pool = ThreadPoolExecutor(WORKERS)
    try:
        futures: list[Future[Result]] = [pool.submit(work, item) for item in items]
        waiting, done = set(futures), 0
        while waiting:
            finished, waiting = wait(waiting, timeout=_TICK_S)
            for future in finished:
                future.result()  # raises what the work raised
            done += len(finished)
            progress.step(span[0] + (span[1] - span[0]) * done / len(futures), note)
        return [future.result() for future in futures]
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def meanwhile(work: Callable[[Progress], Result], progress: Progress = SILENT) -> Result:
    """work(own progress), in a thread of its own; what it begins and steps is handed on, and the last of it again and
    again while nothing new comes.

    For libraries that are asked for seconds at a time. When `progress` raises `Cancelled`, or this thread is
    interrupted, the work is stopped at its next step, which is waited for half a second and no longer.
    """
    said: SimpleQueue[tuple[str, float, str] | None] = SimpleQueue()
    own = Progress(lambda *step: said.put(step))
    done = Future[Result]()

    def run() -> None:
        try:
            done.set_result(work(own))
        except BaseException as error:  # raised where it is waited for
            done.set_exception(error)
        said.put(None)

    thread = Thread(target=run, daemon=True)  # no one waits for it when the program ends
    thread.start()
    try:
        _hand_on(said, progress)
        return done.result()
    finally:
        own.cancel()
        thread.join(_PATIENCE_S)  # what it writes into is taken away next


def _hand_on(said: SimpleQueue[tuple[str, float, str] | None], progress: Progress) -> None:
    """Steps as they are said, until None."""
    at = ""
    while True:
        try:
            step = said.get(timeout=_TICK_S)
        except Empty:
            progress.step(*progress.last)
            continue
        if step is None:
            return
        stage, fraction, note = step
        if stage != at:
            progress.begin(stage)
            at = stage
        progress.step(fraction, note)
