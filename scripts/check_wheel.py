"""Builds wheel and sdist, installs the wheel in a clean environment, and plans the demo there with its own program.

python scripts/check_wheel.py [--out DIST]      20 thousand triangles, no pictures
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BUILD = "import sys; sys.path.insert(0, sys.argv[1]); import build.__main__ as b; b.main(sys.argv[2:])"
ASKED = (
    "import mouldloft as ml, sys; plan = ml.open(sys.argv[1]); print(plan.summary().splitlines()[0]); "
    "assert 'site-packages' in ml.__file__, ml.__file__"
)


def run(*words: object, cwd: Path = ROOT) -> None:
    """A command that must end well."""
    subprocess.run([str(word) for word in words], cwd=cwd, check=True)


def quietly(*words: object) -> None:
    """The same, its words shown only where it ends badly."""
    done = subprocess.run([str(word) for word in words], cwd=ROOT, check=False, capture_output=True, text=True)
    if done.returncode:
        sys.exit(done.stdout + done.stderr)


def main() -> int:
    """0 where the installed wheel plans and reopens the demo."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--out", type=Path, default=ROOT / "dist")
    asked = words.parse_args()
    with tempfile.TemporaryDirectory() as room:
        folder = Path(room)
        run(sys.executable, "-m", "pip", "install", "--quiet", "--target", folder / "tool", "build>=1.2")
        build = [
            sys.executable,
            "-c",
            f"import sys; sys.path.insert(0, {str(folder / 'tool')!r}); import build.__main__ as b",
        ]
        build[-1] += "; b.main(sys.argv[1:])"
        run(*build, "--outdir", folder / "made", ROOT)
        made = sorted((folder / "made").iterdir())
        (wheel,) = (path for path in made if path.suffix == ".whl")
        assert any(path.name.endswith(".tar.gz") for path in made), "no sdist was made"
        venv.create(folder / "clean", with_pip=True)
        python = folder / "clean" / ("Scripts" if sys.platform == "win32" else "bin") / "python"
        run(python, "-m", "pip", "install", "--quiet", wheel, cwd=folder)
        run(
            python.with_name("mouldloft"),
            "demo",
            "--triangles",
            20_000,
            "--out",
            folder / "plan",
            "--no-pictures",
            "-q",
            cwd=folder,
        )
        run(python, "-c", ASKED, folder / "plan", cwd=folder)
        asked.out.mkdir(parents=True, exist_ok=True)
        for path in made:
            (asked.out / path.name).write_bytes(path.read_bytes())
            print(asked.out / path.name, f"{path.stat().st_size / 1e6:.1f} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
