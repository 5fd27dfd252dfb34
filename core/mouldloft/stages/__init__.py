"""The stages of a plan, each named once here, in the order of work; a stage reads those before it and no other."""

STAGES = (
    "master",
    "visibility",
    "undercut",
    "opening",
    "seam",
    "wall",
    "locks",
    "division",
    "rubber",
    "keys",
    "jacket",
    "cradle",
    "cast",
    "programme",
    "takeoff",
    "cautions",
)
