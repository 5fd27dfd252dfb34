"""Mutation run of one stage: changes its formulas one at a time, runs its tests on each, prints the score and what
survived. Needs `pip install mutmut==3.8.1` beside the project's own environment.

    python scripts/mutate.py stages/takeoff [--only FUNCTION ...] [--tests takeoff takeoff_by_hand cli]
                                            [--skip sheet page] [--folder DIR]

Works on a copy of the last commit, never on the checkout. Changes of words alone (strings, progress notes) are left
out of the score.
"""

from __future__ import annotations

import argparse
import ast
import difflib
import json
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SURVIVED = (0, 5, 33)  # mutmut's exit codes for tests that pass, and for no test at all

SETTINGS = """
[tool.mutmut]
source_paths = ["mouldloft"]
only_mutate = ["mouldloft/**/{stage}.py"]
also_copy = ["tests", "mouldloft", "scripts", "blender_addon", "README.md"]
pytest_add_cli_args_test_selection = {tests}
pytest_add_cli_args = {skip}
timeout_constant = 5
timeout_multiplier = 2
"""

# What a shared fixture or cache calls is called once, so mutmut would hold it against the first test alone, and later
# runs would meet results from before the change.
HOOKS = """

def pytest_sessionstart(session):
    import sys

    here = str(session.config.rootpath / "tests")
    for name, module in list(sys.modules.items()):
        if name.startswith("mouldloft"):
            for value in list(vars(module).values()):
                if hasattr(value, "cache_clear"):
                    value.cache_clear()
        elif (getattr(module, "__file__", None) or "").startswith(here) and "conftest" not in name:
            del sys.modules[name]


def pytest_collection_modifyitems(items):
    items.sort(key=lambda item: "by_hand" not in item.nodeid)


def pytest_sessionfinish(session):
    from mutmut.state import state

    for tests in state().tests_by_mangled_function_name.values():
        modules = {test.split("::")[0] for test in tests}
        tests |= {item.nodeid for item in session.items if item.nodeid.split("::")[0] in modules}
"""


def test_files(name: str) -> list[Path]:
    """The test module of this name, wherever it stands under tests/."""
    return sorted((ROOT / "tests").rglob(f"test_{name}.py"))


def prepare_copy(folder: Path, stage: str, tests: list[str], skip: list[str]) -> None:
    """The last commit with the package at the top, where mutmut's names want it."""
    folder.mkdir(parents=True)
    packed = subprocess.run(["git", "archive", "HEAD"], cwd=ROOT, check=True, stdout=subprocess.PIPE).stdout
    subprocess.run(["tar", "x"], cwd=folder, check=True, input=packed)
    shutil.move(folder / "core" / "mouldloft", folder / "mouldloft")
    chosen = [str(path.relative_to(ROOT)) for name in tests for path in test_files(name)]
    left_out = ["-k", " and ".join(f"not {word}" for word in skip)] if skip else []
    settings = SETTINGS.format(stage=stage, tests=json.dumps(chosen), skip=json.dumps(left_out))
    with open(folder / "pyproject.toml", "a", encoding="utf-8") as file:
        file.write(settings)
    with open(folder / "tests" / "conftest.py", "a", encoding="utf-8") as file:
        file.write(HOOKS)


class _WithoutWords(ast.NodeTransformer):
    """Blanks strings and drops progress calls, so that two functions that differ in words alone become equal."""

    def visit_Constant(self, node: ast.Constant) -> ast.Constant:
        return ast.copy_location(ast.Constant(""), node) if isinstance(node.value, str) else node

    def visit_Expr(self, node: ast.Expr) -> ast.AST:
        dropped = isinstance(node.value, ast.Call) and ast.unparse(node.value.func).endswith("progress.step")
        return ast.Pass() if dropped else self.generic_visit(node)


def _formulas(function: ast.FunctionDef) -> str:
    return "\n".join(
        ast.dump(_WithoutWords().visit(node)) for node in ast.parse(ast.unparse(ast.Module(function.body, []))).body
    )


def mutants(folder: Path, stage: str) -> Iterator[tuple[str, int | None, list[str], list[str]]]:
    """(name, exit code, lines before, lines after) of each change that is not of words alone."""
    file = folder / "mutants" / "mouldloft" / f"{stage}.py"
    text = file.read_text(encoding="utf-8")
    codes = json.loads(file.with_name(f"{stage}.py.meta").read_text())["exit_code_by_key"]
    functions = {n.name: n for n in ast.walk(ast.parse(text)) if isinstance(n, ast.FunctionDef)}
    formulas = {name: _formulas(function) for name, function in functions.items()}
    for key, code in codes.items():
        name = key.rsplit(".", 1)[1]
        first = re.sub(r"__mutmut_\d+$", "__mutmut_orig", name)
        if formulas[name] != formulas[first]:
            before, after = (text.splitlines()[functions[n].lineno : functions[n].end_lineno] for n in (first, name))
            yield name, code, before, after


def report(folder: Path, stage: str) -> str:
    """Survivors as differences, then the score."""
    said, total, killed = [], 0, 0
    for name, code, before, after in mutants(folder, stage):
        if code is None:  # not asked for, or the run was stopped
            continue
        total += 1
        if code not in SURVIVED:
            killed += 1
            continue
        lines = difflib.unified_diff(before, after, lineterm="", n=0)
        said.append("\n".join([f"== {name}", *(line for line in lines if not line.startswith(("---", "+++", "@@")))]))
    said.append(f"{stage}: {killed} of {total} killed, {killed / max(total, 1):.0%}")
    return "\n".join(said)


def _mangled(name: str) -> str:
    """mutmut's name of a function, or of a method given as Class.method."""
    return f"xǁ{name.replace('.', 'ǁ')}" if "." in name else f"x_{name}"


def main() -> int:
    """0 where the run came to its end."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("stage", help="a module's path in the package, such as stages/takeoff or trade/lifting")
    parser.add_argument("--only", nargs="+", default=[], help="functions (or Class.method) to change, with wildcards")
    parser.add_argument("--tests", nargs="+", help="test modules without test_ (default: the stage's own)")
    parser.add_argument("--skip", nargs="+", default=[], help="words of tests too slow to run on every change")
    parser.add_argument("--folder", type=Path, help="where the copy goes (must not exist)")
    given = parser.parse_args()
    last = Path(given.stage).name
    own = [last, f"{last}_by_hand", "assumptions"]
    tests = given.tests or [name for name in own if test_files(name)]
    folder = given.folder or Path(tempfile.mkdtemp()) / "copy"
    prepare_copy(folder, given.stage, tests, given.skip)
    with open(folder / "mutmut.log", "w", encoding="utf-8") as log:
        wanted = [
            f"mouldloft.{given.stage.replace(chr(47), chr(46))}.{_mangled(name)}__mutmut_*" for name in given.only
        ]
        command = [sys.executable, "-m", "mutmut", "run", "--max-children", "1", *wanted]
        code = subprocess.run(command, cwd=folder, check=False, stdout=log, stderr=log).returncode
    print(f"mutmut ended with {code}: see {log.name}" if code else report(folder, given.stage))
    return code


if __name__ == "__main__":
    sys.exit(main())
