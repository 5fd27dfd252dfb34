"""Stage 11, programme: batches inside pot life, coats, waits and days."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Task:
    """One piece of work or wait. hours count from the start of day 1; hands 0 is an unattended wait."""

    name: str
    stage: str
    start_h: float
    duration_h: float
    hands: int
    day: int
    date: str  # ISO, or "" where the brief gives no start date
    note: str


@dataclass(frozen=True)
class Batch:
    """What can be mixed and spread inside the pot life."""

    coat: str
    piece: str
    batches: int
    batch_kg: float
    pot_life_min: float
    brushing_min: float
    catalyst_g: float


@dataclass(frozen=True)
class Programme:
    tasks: tuple[Task, ...]
    batches: tuple[Batch, ...]
    mould_days: int
    run_days: int
    temperature_note: str
