"""A saved plan reopens to the same plan, and refuses what is not one."""

from __future__ import annotations

import json
from dataclasses import fields, is_dataclass

import numpy as np
import pytest
from mouldloft.base.errors import OutputRefused, PlanFileRefused
from mouldloft.outputs.planfile import decode_record, encode_record, open_plan, save_plan
from mouldloft.outputs.summary import summary_text
from mouldloft.stages.master import Health


def same(a, b, path="plan"):
    """Deep equality that names the first difference; arrays by dtype, shape and value."""
    assert type(a) is type(b) or (isinstance(a, float) and isinstance(b, float)), path
    if isinstance(a, np.ndarray):
        assert a.dtype == b.dtype, path
        assert np.array_equal(a, b, equal_nan=a.dtype.kind == "f"), path
    elif is_dataclass(a):
        for f in fields(a):
            same(getattr(a, f.name), getattr(b, f.name), f"{path}.{f.name}")
    elif isinstance(a, tuple):
        assert len(a) == len(b), path
        for k, (x, y) in enumerate(zip(a, b)):
            same(x, y, f"{path}[{k}]")
    else:
        assert a == b or (a != a and b != b), path


@pytest.fixture
def saved(small_plan, tmp_path):
    return save_plan(small_plan, tmp_path / "plan")


def test_plan_reopens_whole(small_plan, saved):
    again = open_plan(saved)
    same(small_plan, again)
    assert summary_text(again) == summary_text(small_plan)
    same(small_plan, open_plan(saved.parent))


def test_saving_twice_gives_the_same_bytes_and_no_litter(small_plan, saved):
    before = {p.name: p.read_bytes() for p in saved.parent.iterdir()}
    save_plan(small_plan, saved.parent)
    assert {p.name: p.read_bytes() for p in saved.parent.iterdir()} == before
    assert len(before) == 2


@pytest.mark.parametrize("cut", [0, 10, 1000, -40])
def test_truncated_plan_is_refused(saved, cut):
    saved.write_bytes(saved.read_bytes()[:cut])
    with pytest.raises(PlanFileRefused, match=r"cannot be reopened .*; make it again"):
        open_plan(saved)


def test_tampered_arrays_are_refused(saved):
    arrays = next(saved.parent.glob("*.npz"))
    data = bytearray(arrays.read_bytes())
    data[len(data) // 2] ^= 1
    arrays.write_bytes(data)
    with pytest.raises(PlanFileRefused, match="changed since"):
        open_plan(saved)


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("version", 99, "version 99"),
        ("format", "other", "not a mouldloft plan"),
        ("arrays", "../../x.npz", "outside its folder"),
        ("plan", {}, "cannot be reopened"),
        ("plan", {"brief": 3}, "cannot be reopened"),
    ],
)
def test_altered_plan_is_refused(saved, key, value, says):
    record = json.loads(saved.read_text())
    record[key] = value
    saved.write_text(json.dumps(record))
    with pytest.raises(PlanFileRefused, match=says):
        open_plan(saved)


def test_a_record_of_other_fields_is_refused_in_one_sentence():
    health = Health(3, 0, False, 0, 1, 0, True, notes=("stands on its tip",))
    written = encode_record(health, "", {})
    assert decode_record(written, Health, {}).notes == ("stands on its tip",)
    later = {name: value for name, value in written.items() if name != "split_from"}
    assert decode_record(later, Health, {}).split_from == 0  # came later, with a value for what was not known
    for other, says in (
        ({**written, "warps": 2}, "another version of the program saved it, with 'warps' in its Health"),
        ({k: v for k, v in written.items() if k != "is_solid"}, "saved it, without 'is_solid' in its Health"),
    ):
        with pytest.raises(ValueError, match=says):
            decode_record(other, Health, {})


def test_failed_save_keeps_the_plan_that_was_there(small_plan, saved, monkeypatch):
    before = saved.read_bytes()

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("mouldloft.base.files.os.replace", full)
    with pytest.raises(OutputRefused, match="is full; free some space"):
        save_plan(small_plan, saved.parent)
    monkeypatch.undo()
    assert saved.read_bytes() == before
    assert open_plan(saved) is not None
    assert not list(saved.parent.glob(".mouldloft-*"))
