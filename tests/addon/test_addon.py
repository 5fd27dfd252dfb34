"""The add-on in a real Blender, where one is given; `scripts/check_extension.py` gives it several."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PYTHON = os.environ.get("MOULDLOFT_BPY_PYTHON", "")


@pytest.mark.skipif(not PYTHON, reason="MOULDLOFT_BPY_PYTHON names no interpreter with bpy; see check_extension.py")
def test_whole_addon_in_real_blender():
    command = [sys.executable, str(ROOT / "scripts" / "check_extension.py"), "--with-python", PYTHON]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout[-8000:]
    assert "1 passed, 0 failed" in done.stdout
