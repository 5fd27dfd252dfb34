"""Runs the tests in an environment it makes itself; words after it go to pytest."""

from __future__ import annotations

import subprocess
import sys

from environment import ROOT, ensure


def main() -> int:
    """pytest's exit code. Without words of its own two workers share the modules out."""
    words = sys.argv[1:] or ["-n", "2", "--dist", "loadfile", "--no-loadscope-reorder"]
    return subprocess.run([str(ensure("test")), "-m", "pytest", *words], cwd=ROOT, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
