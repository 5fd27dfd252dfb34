"""Shared, expensive things, made once a session."""

from __future__ import annotations

import os

import pytest

os.environ.setdefault("NUMBA_NUM_THREADS", "2")

# modules of minutes: begun first, so that no worker ends long after the other
LONG = ("pipeline", "solids", "many_pieces", "division", "properties", "seam", "estimate", "cli", "sections", "parting",
        "undercut", "faults", "fuzz", "broken_meshes", "stage", "demo_bodies", "features")  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Long modules first, each in its own order."""
    place = {f"test_{name}.py": at for at, name in enumerate(LONG)}
    items.sort(key=lambda item: place.get(item.path.name, len(LONG)))


@pytest.fixture(scope="session")
def small_hare():
    """(vertices, faces) of a 20-thousand-triangle demo hare."""
    from mouldloft.demo.hare import demo_hare

    return demo_hare(20_000)


@pytest.fixture(scope="session")
def small_brief():
    """The demo's brief with a coarser lattice and fewer directions, so that a whole plan takes seconds."""
    from mouldloft.inputs.brief import brief_from_dict

    return brief_from_dict(
        {
            "piece": "Seated hare",
            "master": {"finished_height_mm": 1400},
            "run": {"casts": 6, "start_date": "2027-03-01"},
            "opening": {"directions": 128, "refine": 3},
            "rubber": {"pixel_mm": 4.0},
        }
    )


@pytest.fixture(scope="session")
def small_plan(small_hare, small_brief):
    """A whole plan of the small hare."""
    from mouldloft.stages.master import prepare_master
    from mouldloft.stages.pipeline import plan

    master = prepare_master(*small_hare, small_brief.master, name="Seated hare")
    return plan(master, small_brief)


@pytest.fixture(scope="session")
def small_solids(small_plan):
    """The small hare's solids, on its own lattice."""
    from mouldloft.solids.build import make_solids

    return make_solids(small_plan)
