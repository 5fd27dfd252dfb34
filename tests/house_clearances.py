"""What the house rules let pass, each with its reason. A clearance that is no longer needed fails the test: delete it.

Keys are paths under core/mouldloft or blender_addon; of a function, `path:function`; of an import, `path > path`.
"""

from __future__ import annotations

LONG_MODULES: dict[str, str] = {}

LONG_FUNCTIONS: dict[str, str] = {}

IMPORTS: dict[str, str] = {}
