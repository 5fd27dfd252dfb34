"""Shared, expensive things, made once a session."""

from __future__ import annotations

import os

import pytest
from madeonce import made_once, shared_folder

os.environ.setdefault("NUMBA_NUM_THREADS", "2")

# modules of minutes: begun first, so that no worker ends long after the other; the second needs no shared plan at once,
# which the first one makes
LONG = ("pipeline", "many_pieces", "solids", "division", "faults", "estimate", "fuzz", "cli", "demo_bodies", "sheets",
        "page", "seam", "properties", "jacket", "freshness", "sections", "parting", "cast", "undercut", "rubber",
        "contact", "stage", "broken_meshes", "features")  # fmt: skip


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
def small_plan(small_hare, small_brief, tmp_path_factory):
    """A whole plan of the small hare, made by one worker."""
    from mouldloft.stages.master import prepare_master
    from mouldloft.stages.pipeline import plan
    from mouldloft.stages.plan import MouldPlan

    def make():
        return plan(prepare_master(*small_hare, small_brief.master, name="Seated hare"), small_brief)

    return made_once(shared_folder(tmp_path_factory), "small plan", MouldPlan, make)


@pytest.fixture(scope="session")
def small_solids(small_plan, tmp_path_factory):
    """The small hare's solids, on its own lattice, made by one worker."""
    from mouldloft.solids.build import make_solids
    from mouldloft.solids.solid import Solid

    kind = tuple[Solid, ...]
    return made_once(shared_folder(tmp_path_factory), "small solids", kind, lambda: make_solids(small_plan))


@pytest.fixture(scope="session")
def carved_body(tmp_path_factory):
    """A demo body by name and count of triangles, carved by one worker."""
    from mouldloft.demo.body import DemoMesh
    from mouldloft.demo.gallery import demo_body

    folder, known = shared_folder(tmp_path_factory), {}

    def body(name: str, triangles: int = 40_000) -> DemoMesh:
        asked = f"{name} of {triangles}"
        if asked not in known:
            known[asked] = made_once(folder, asked, DemoMesh, lambda: demo_body(name, triangles))
        return known[asked]

    return body


@pytest.fixture(scope="module")
def hollow_once():
    """The inside of a body is looked for once: what stands, tips and is taped in it are other questions."""
    from mouldloft.stages import hollowed

    known = {}

    def looked_for(*asked):
        key = tuple(part.tobytes() if hasattr(part, "tobytes") else part for part in asked)
        if key not in known:
            known[key] = look(*asked)
        return known[key]

    look = hollowed.hollow_inside
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(hollowed, "hollow_inside", looked_for)
        yield
