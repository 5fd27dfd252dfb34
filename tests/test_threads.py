"""Work beside other work: what it gives, what it raises, and that it never outlives the body it stands beside."""

import threading

import pytest
from mouldloft.errors import Cancelled, PlanImpossible
from mouldloft.progress import Progress
from mouldloft.threads import Beside


def until_stopped(started: threading.Event, ended: list[str]):
    def work(progress: Progress) -> None:
        started.set()
        try:
            while True:
                progress.step(0.5, "at it")
        except Cancelled:
            ended.append("stopped")
            raise

    return work


def test_its_result_and_its_progress_are_the_caller_s():
    heard, going, may_end = [], threading.Event(), threading.Event()

    def work(progress: Progress) -> int:
        progress.step(0.7, "half of it")
        going.set()
        may_end.wait(30)
        return 42

    def hear(stage: str, fraction: float, note: str) -> None:
        heard.append((stage, fraction, note))
        if fraction == 0.7:
            may_end.set()

    progress = Progress(hear)
    with Beside(work, progress) as beside:
        going.wait(30)
        assert heard == []  # it says nothing while other work has the word
        progress.begin("solids")
        assert beside.result() == 42
    assert set(heard[1:]) == {("solids", 0.7, "half of it")}


def test_what_it_raises_is_raised_where_it_is_asked_for():
    def work(_progress: Progress) -> None:
        raise PlanImpossible("No.")

    with Beside(work) as beside, pytest.raises(PlanImpossible, match=r"No\."):
        beside.result()


def test_it_stops_with_the_caller_and_when_the_caller_fails():
    for fail in (Cancelled, OSError):
        started, ended = threading.Event(), []
        progress = Progress()
        with pytest.raises(fail), Beside(until_stopped(started, ended), progress) as beside:  # noqa: PT012
            assert started.wait(30)
            if fail is OSError:
                raise OSError("disk full")
            progress.cancel()
            beside.result()
        assert ended == ["stopped"]
