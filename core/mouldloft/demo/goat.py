"""A horned goat on its four feet; 1.1 m to the horns. All shapes and sizes are invented for the demo."""

from __future__ import annotations

from typing import Any

from .body import NamedBall, Sculpt, moved_places
from .carving import LIMB, Blend, ball, both, chain, limb, turn_about

_COAT: dict[str, Any] = {"coat_mm": 4.5, "coat_width_mm": 24.0, "coat_length_mm": 95.0}
_SHORT: dict[str, Any] = {"coat_mm": 2.0, "coat_width_mm": 15.0, "coat_length_mm": 55.0}
_HEAD_PIVOT = (0.0, -380.0, 880.0)
_HEAD_TURN = {"yaw": 12.0, "roll": 3.0}


def _trunk() -> list[Blend]:
    return [
        limb((0, -190, 612), (0, 235, 618), 132, 118, flat=1.0, blend_mm=40, **_COAT),  # barrel
        ball((0, 30, 560), (140, 215, 108), blend_mm=60, **_COAT),  # belly
        ball((0, -225, 590), (112, 110, 150), pitch=-10, blend_mm=70, **_COAT),  # chest
        ball((0, -140, 690), (70, 150, 74), blend_mm=60, **_COAT),  # withers
        ball((0, 225, 652), (104, 130, 100), blend_mm=60, **_COAT),  # rump
        *both(lambda s: ball((s * 84, -190, 590), (58, 92, 150), pitch=12, blend_mm=50, **_COAT)),  # shoulders
        *both(lambda s: ball((s * 84, 225, 570), (62, 105, 150), pitch=-14, blend_mm=50, **_COAT)),  # hams
        *chain([(0, 330, 700), (0, 372, 742), (0, 378, 800), (0, 356, 838)], [32, 28, 22, 12], root_mm=34, **_COAT),
    ]


def _foreleg(s: float, y: float) -> list[Blend]:
    x = s * 92
    return [
        limb((s * 84, -190, 520), (x, y, 330), 62, 38, blend_mm=46, **_SHORT),
        ball((x, y - 6, 312), (33, 33, 40), blend_mm=20, coat_mm=1.2),  # knee
        limb((x, y, 310), (x, y + 2, 110), 31, 24, blend_mm=18, coat_mm=1.2),
        ball((x, y + 6, 96), (30, 31, 28), blend_mm=16),  # fetlock
        limb((x, y + 2, 96), (x, y - 18, 46), 26, 31, blend_mm=14),
        *_hoof(x, y - 26),
    ]


def _hoof(x: float, y: float) -> list[Blend]:
    return [
        *[ball((x + t * 17, y, 22), (20, 44, 46), yaw=t * -7, blend_mm=8) for t in (-1, 1)],
        ball((x, y - 34, 10), (4, 44, 50), cut=True, blend_mm=8),  # the cleft
    ]


def _hindleg(s: float, y: float) -> list[Blend]:
    x = s * 100
    return [
        limb((s * 88, 225, 520), (x, y - 52, 418), 96, 56, blend_mm=50, **_SHORT),  # thigh to stifle
        limb((x, y - 46, 420), (x, y + 62, 290), 52, 31, blend_mm=36, **_SHORT),  # gaskin
        ball((x, y + 68, 286), (28, 30, 40), pitch=10, blend_mm=18, coat_mm=1.2),  # hock
        limb((x, y + 62, 280), (x, y + 34, 110), 29, 24, blend_mm=18, coat_mm=1.2),
        ball((x, y + 36, 98), (30, 31, 28), blend_mm=16),
        limb((x, y + 32, 96), (x, y + 12, 46), 26, 31, blend_mm=14),
        *_hoof(x, y + 4),
    ]


def _neck() -> list[Blend]:
    return [
        limb((0, -225, 640), (0, -352, 850), 118, 78, flat=1.15, blend_mm=80, **_COAT),
        ball((0, -300, 690), (78, 84, 140), pitch=30, blend_mm=60, **_COAT),  # throat's fleece
    ]


