"""What the house rules let pass, each with its reason.

Keys are paths under core/mouldloft or blender_addon; of a function `path:function`; of an import `path > path`; of an
import that goes round, its modules in order, with " + " between.
"""

from __future__ import annotations

LONG_MODULES: dict[str, str] = {}

LONG_FUNCTIONS: dict[str, str] = {}

IMPORTS: dict[str, str] = {
    "stages/hatches.py > stages/undercut.py": "what a place is called, asked by the cast alone",
    "stages/hatches.py > stages/visibility.py": "where a hatch is seen least, asked by the cast alone",
    "stages/joining.py > stages/seam/__init__.py": "how the joint is reached, asked by cast and programme alike",
    "stages/joining.py > stages/undercut.py": "how the joint is reached, asked by cast and programme alike",
    "stages/places.py > stages/seam/__init__.py": "names of places, by the features the seam keeps clear of",
    "stages/sections/propose.py > stages/seam/__init__.py": "cut before any stage runs, by what they know of the face",
    "stages/sections/propose.py > stages/undercut.py": "cut before any stage runs: what a place is called",
    "stages/sections/propose.py > stages/visibility.py": "cut before any stage runs: how a joint shows",
    "scene/results.py > mouldloft.outputs": "the add-on's floors are being built",
    "work/display.py > mouldloft.outputs": "colours; the add-on's floors are being built",
    "work/store.py > mouldloft.outputs": "a plan is saved in the file; the add-on's floors are being built",
}

TYPE_IMPORTS: dict[str, str] = {}
