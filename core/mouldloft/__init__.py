"""mouldloft: mould planning for sculptors. The core; it never imports Blender."""

__version__ = "0.1.0"
