"""Plans the mould of the demo hare, or of your own mesh, in an environment it makes itself.

python3 scripts/demo.py                                  the hare
python3 scripts/demo.py plan my.stl --height 900 --casts 4    your own mesh; every option of `mouldloft` works
"""

from __future__ import annotations

import subprocess
import sys

from environment import ROOT, ensure


def main() -> int:
    """Run the command line of the environment; its exit code is ours."""
    words = sys.argv[1:] or ["demo", "--out", str(ROOT / "demo_plan")]
    return subprocess.run([str(ensure()), "-m", "mouldloft.cli", *words], check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
