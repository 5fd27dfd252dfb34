"""What is kept goes when its owner goes, and is never another's."""

from __future__ import annotations

import ast
import gc
import re
import time
import weakref
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Event

import mouldloft
from mouldloft.base.kept import kept_with_owner
from mouldloft.outputs.pictures.bodies import kept
from mouldloft.stages.wall.surface import parting_surface
from trade_bodies import box, seam_of


@dataclass(frozen=True, eq=False)
class Mesh:
    name: str


def test_a_result_is_made_once_for_each_owner_and_argument():
    made = []

    @kept_with_owner(2)
    def surface(mesh, other, width):
        made.append((mesh.name, other.name, width))
        return [mesh, len(made)]

    one, two = Mesh("one"), Mesh("two")
    assert surface(one, two, 3.0) is surface(one, two, 3.0)
    assert surface(one, two, 4.0) is not surface(one, two, 3.0), "another width is another result"
    assert surface(two, one, 3.0)[0] is two
    assert surface(one, Mesh("two"), 3.0)[0] is one, "an equal mesh that is another one counts anew"
    assert made == [("one", "two", 3.0), ("one", "two", 4.0), ("two", "one", 3.0), ("one", "two", 3.0)]


def test_threads_that_ask_at_once_get_the_one_that_is_made():
    made, begun = [], Event()

    @kept_with_owner(2)
    def surface(mesh):
        begun.set()
        time.sleep(0.05)
        made.append(mesh.name)
        return [mesh.name]

    owner = Mesh("owner")
    with ThreadPoolExecutor(3) as pool:
        first = pool.submit(surface, owner)
        begun.wait(5.0)
        others = [pool.submit(surface, owner) for _ in range(2)]
        assert all(other.result() is first.result() for other in others)
    assert made == ["owner"]


def test_a_mesh_nobody_holds_is_let_go_though_its_result_holds_it():
    @kept_with_owner(4)
    def surface(mesh, other):
        return mesh, "made"

    owner, other = Mesh("owner"), Mesh("other")
    surface(owner, other)
    gone = weakref.ref(owner), weakref.ref(other)
    del owner, other
    gc.collect()
    assert [each() for each in gone] == [None, None]


def test_the_parting_surface_pins_no_master():
    master, seam = box(300, 200, 400), seam_of(pull=(1.0, 0.0, 0.0))
    seam = replace(seam, kind="plane")
    assert parting_surface(seam, master) is parting_surface(seam, master)
    gone = weakref.ref(master), weakref.ref(seam)
    del master, seam
    gc.collect()
    assert [each() for each in gone] == [None, None]


def what_is_cached(source: str) -> list[tuple[str, str]]:
    """Each function under one of functools' caches, and an argument of it that is no text, number, type or path."""
    plain = {"str", "int", "float", "bool", "type", "Path", "str | None", "float | None", "int | None"}
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef) and any(
            re.search(r"(^|\.)(lru_cache|cache)(\(|$)", ast.unparse(d)) for d in node.decorator_list
        ):
            asked = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
            told = [ast.unparse(a.annotation) if a.annotation else "nothing said" for a in asked]
            found.append((node.name, next((words for words in told if words not in plain), "")))
    return found


def test_no_module_keeps_meshes_for_the_whole_session():
    """functools' caches hold their arguments: only such as take text, numbers or nothing may use them."""
    root = Path(mouldloft.__file__).parent
    found = [(p.name, *own) for p in sorted(root.rglob("*.py")) for own in what_is_cached(p.read_text("utf-8"))]
    assert len(found) >= 2, "it still finds the caches there are"
    assert [entry for entry in found if entry[2]] == []
    assert what_is_cached("@functools.lru_cache(maxsize=8)\ndef f(mesh): return mesh") == [("f", "nothing said")]
    assert what_is_cached("@cache\ndef f(a: int, m: Master): ...") == [("f", "Master")]


def test_pictures_are_kept_by_the_renderer_that_drew_them():
    store: weakref.WeakKeyDictionary = weakref.WeakKeyDictionary()
    owner = Mesh("glove")
    assert kept(store, owner, lambda: "by VTK", "vtk") == "by VTK"
    assert kept(store, owner, lambda: "by rays", "rays") == "by rays"
    assert kept(store, owner, lambda: "again", "vtk") == "by VTK"
    # and each place that takes a renderer says which
    folder = Path(mouldloft.__file__).parent / "outputs"
    calls = [
        node
        for path in folder.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "kept"
    ]
    drawn = [[ast.unparse(word) for word in call.args] for call in calls if "renderer" in ast.unparse(call)]
    assert len(drawn) == 3
    assert all(words[3:] == ["renderer"] for words in drawn)
