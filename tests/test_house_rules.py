"""The rules of the house, read off the syntax tree: who may import whom, and how long a module or function gets.

Imports inside functions and imports for types count like any other. What is let pass stands in `house_clearances.py`.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import house_clearances as clearances
import networkx
import pytest
from mouldloft.stages import STAGES

ROOT = Path(__file__).resolve().parent.parent
CORE = ROOT / "core" / "mouldloft"
ADDON = ROOT / "blender_addon"

LONGEST_MODULE, LONGEST_FUNCTION, TOP_FLOOR = 600, 60, 8
# a floor may import itself and the floors named
FLOORS: dict[str, tuple[str, ...]] = {
    "base": (),
    "inputs": ("base",),
    "geometry": ("base",),
    "trade": ("base", "inputs"),
    "stages": ("base", "inputs", "geometry", "trade"),
    "solids": ("base", "inputs", "geometry", "trade", "stages"),
    "outputs": ("base", "inputs", "geometry", "trade", "stages", "solids", "asbuilt"),
    "demo": ("base", "inputs", "geometry"),
    "asbuilt": ("base", "inputs", "geometry", "trade", "stages"),
}
ADDON_FLOORS: dict[str, tuple[str, ...]] = {"work": (), "scene": ("work",), "ui": ("work", "scene")}
RUN_STAGES = ("stages/pipeline.py", "stages/plan.py", "stages/estimate.py")  # they run stages, or hold their results
MAY_IMPORT_OUTPUTS = ("cli.py", "bench.py", "library.py", "sectioned.py", "__init__.py", "api.py")
# what Blender's Python does not bring and its zip does not carry: only where it is used, never at module level
ADDON_LIBRARIES = {"numpy", "scipy", "trimesh", "embreex", "manifold3d", "numba", "shapely", "msgspec"}
ADDON_NEEDS = ("base", "inputs", "geometry", "trade", "stages", "solids")


def _sources(root: Path) -> list[Path]:
    return sorted(p for p in root.rglob("*.py") if "wheels" not in p.parts)


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def _package(path: Path, root: Path, name: str) -> tuple[str, ...]:
    """Dotted package a module's relative imports count from."""
    inner = path.relative_to(root).parent.parts
    return (name, *inner)


def _module_file(dotted: tuple[str, ...], root: Path) -> Path | None:
    inner = root.joinpath(*dotted[1:])
    for candidate in (inner.with_suffix(".py"), inner / "__init__.py"):
        if candidate.exists() and inner != root:
            return candidate
    return root / "__init__.py" if inner == root else None