def _head() -> list[Blend]:
    return [
        ball((0, -385, 905), (64, 84, 72), pitch=22, blend_mm=50, **_SHORT),  # skull
        limb((0, -405, 898), (0, -520, 812), 56, 36, flat=1.1, blend_mm=34, coat_mm=1.4, coat_width_mm=14.0),  # muzzle
        ball((0, -528, 806), (38, 34, 32), pitch=35, blend_mm=22),  # its end
        limb((0, -408, 852), (0, -505, 786), 40, 26, blend_mm=26, coat_mm=1.2, coat_width_mm=14.0),  # jaw
        ball((0, -548, 812), (22, 13, 15), blend_mm=10),  # nose
        *both(lambda s: ball((s * 17, -553, 812), (5.5, 12, 9), roll=s * 35, cut=True, blend_mm=6)),  # nostrils
        ball((0, -566, 794), (4.5, 18, 10), cut=True, blend_mm=6),  # split lip
        *both(
            lambda s: ball((s * 26, -528, 788), (15, 44, 4.6), pitch=-22, yaw=s * -16, cut=True, blend_mm=5)
        ),  # mouth
        *both(lambda s: ball((s * 66, -428, 902), (17, 30, 23), yaw=s * -20, cut=True, blend_mm=14)),  # sockets
        *both(lambda s: ball((s * 51, -426, 903), (26, 30, 24), yaw=s * -20, blend_mm=8)),  # lids
        *both(lambda s: ball((s * 79, -437, 902), (20, 20, 11), yaw=s * -20, cut=True, blend_mm=3)),
        *both(lambda s: ball((s * 50, -428, 902.5), (19, 20, 18), blend_mm=1)),  # eyes
        *both(lambda s: ball((s * 71, -432, 902.5), (5, 9, 4.2), cut=True, blend_mm=1.5)),  # long pupils
        *both(lambda s: ball((s * 54, -428, 927), (15, 38, 10), yaw=s * -18, pitch=18, blend_mm=12)),  # brows
        *chain(
            [(0, -478, 776), (0, -486, 726), (0, -470, 672)],
            [24, 21, 7],
            root_mm=16,
            coat_mm=3.0,
            coat_width_mm=10.0,
            coat_length_mm=60.0,
        ),  # beard
        *[part for s in (1.0, -1.0) for part in _ear(s)],
        *[part for s in (1.0, -1.0) for part in _horn(s)],
        ball((0, -424, 958), (26, 30, 22), pitch=40, blend_mm=18, **_COAT),  # forelock
    ]


def _ear(s: float) -> list[Blend]:
    turn = {"yaw": s * 14.0, "roll": s * 104.0}
    return [
        ball((s * 118, -350, 902), (22, 13, 64), blend_mm=16, coat_mm=1.0, **turn),
        ball((s * 124, -366, 906), (13, 13, 50), cut=True, blend_mm=8, **turn),
    ]


def _horn(s: float) -> list[Blend]:
    curve = [
        (s * 30, -392, 950), (s * 44, -388, 1010), (s * 66, -352, 1066),
        (s * 94, -288, 1094), (s * 122, -216, 1080), (s * 146, -168, 1030),
    ]  # fmt: skip
    core = chain(curve, [31, 29, 26, 22, 17, 8], steps=4, root_mm=14)
    grown = [(part, part.radii_mm[0] + 2.4) for part in core[1:-3]]
    return core + [Blend(LIMB, part.centre_mm, (r, r - 0.4, 7.0), part.axes, 4.0) for part, r in grown]  # its rings


def _places() -> list[NamedBall]:
    return [
        NamedBall("left eye", "eye", (66, -430, 902), 22),
        NamedBall("right eye", "eye", (-66, -430, 902), 22),
        NamedBall("nose", "nose", (0, -556, 812), 24),
        NamedBall("mouth", "mouth", (0, -548, 790), 26),
        NamedBall("left horn", "part", (100, -280, 1090), 60),
        NamedBall("right horn", "part", (-100, -280, 1090), 60),
        NamedBall("left ear", "part", (140, -350, 895), 40),
        NamedBall("right ear", "part", (-140, -350, 895), 40),
        NamedBall("chin", "part", (0, -490, 760), 24),
    ]


def horned_goat() -> Sculpt:
    """The table of the goat: head turned to its left, one foreleg and one hind leg a step ahead."""
    head = turn_about(_head(), _HEAD_PIVOT, **_HEAD_TURN)
    solids = [*_trunk(), *_foreleg(1.0, -236), *_foreleg(-1.0, -188), *_hindleg(1.0, 206), *_hindleg(-1.0, 258)]
    solids += [*_neck(), *head]
    places = moved_places(_places(), _HEAD_PIVOT, **_HEAD_TURN)
    places += [
        NamedBall("left foreleg", "part", (92, -236, 220), 40),
        NamedBall("right foreleg", "part", (-92, -188, 220), 40),
        NamedBall("left hind leg", "part", (100, 240, 220), 45),
        NamedBall("right hind leg", "part", (-100, 292, 220), 45),
        NamedBall("chest", "part", (0, -352, 570), 60),
        NamedBall("belly", "part", (0, 30, 456), 50),
        NamedBall("back", "part", (0, 60, 742), 50),
        NamedBall("rump", "part", (0, 320, 640), 60),
        NamedBall("tail", "part", (0, 376, 790), 40),
    ]
    return Sculpt(
        "goat", "Horned goat", 1100.0, tuple(solids), tuple(places), (-280, -660, 0), (280, 460, 1180), 1.5e6, 5.0
    )
