"""Makes the project's own Python environment in .venv, once, and again when pyproject.toml changes. Standard library
only, so that it runs on a fresh machine."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / ".venv"


def environment_python() -> Path:
    """The environment's interpreter."""
    return FOLDER / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def _stamp(extras: str) -> str:
    wanted = (ROOT / "pyproject.toml").read_bytes() + extras.encode() + sys.version.encode()
    return hashlib.sha256(wanted).hexdigest()


def ensure(extras: str = "") -> Path:
    """Make the environment if it is missing or stale and return its interpreter; exits with one sentence if it cannot.

    extras : "" or "test".
    """
    if sys.version_info < (3, 11):  # noqa: UP036 - this file runs before the environment exists
        sys.exit(
            f"mouldloft needs Python 3.11 or newer, and this is {sys.version.split()[0]}; run it with a newer one."
        )
    mark = FOLDER / f"mouldloft-{extras or 'plain'}.stamp"
    if mark.exists() and mark.read_text() == _stamp(extras) and environment_python().exists():
        return environment_python()
    print(f"Preparing the environment in {FOLDER} (a few minutes, once) ...", file=sys.stderr, flush=True)
    try:
        if not environment_python().exists():
            subprocess.run([sys.executable, "-m", "venv", str(FOLDER)], check=True)
        target = f"{ROOT}[{extras}]" if extras else str(ROOT)
        subprocess.run([str(environment_python()), "-m", "pip", "install", "--quiet", "--editable", target], check=True)
    except (subprocess.CalledProcessError, OSError) as error:
        sys.exit(
            f"The environment could not be made ({error}); check the network and the free disk, then run it again."
        )
    mark.write_text(_stamp(extras))
    return environment_python()
