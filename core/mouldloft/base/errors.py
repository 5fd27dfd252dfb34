"""The ways a plan can be refused: each message is one sentence saying what is wrong and what to do."""

from __future__ import annotations


class MouldloftError(Exception):
    """Base of every refusal. `str(error)` is one sentence for the person at the bench."""

    exit_code = 1


class MasterRefused(MouldloftError):
    """The master file or mesh cannot be planned from (unreadable, empty, NaN, absurd size, unrepairable)."""

    exit_code = 2


class BriefRefused(MouldloftError):
    """The brief asks for something malformed or impossible."""

    exit_code = 3


class CatalogueRefused(MouldloftError):
    """The material catalogue is malformed or lacks a material that the plan needs."""

    exit_code = 4


class OutputRefused(MouldloftError):
    """A result cannot be written (permission, full disk, path); what was there before is untouched."""

    exit_code = 5


class PlanFileRefused(MouldloftError):
    """A saved plan cannot be reopened (truncated, other version, fields missing)."""

    exit_code = 6


class PlanImpossible(MouldloftError):
    """The geometry allows no plan within the brief's limits; the sentence says which limit and what to change."""

    exit_code = 7


class Cancelled(MouldloftError):
    """The user stopped the work; nothing was written."""

    exit_code = 130