@cache
def imports_of(path: Path, root: Path, name: str) -> tuple[Path, ...]:
    """Modules of the same package that a module imports, anywhere in it."""
    package = _package(path, root, name)
    found: list[Path] = []
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Import):
            targets = [tuple(alias.name.split(".")) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            module = (*base, *(node.module or "").split(".")) if node.module else base
            inner = [(*module, alias.name) for alias in node.names]
            targets = [t if _module_file(t, root) else module for t in inner if t[:1] == (name,)]
        elif _is_late(node):
            targets = [_late_target(node, package)]
        else:
            continue
        found += [file for t in targets if t[:1] == (name,) and (file := _module_file(t, root))]
    return tuple(dict.fromkeys(file for file in found if file != path))


def _is_late(node: ast.AST) -> bool:
    """importlib.import_module(".words", __package__)."""
    return (
        isinstance(node, ast.Call)
        and getattr(node.func, "id", getattr(node.func, "attr", "")) == "import_module"
        and bool(node.args)
        and isinstance(node.args[0], ast.Constant)
    )


def _late_target(node: ast.Call, package: tuple[str, ...]) -> tuple[str, ...]:
    words = str(node.args[0].value)
    dots = len(words) - len(words.lstrip("."))
    base = package[: len(package) - dots + 1] if dots else ()
    return (*base, *words.lstrip(".").split("."))


def _core_imports() -> Iterator[tuple[str, str]]:
    for path in _sources(CORE):
        for target in imports_of(path, CORE, "mouldloft"):
            yield path.relative_to(CORE).as_posix(), target.relative_to(CORE).as_posix()


def _refused(found: list[str], known: dict[str, str]) -> list[str]:
    return sorted(set(found) - known.keys())


def _floor(path: str) -> str:
    return path.split("/")[0] if "/" in path else ""


def _stage(path: str) -> str:
    """'seam' of stages/seam/costs.py and of stages/seam.py; '' of what is no stage."""
    parts = path.split("/")
    word = parts[1].removesuffix(".py") if parts[0] == "stages" and len(parts) > 1 else ""
    return word if word in STAGES else ""


def _reaches_up() -> list[str]:
    return [
        f"{one} > {other}"
        for one, other in _core_imports()
        if (floor := _floor(one)) and _floor(other) != floor and _floor(other) not in FLOORS[floor]
        if other != "__init__.py"  # the version
    ]


def test_a_floor_imports_only_lower_floors():
    assert not _refused(_reaches_up(), clearances.IMPORTS)


def test_every_folder_is_a_floor():
    folders = {p.parent.name for p in CORE.glob("*/*.py")}
    assert folders == FLOORS.keys()


def _takes_outputs() -> list[str]:
    return [
        f"{one} > {other}"
        for one, other in _core_imports()
        if _floor(other) == "outputs" and _floor(one) != "outputs" and one not in MAY_IMPORT_OUTPUTS
    ]


def test_outputs_are_imported_only_by_the_command_line_and_the_public_api():
    assert not _refused(_takes_outputs(), clearances.IMPORTS)


def _reads_later() -> list[str]:
    return [
        f"{one} > {other}"
        for one, other in _core_imports()
        if (mine := _stage(one)) and (its := _stage(other)) and STAGES.index(its) > STAGES.index(mine)
    ]


def test_a_stage_imports_no_later_stage():
    assert not _refused(_reads_later(), clearances.IMPORTS)


def _reads_inside() -> list[str]:
    wrong: list[str] = []
    for one, other in _core_imports():
        mine, its = _stage(one), _stage(other)
        offered = other in (f"stages/{its}.py", f"stages/{its}/__init__.py", f"stages/{its}/record.py")
        if mine and its and mine != its and not offered:
            wrong.append(f"{one} > {other}")
    return wrong


def test_a_stage_reads_an_earlier_one_by_what_it_offers():
    assert not _refused(_reads_inside(), clearances.IMPORTS)


def _serves_too_much() -> list[str]:
    return [
        f"{one} > {other}"
        for one, other in _core_imports()
        if one.startswith("stages/") and not _stage(one) and _stage(other) not in ("", STAGES[0])
        if one not in RUN_STAGES
    ]


def test_what_no_stage_owns_knows_only_the_master():
    """A module of stages/ that is neither a stage nor the pipeline serves them all: it leans on the first alone."""
    assert not _refused(_serves_too_much(), clearances.IMPORTS)


def _goes_round() -> list[str]:
    graph = networkx.DiGraph(list(_core_imports()))
    rounds = [sorted(c) for c in networkx.strongly_connected_components(graph) if len(c) > 1]
    return [" + ".join(c) for c in rounds]


def test_no_import_goes_round():
    assert not _refused(_goes_round(), clearances.IMPORTS)


def _for_types(root: Path) -> list[str]:
    return [
        path.relative_to(root).as_posix()
        for path in _sources(root)
        if any(isinstance(n, ast.If) and "TYPE_CHECKING" in ast.unparse(n.test) for n in ast.walk(_tree(path)))
    ]


@pytest.mark.parametrize("root", [CORE, ADDON], ids=["core", "add-on"])
def test_nothing_is_imported_for_types_alone(root):
    assert not _refused(_for_types(root), clearances.TYPE_IMPORTS)


def _long_modules(root: Path) -> list[str]:
    return [
        path.relative_to(root).as_posix()
        for path in _sources(root)
        if len(path.read_text(encoding="utf-8").splitlines()) > LONGEST_MODULE
    ]


@pytest.mark.parametrize("root", [CORE, ADDON], ids=["core", "add-on"])
def test_modules_are_short(root):
    assert not _refused(_long_modules(root), clearances.LONG_MODULES)


def _length(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function without its docstring."""
    said = function.body[0] if ast.get_docstring(function) is not None else None
    whole = (function.end_lineno or 0) - function.lineno + 1
    return whole - ((said.end_lineno or 0) - said.lineno + 1 if said else 0)


def _long_functions(root: Path) -> list[str]:
    return [
        f"{path.relative_to(root).as_posix()}:{node.name}"
        for path in _sources(root)
        for node in ast.walk(_tree(path))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and _length(node) > LONGEST_FUNCTION
    ]


@pytest.mark.parametrize("root", [CORE, ADDON], ids=["core", "add-on"])
def test_functions_are_short(root):
    assert not _refused(_long_functions(root), clearances.LONG_FUNCTIONS)


def test_few_modules_stand_on_the_top_floor():
    assert len(list(CORE.glob("*.py"))) <= TOP_FLOOR


def _strange_libraries() -> list[str]:
    wrong: list[str] = []
    for floor in ADDON_NEEDS:
        for path in _sources(CORE / floor):
            named = [n for n in _tree(path).body if isinstance(n, ast.Import | ast.ImportFrom)]
            whole = {a.name.split(".")[0] for n in named if isinstance(n, ast.Import) for a in n.names}
            parts = {(n.module or "").split(".")[0] for n in named if isinstance(n, ast.ImportFrom) and not n.level}
            strange = {w for w in whole | parts if not _is_standard(w)} - ADDON_LIBRARIES
            wrong += [f"{path.relative_to(CORE).as_posix()} > {word}" for word in sorted(strange)]
    return wrong


def test_what_the_add_on_needs_asks_only_for_what_it_carries():
    """At module level; what is imported where it is used may be absent in Blender."""
    assert not _refused(_strange_libraries(), clearances.IMPORTS)


def _is_standard(word: str) -> bool:
    import sys

    return word in sys.stdlib_module_names


def _addon_reaches_up() -> list[str]:
    wrong: list[str] = []
    for path in (p for p in _sources(ADDON) if len(p.relative_to(ADDON).parts) > 1):
        mine = path.relative_to(ADDON)
        floor = mine.parts[0]
        for target in imports_of(path, ADDON, "blender_addon"):
            its = target.relative_to(ADDON).parts
            if len(its) > 1 and its[0] != floor and its[0] not in ADDON_FLOORS.get(floor, ()):
                wrong.append(f"{mine.as_posix()} > {'/'.join(its)}")
        words = {a.name for n in ast.walk(_tree(path)) if isinstance(n, ast.Import) for a in n.names}
        words |= {n.module or "" for n in ast.walk(_tree(path)) if isinstance(n, ast.ImportFrom)}
        if floor == "work" and any(w.split(".")[0] in ("bpy", "bmesh", "gpu", "blf") for w in words):
            wrong.append(f"{mine.as_posix()} > bpy")
        if floor != "ui" and any("mouldloft.outputs" in w for w in words):
            wrong.append(f"{mine.as_posix()} > mouldloft.outputs")
    return wrong


def test_the_add_on_s_floors():
    """work/ knows no Blender; scene/ knows no screen; only ui/ makes outputs."""
    assert not _refused(_addon_reaches_up(), clearances.IMPORTS)


IMPORT_RULES = (
    _reaches_up,
    _takes_outputs,
    _reads_later,
    _reads_inside,
    _serves_too_much,
    _goes_round,
    _strange_libraries,
    _addon_reaches_up,
)


@pytest.mark.parametrize(
    ("known", "found"),
    [
        (clearances.LONG_MODULES, lambda: [*_long_modules(CORE), *_long_modules(ADDON)]),
        (clearances.LONG_FUNCTIONS, lambda: [*_long_functions(CORE), *_long_functions(ADDON)]),
        (clearances.TYPE_IMPORTS, lambda: [*_for_types(CORE), *_for_types(ADDON)]),
        (clearances.IMPORTS, lambda: [word for rule in IMPORT_RULES for word in rule()]),
    ],
    ids=["modules", "functions", "types", "imports"],
)
def test_no_clearance_outlives_its_reason(known, found):
    """What is let pass still breaks a rule: else its line goes."""
    assert not sorted(known.keys() - set(found()))


def test_every_clearance_has_a_reason():
    for known in (clearances.LONG_MODULES, clearances.LONG_FUNCTIONS, clearances.IMPORTS, clearances.TYPE_IMPORTS):
        assert all(len(reason.split()) >= 3 for reason in known.values())


def test_the_rules_can_fail(tmp_path):
    """A module that breaks them is seen: an import inside a function, one by name, and one by import_module."""
    package = tmp_path / "house"
    (package / "upper").mkdir(parents=True)
    for name in ("__init__.py", "low.py", "upper/__init__.py", "upper/high.py"):
        (package / name).write_text("")
    bad = package / "bad.py"
    bad.write_text(
        "from . import low\ndef f():\n    from .upper.high import x\n    import_module('.upper', __package__)\n"
    )
    seen = [p.relative_to(package).as_posix() for p in imports_of(bad, package, "house")]
    assert seen == ["low.py", "upper/high.py", "upper/__init__.py"]
    assert _length(ast.parse("def f():\n    '''Said.'''\n    a = 1\n    return a\n").body[0]) == 3
