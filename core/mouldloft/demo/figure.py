"""A standing child with one hand up: a face, arms, fingers; 1.25 m. All shapes and sizes are invented for the demo."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .body import NamedBall, Sculpt, moved_places
from .carving import Blend, ball, both, chain, drum, limb, turn_about

_HEAD_PIVOT = (0.0, 10.0, 1000.0)
_HEAD_TURN = {"yaw": -9.0, "roll": -4.0}
_HAIR = {"coat_mm": 4.5, "coat_width_mm": 13.0, "coat_length_mm": 85.0}


def _legs() -> list[Blend]:
    return [
        *both(lambda s: limb((s * 62, 4, 560), (s * 72, -8, 330), 66, 47, blend_mm=6)),  # thigh
        *both(lambda s: ball((s * 72, -22, 322), (38, 34, 42), blend_mm=24)),  # knee
        *both(lambda s: limb((s * 73, 0, 320), (s * 78, 10, 80), 42, 29, blend_mm=22)),  # shin
        *both(lambda s: ball((s * 76, 20, 235), (38, 40, 80), blend_mm=24)),  # calf
        *both(lambda s: drum((s * 78, 8, 112), (39, 41, 15), blend_mm=5, ease_mm=7, ripple_mm=1.5, ripples=11)),  # sock
        *both(lambda s: ball((s * 82, -28, 26), (41, 84, 42), yaw=s * 9, pitch=-4, blend_mm=18)),  # shoe
        *both(lambda s: ball((s * 79, 22, 40), (36, 40, 50), blend_mm=16)),  # heel
        *both(lambda s: ball((s * 91, -84, 28), (40, 40, 33), yaw=s * 9, blend_mm=14)),  # toe cap
        *both(lambda s: drum((s * 86, -44, 7), (43, 88, 8), yaw=s * 9, ease_mm=4, blend_mm=3)),  # sole
        *both(lambda s: ball((s * 84, -44, 72), (13, 12, 9), yaw=s * 9, blend_mm=5)),  # bow of the lace
    ]


def _smock() -> list[Blend]:
    cloth = {"coat_mm": 1.0, "coat_width_mm": 38.0, "coat_length_mm": 150.0}
    return [
        limb((0, 8, 735), (0, 4, 895), 116, 112, flat=0.74, blend_mm=30, **cloth),  # chest
        drum((0, 6, 650), (146, 118, 142), flare=0.2, ease_mm=14, ripple_mm=9, ripples=7, blend_mm=70),  # skirt
        ball((0, 4, 505), (150, 118, 26), cut=True, blend_mm=14),  # under the hem
        ball((0, -30, 735), (92, 82, 92), blend_mm=50),  # belly
        *both(lambda s: ball((s * 96, 8, 905), (50, 46, 42), blend_mm=34)),  # shoulder
        drum((0, 6, 960), (58, 52, 12), ease_mm=9, blend_mm=14, pitch=-8),  # collar
        *both(lambda s: ball((s * 30, -62, 950), (36, 13, 20), roll=s * 28, pitch=52, blend_mm=4)),  # collar points
        *[ball((0, y, z), (9, 7, 9), blend_mm=2) for y, z in ((-83, 872), (-97, 806), (-119, 738))],  # buttons
        *both(lambda s: ball((s * 78, -114, 628), (40, 12, 42), yaw=s * 30, pitch=-8, blend_mm=8)),  # pockets
        *both(lambda s: ball((s * 78, -126, 668), (34, 9, 7), yaw=s * 30, pitch=-8, cut=True, blend_mm=6)),
    ]


def _hand() -> list[Blend]:
    """A hand with its palm to the front: wrist at the origin, fingers up, thumb towards -x."""
    lengths = ((-33, -11, 54, 9.6), (-12, -4, 64, 10.0), (10, 3.5, 60, 9.8), (32, 12, 47, 9.0))
    fingers: list[Blend] = []
    for x, lean, long, thick in lengths:
        way = np.array([np.sin(np.radians(2.0 * lean)), -0.1, np.cos(np.radians(2.0 * lean))])
        base = np.array([x * 0.9, 0.0, 66.0 - 0.006 * x * x])
        knuckle, tip = base + 0.55 * long * way, base + long * way + np.array([0.0, -11.0, 0.0])
        fingers += chain([base, knuckle, tip], [thick + 1.0, thick, thick - 1.6], steps=2, root_mm=7)
    thumb = chain([(-22, -4, 26), (-48, -14, 46), (-60, -18, 74)], [16, 13.0, 9.5], steps=2, root_mm=14)
    palm = [
        ball((0, 2, 40), (37, 17, 42), blend_mm=12),
        ball((-20, -8, 26), (18, 15, 26), roll=-30, blend_mm=10),  # ball of the thumb
        ball((2, -19, 44), (20, 9, 22), cut=True, blend_mm=16),  # hollow of the palm
    ]
    return palm + fingers + thumb


def _placed(solids: list[Blend], wrist: tuple[float, float, float], **turns: float) -> list[Blend]:
    turned = turn_about(solids, (0.0, 0.0, 0.0), **turns)
    return [replace(s, centre_mm=_sum(s.centre_mm, wrist)) for s in turned]


def _sum(one: tuple[float, float, float], two: tuple[float, float, float]) -> tuple[float, float, float]:
    return one[0] + two[0], one[1] + two[1], one[2] + two[2]


_LEFT_WRIST, _RIGHT_WRIST = (304.0, -58.0, 1046.0), (-250.0, -34.0, 640.0)
_LEFT_TURN = {"roll": 8.0, "pitch": -10.0, "yaw": -10.0}
_RIGHT_TURN = {"pitch": 176.0, "roll": -8.0, "yaw": 68.0}


def _arms() -> list[Blend]:
    cloth = {"coat_mm": 1.0, "coat_width_mm": 30.0, "coat_length_mm": 90.0}
    return [
        limb((100, 8, 902), (228, 6, 828), 46, 40, blend_mm=30, **cloth),  # left sleeve, out
        limb((228, 6, 828), (280, -34, 950), 40, 40, blend_mm=12, **cloth),  # and up
        drum((284, -37, 960), (42, 40, 8), roll=20, pitch=-14, ease_mm=6, blend_mm=6),  # cuff
        limb((278, -32, 940), _LEFT_WRIST, 29, 22, blend_mm=6),
        *_placed(_hand(), _LEFT_WRIST, **_LEFT_TURN),
        limb((-100, 8, 902), (-202, 22, 780), 46, 40, blend_mm=30, **cloth),  # right sleeve, down
        limb((-202, 22, 780), (-234, -2, 700), 40, 38, blend_mm=12, **cloth),
        drum((-236, -4, 694), (41, 39, 8), roll=16, pitch=20, ease_mm=6, blend_mm=6),
        limb((-234, -2, 700), _RIGHT_WRIST, 28, 21, blend_mm=6),
        *_placed(_hand(), _RIGHT_WRIST, **_RIGHT_TURN),
    ]


def _head() -> list[Blend]:
    return [
        limb((0, 14, 940), (0, 6, 1010), 42, 38, blend_mm=24),  # neck
        ball((0, 12, 1138), (90, 100, 96), blend_mm=20),  # skull
        ball((0, -26, 1086), (74, 72, 84), blend_mm=30),  # face
        ball((0, -58, 1034), (36, 32, 28), blend_mm=26),  # chin
        *both(lambda s: ball((s * 42, -52, 1076), (34, 32, 34), blend_mm=24)),  # cheeks
        *both(lambda s: ball((s * 33, -106, 1118), (23, 18, 15), cut=True, blend_mm=14)),  # sockets
        *both(lambda s: ball((s * 34, -83, 1117), (25, 24, 20.5), yaw=s * 14, blend_mm=9)),  # lids
        *both(lambda s: ball((s * 35, -107, 1116), (18.5, 20, 10.5), yaw=s * 14, roll=s * 4, cut=True, blend_mm=5)),
        *both(lambda s: ball((s * 33.5, -83, 1116.5), (17, 17, 17), blend_mm=1)),  # eyes
        *both(lambda s: ball((s * 32.5, -101.5, 1117), (6, 5, 6), cut=True, blend_mm=2)),  # pupils
        *both(lambda s: ball((s * 37, -89, 1146), (26, 12.5, 5.5), yaw=s * 18, roll=s * 8, blend_mm=9)),  # brows
        *chain([(0, -86, 1126), (0, -101, 1105), (0, -108, 1091)], [8, 9.5, 12.5], steps=2, root_mm=16, blend_mm=6),
        *both(lambda s: ball((s * 11.5, -98, 1088), (9, 10, 8), blend_mm=7)),  # wings of the nose
        *both(lambda s: ball((s * 6, -107, 1080), (4, 6, 3.6), cut=True, blend_mm=4)),  # nostrils
        ball((0, -82, 1056), (33, 17, 19), blend_mm=14),  # mouth's mound
        *both(lambda s: ball((s * 10, -96, 1062), (17, 9.5, 7), roll=s * 12, blend_mm=4)),  # upper lip
        ball((0, -94.5, 1047.5), (20, 10.5, 8), blend_mm=4),  # lower lip
        ball((0, -110, 1055), (27, 12, 3), cut=True, blend_mm=5),  # between them
        *both(lambda s: ball((s * 27, -92, 1059), (6, 6, 5), cut=True, blend_mm=9)),  # corners
        ball((0, -93, 1037), (20, 8, 5), cut=True, blend_mm=14),  # over the chin
        *both(_ear),
        *both(lambda s: ball((s * 101, -2, 1104), (8, 9, 15), cut=True, blend_mm=6)),
    ]


def _ear(side: float) -> Blend:
    return ball((side * 92, 8, 1106), (11, 19, 28), yaw=side * 24, pitch=8, blend_mm=10)


def _hair() -> list[Blend]:
    strand = {"coat_mm": 3.0, "coat_width_mm": 9.0, "coat_length_mm": 70.0}
    fringe: list[Blend] = []
    for k in range(-4, 5):
        x = 17.5 * k
        at = (x, -70 + 0.0098 * x * x, 1180 - 0.004 * x * x)
        fringe.append(ball(at, (13, 15, 34), pitch=22, roll=-5.0 * k + 10, blend_mm=9, **strand))
    return [
        ball((0, 28, 1156), (101, 104, 92), blend_mm=12, **_HAIR),
        *both(lambda s: ball((s * 84, 34, 1112), (26, 52, 66), yaw=s * 10, blend_mm=20, **_HAIR)),  # over the temples
        ball((0, 82, 1078), (82, 44, 62), blend_mm=26, **_HAIR),  # nape
        *fringe,
        *chain([(6, 70, 1236), (14, 96, 1252), (30, 104, 1240)], [15, 12, 6], steps=2, root_mm=14, **strand),  # a tuft
    ]


def _places() -> list[NamedBall]:
    return [
        NamedBall("left eye", "eye", (33, -98, 1117), 20),
        NamedBall("right eye", "eye", (-33, -98, 1117), 20),
        NamedBall("nose", "nose", (0, -110, 1094), 20),
        NamedBall("mouth", "mouth", (0, -98, 1055), 24),
        NamedBall("left ear", "part", (98, 6, 1106), 24),
        NamedBall("right ear", "part", (-98, 6, 1106), 24),
        NamedBall("chin", "part", (0, -82, 1028), 20),
        NamedBall("top of the head", "part", (0, 30, 1244), 40),
    ]


def standing_figure() -> Sculpt:
    """The table of the child: head turned a little, left hand up, right arm hanging clear of the side."""
    head = turn_about(_head()[1:] + _hair(), _HEAD_PIVOT, **_HEAD_TURN)
    solids = [*_smock(), *_legs(), _head()[0], *_arms(), *head]
    places = moved_places(_places(), _HEAD_PIVOT, **_HEAD_TURN)
    left = turn_about([ball((0, -4, 92), (1, 1, 1))], (0, 0, 0), **_LEFT_TURN)[0].centre_mm
    right = turn_about([ball((0, -4, 92), (1, 1, 1))], (0, 0, 0), **_RIGHT_TURN)[0].centre_mm
    places += [
        NamedBall("left fingers", "fingers", _sum(left, _LEFT_WRIST), 48),
        NamedBall("right fingers", "fingers", _sum(right, _RIGHT_WRIST), 48),
        NamedBall("chest", "part", (0, -80, 860), 50),
        NamedBall("left arm", "part", (180, 6, 858), 50),
        NamedBall("right arm", "part", (-190, 20, 785), 50),
        NamedBall("left leg", "part", (74, 0, 300), 60),
        NamedBall("right leg", "part", (-74, 0, 300), 60),
        NamedBall("back", "part", (0, 95, 830), 60),
    ]
    return Sculpt(
        "figure", "Standing child", 1250.0, tuple(solids), tuple(places), (-330, -200, 0), (420, 190, 1300), 1.2e6, 2.9
    )
