"""The run as it went: weighed amounts, hours, tears and shrinkage from the bench, read from TOML or CSV."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Annotated, Any, get_type_hints

import msgspec

from ..base.errors import BriefRefused
from ..base.files import in_plain_words, read_small_text, read_toml

Amount = Annotated[float, msgspec.Meta(ge=0, le=1e5)]
Length = Annotated[float, msgspec.Meta(gt=0, le=1e5)]
Celsius = Annotated[float, msgspec.Meta(ge=-20, le=60)]
Words = Annotated[str, msgspec.Meta(max_length=200)]
Count = Annotated[int, msgspec.Meta(ge=0, le=10_000)]


@dataclass(frozen=True)
class CoatEntry:
    """One coat of rubber on one glove, mixed and spread."""

    piece: Words
    coat: Words
    rubber_kg: Amount
    hours: Amount | None = None
    temperature_c: Celsius | None = None
    date: Words = ""
    note: Words = ""


@dataclass(frozen=True)
class CastEntry:
    """One cast of the run; number 0 is an extra trial cast. weight_kg : after trimming, with its baseboard; tears : of
    the glove, counted at opening."""

    number: Annotated[int, msgspec.Meta(ge=0, le=10_000)]
    weight_kg: Amount | None = None
    gelcoat_kg: Amount | None = None
    resin_kg: Amount | None = None
    glass_kg: Amount | None = None
    hours: Amount | None = None
    temperature_c: Celsius | None = None
    tears: Count = 0
    date: Words = ""
    note: Words = ""


@dataclass(frozen=True)
class MarksEntry:
    """The distance between two marks on the master (or an earlier cast) and on a later one."""

    what: Words
    before_mm: Length
    after_mm: Length
    cast: Annotated[int, msgspec.Meta(ge=0, le=10_000)] = 0


@dataclass(frozen=True)
class RunLog:
    """All that the bench wrote down, in its order."""

    coats: tuple[CoatEntry, ...] = ()
    casts: tuple[CastEntry, ...] = ()
    marks: tuple[MarksEntry, ...] = ()


_TABLES = {"coat": (CoatEntry, "coats"), "cast": (CastEntry, "casts"), "marks": (MarksEntry, "marks")}


def read_log(path: str | Path) -> RunLog:
    """A log in TOML ([[coat]], [[cast]], [[marks]] tables) or CSV (a column `kind`: coat, cast or marks; rows
    that only name their coat or cast are not filled in yet, and passed over).

    Raises `BriefRefused` with one sentence for a file that cannot be read, an unknown column, a value out of range,
    or a cast entered twice.
    """
    try:
        rows = _csv_rows(path) if Path(path).suffix.lower() == ".csv" else _toml_rows(path)
    except OSError as error:
        raise BriefRefused(f"The log {Path(path).name} cannot be read ({error.strerror or error}).") from None
    except (ValueError, csv.Error) as error:
        raise BriefRefused(f"The log {Path(path).name} cannot be read: {error}; mend it and run again.") from None
    log = RunLog(**{into: tuple(_entry(kind, row, where) for k, row, where in rows if k == kind)
                    for kind, (_, into) in _TABLES.items()})  # fmt: skip
    numbers = [entry.number for entry in log.casts]
    if twice := [number for number in set(numbers) if numbers.count(number) > 1]:
        raise BriefRefused(f"The log has cast {min(twice)} twice; give each cast its own number.")
    if not (log.coats or log.casts or log.marks):
        raise BriefRefused("The log is empty: it holds no [[coat]], [[cast]] or [[marks]] entry.")
    return log


_NAMES = {"coat": {"piece", "coat"}, "cast": {"number"}, "marks": {"what"}}  # what an entry is of

Row = tuple[str, dict[str, Any], str]


def _toml_rows(path: str | Path) -> list[Row]:
    found = []
    for kind, entries in read_toml(path).items():
        if kind not in _TABLES or not isinstance(entries, list):
            raise ValueError(f"{str(kind)[:40]!r} is no [[coat]], [[cast]] or [[marks]] table")
        found += [(kind, dict(row), f"[[{kind}]] number {k}") for k, row in enumerate(entries, 1)]
    return found


def _csv_rows(path: str | Path) -> list[Row]:
    """Comma or semicolon, decimal point or comma; empty cells are left out."""
    text = read_small_text(path)
    head = text.partition("\n")[0]
    mark = ";" if head.count(";") > head.count(",") else ","
    found = []
    for line, row in enumerate(csv.DictReader(io.StringIO(text), delimiter=mark), 2):
        cells = {str(k).strip(): v.strip() for k, v in row.items() if isinstance(v, str) and v.strip()}
        if None in row:
            raise ValueError(f"line {line} has more cells than the head line")
        kind = cells.pop("kind", "")
        if not cells and not kind:
            continue
        if kind in _TABLES and not cells.keys() - _NAMES[kind]:
            continue  # a row of the blank log that nobody has filled in
        if kind not in _TABLES:
            raise ValueError(f"line {line} says kind {kind[:40]!r}, which is none of coat, cast, marks")
        hints = get_type_hints(_TABLES[kind][0], include_extras=False)
        found.append((kind, {k: _number(v, hints.get(k), mark) for k, v in cells.items()}, f"line {line}"))
    return found


def _number(cell: str, wanted: object, mark: str) -> object:
    if wanted is str or wanted is None:
        return cell
    plain = cell.replace(",", ".") if mark == ";" else cell
    try:
        return int(plain) if wanted is int else float(plain)
    except ValueError:
        return cell  # the schema says what is wrong with it


def _entry(kind: str, row: dict[str, Any], where: str) -> Any:
    known = _TABLES[kind][0]
    names = [item.name for item in fields(known)]
    if unknown := [name for name in row if name not in names]:
        raise BriefRefused(f"The log's {where} has {unknown[0][:40]!r}, which is not known; use: {', '.join(names)}.")
    if hasattr(row.get("date"), "isoformat"):
        row = row | {"date": row["date"].isoformat()}
    try:
        return msgspec.convert(row, known, strict=True)
    except msgspec.ValidationError as error:
        raise BriefRefused(f"The log's {where} is not right: {in_plain_words(str(error))}; correct it.") from None
