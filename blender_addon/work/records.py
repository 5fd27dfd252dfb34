"""Records of the sections that ran, by the stamp of what they followed from."""

from __future__ import annotations

from collections import OrderedDict

from .sections import KEYS, Records

KEPT_RESULTS = 40  # sections' results kept, the oldest go first; undo finds the ones before

_records: OrderedDict[tuple[str, str], Records] = OrderedDict()


def keep(key: str, stamp: str, records: Records) -> None:
    """Remember a section's records under the stamp of what they followed from."""
    _records[key, stamp] = records
    _records.move_to_end((key, stamp))
    while len(_records) > KEPT_RESULTS:
        _records.popitem(last=False)


def kept(key: str, stamp: str) -> Records | None:
    """A section's records, or None where it has not run on this input in this session."""
    return _records.get((key, stamp))


def done_up_to(key: str | None, stamps: dict[str, str]) -> Records:
    """Records of all sections up to and with `key` (None: all) that are up to date, in one dict."""
    done: Records = {}
    for section in KEYS:
        records = kept(section, stamps[section])
        if records is None:
            break
        done.update(records)
        if section == key:
            break
    return done


def forget() -> None:
    """Drop all records: another file was opened."""
    _records.clear()
