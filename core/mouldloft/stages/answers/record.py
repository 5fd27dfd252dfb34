"""What the answers hold."""

from __future__ import annotations

from dataclasses import dataclass

from ...trade.answers import Answer


@dataclass(frozen=True)
class Answers:
    """rows : the table, one line an answer; none where two pieces keep every limit and no more were asked for. asks :
    in words, why it is drawn up. notes : what could not be weighed, and why."""

    rows: tuple[Answer, ...]
    asks: tuple[str, ...]
    notes: tuple[str, ...] = ()
