"""Long work in a thread of its own: reported while it runs, stopped at once."""

import threading
import time

import pytest
from mouldloft.base.errors import Cancelled
from mouldloft.base.progress import Progress
from mouldloft.base.threads import meanwhile


def test_silent_work_is_told_of_while_it_runs():
    at, said = [], []
    heard = Progress(lambda _stage, fraction, note: (at.append(time.perf_counter()), said.append((fraction, note))))

    def work(own):
        time.sleep(0.7)
        own.step(0.3, "the hard part")
        time.sleep(0.7)
        return 7

    heard.step(0.1, "what came before")
    began = time.perf_counter()
    assert meanwhile(work, heard) == 7
    assert list(dict.fromkeys(said)) == [(0.1, "what came before"), (0.3, "the hard part")]
    gaps = [b - a for a, b in zip([began, *at], at)]
    assert len(at) >= 2
    assert max(gaps) < 1.0


def test_it_is_stopped_at_once_and_ends_at_its_next_step():
    release, ended = threading.Event(), threading.Event()
    heard = Progress()

    def work(own):
        release.wait(20.0)
        try:
            own.step(0.5)
        except Cancelled:
            ended.set()
            raise

    threading.Timer(0.2, heard.cancel).start()
    began = time.perf_counter()
    with pytest.raises(Cancelled):
        meanwhile(work, heard)
    assert time.perf_counter() - began < 1.5  # while the work hangs still
    release.set()
    assert ended.wait(5.0)


def test_a_step_that_comes_soon_is_waited_for():
    """What was being written is then written no longer when its folder is taken away."""
    ended = []
    heard = Progress()

    def work(own):
        try:
            while True:
                time.sleep(0.05)
                own.step(0.5)
        finally:
            time.sleep(0.1)
            ended.append(True)

    threading.Timer(0.2, heard.cancel).start()
    with pytest.raises(Cancelled):
        meanwhile(work, heard)
    assert ended


def test_what_it_raises_is_raised():
    with pytest.raises(ValueError, match="torn"):
        meanwhile(lambda _own: (_ for _ in ()).throw(ValueError("torn")))


def test_stages_are_handed_on_with_every_step_in_order():
    said = []
    heard = Progress(lambda *step: said.append(step))

    def work(own):
        for stage in ("rubber", "jacket"):
            own.begin(stage)
            for k in range(1, 4):
                own.step(k / 4, f"{k} of 3")

    meanwhile(work, heard)
    steps = [(k / 4, f"{k} of 3") for k in range(1, 4)]
    assert list(dict.fromkeys(said)) == [
        (stage, *step) for stage in ("rubber", "jacket") for step in [(0.0, ""), *steps]
    ]
