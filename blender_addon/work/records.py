"""Records of the sections that ran, by the stamp of what they followed from."""

from __future__ import annotations

from collections import OrderedDict

from .sections import KEYS, Records

KEPT_EACH = 3  # results of each section kept, the oldest go first; undo finds the ones before

_records: dict[str, OrderedDict[str, Records]] = {key: OrderedDict() for key in KEYS}


def keep(key: str, stamp: str, records: Records) -> None:
    """Remember a section's records under the stamp of what they followed from."""
    own = _records[key]
    own[stamp] = records
    own.move_to_end(stamp)
    while len(own) > KEPT_EACH:
        own.popitem(last=False)


def kept(key: str, stamp: str) -> Records | None:
    """A section's records, or None where it has not run on this input in this session."""
    return _records[key].get(stamp)


def done_up_to(key: str | None, stamps: dict[str, str]) -> Records:
    """Records of all sections up to and with `key` (None: all) that are up to date, in one dict.

    Its stamp says that a section is: it holds the stamps of all it follows from.
    """
    done: Records = {}
    for section in KEYS:
        done.update(kept(section, stamps[section]) or {})
        if section == key:
            break
    return done


def forget() -> None:
    """Drop all records: another file was opened."""
    for own in _records.values():
        own.clear()
