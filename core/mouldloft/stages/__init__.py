"""The stages of a plan, each named once here, in the order of work; a stage reads those before it and no other."""

STAGES = (
    "master",
    "visibility",
    "directions",
    "opening",
    "undercut",
    "seam",
    "wall",
    "locks",
    "division",
    "rubber",
    "keys",
    "jacket",
    "peel",
    "cradle",
    "answers",
    "cast",
    "handling",
    "programme",
    "takeoff",
    "cautions",
)
