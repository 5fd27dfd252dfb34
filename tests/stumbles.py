"""Words that readers at the bench, a client and a buyer stumbled over: none of them is printed anywhere."""

STUMBLES = (
    r"\block fill\b", r"\bMind\b", r"\bwhat it rests on\b", r"\bfirst first\b", r"\d\.\d pcs\b", r"\breckon",
    r"\btold\b", r"\bshows? as much as\b", r"\bshows like\b", r"\bof the calendar\b", r"\bmark [0-9a-f]{8,}",
    r"\bx -?\d+, y -?\d+, z -?\d+", r"\bwhere it locks\b", r"\bLocks?\b", r"\bnan\b", r"\bNone\b(?!\.)",
)  # fmt: skip
