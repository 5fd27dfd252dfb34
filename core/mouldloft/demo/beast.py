"""A long-tailed beast on its hind legs, on a low oval base; 1.3 m. All shapes and sizes are invented for the demo."""

from __future__ import annotations

import numpy as np

from .body import NamedBall, Sculpt, moved_places
from .carving import PLINTH, Blend, ball, both, chain, limb, turn_about

_HIDE = {"coat_mm": 2.6, "coat_width_mm": 24.0, "coat_length_mm": 30.0}
_FINE = {"coat_mm": 1.6, "coat_width_mm": 15.0, "coat_length_mm": 20.0}
_HEAD_PIVOT = (0.0, -60.0, 1080.0)
_HEAD_TURN = {"yaw": -14.0, "roll": -2.0}
_TAIL = [
    (0, 170, 300), (-30, 290, 165), (40, 400, 84), (190, 360, 74), (286, 210, 72), (302, 40, 72), (280, -100, 80),
    (262, -178, 124), (284, -226, 184),
]  # fmt: skip
_TAIL_RADII = [128, 96, 74, 60, 50, 42, 33, 25, 9]


def _trunk() -> list[Blend]:
    return [
        Blend(PLINTH, (34.0, 70.0, 0.0), (366.0, 420.0, 44.0), blend_mm=1.0),
        ball((0, 90, 420), (150, 165, 215), pitch=16, blend_mm=60, **_HIDE),  # haunches
        ball((0, 10, 520), (134, 140, 190), pitch=-6, blend_mm=80, **_HIDE),  # belly
        limb((0, 60, 480), (0, -10, 790), 138, 104, flat=1.04, blend_mm=80, **_HIDE),  # body
        ball((0, -30, 790), (112, 98, 130), pitch=-8, blend_mm=70, **_HIDE),  # chest
        *chain(
            [(0, -10, 830), (0, 16, 930), (0, -6, 1030), (0, -50, 1100)],
            [92, 70, 62, 64],
            steps=2,
            root_mm=80,
            blend_mm=14,
            **_HIDE,
        ),  # neck
        ball((0, 130, 190), (110, 130, 180), blend_mm=60, **_HIDE),  # between the heels
        *both(lambda s: ball((s * 104, 70, 70), (72, 130, 92), blend_mm=30, **_HIDE)),
        ball((0, 268, 60), (100, 130, 96), blend_mm=30, **_HIDE),  # under the root of the tail
    ]


def _hindleg(s: float) -> list[Blend]:
    return [
        ball((s * 122, 40, 330), (84, 150, 176), pitch=-24, blend_mm=44, **_HIDE),  # thigh
        limb((s * 140, -62, 280), (s * 142, 66, 150), 64, 44, blend_mm=36, **_HIDE),  # shank
        limb((s * 142, 66, 150), (s * 148, -20, 84), 44, 42, blend_mm=26, **_FINE),  # heel to foot
        ball((s * 150, -62, 68), (56, 84, 38), yaw=s * 6, blend_mm=26, **_FINE),
        *[part for k in (-1, 0, 1) for part in _toe(s * 150 + k * 36 + s * 4, k)],
    ]


def _toe(x: float, k: int) -> list[Blend]:
    return [
        limb((x - 8 * k, -96, 62), (x + 4 * k, -148, 57), 22, 19, blend_mm=14, coat_mm=0.8, coat_width_mm=12.0),
        *chain([(x + 4 * k, -154, 57), (x + 7 * k, -184, 53), (x + 8 * k, -204, 45)], [14, 11, 5], steps=2, root_mm=5),
    ]


def _arm(s: float, lift: float) -> list[Blend]:
    hand = np.array([s * 118.0, -226.0, 712.0 + lift])
    return [
        ball((s * 106, -20, 800), (54, 62, 76), blend_mm=40, **_HIDE),  # shoulder
        limb((s * 122, -20, 790), (s * 148, -56, 668 + 0.3 * lift), 44, 36, blend_mm=26, **_FINE),
        limb((s * 148, -56, 668 + 0.3 * lift), (s * 122, -186, 706 + lift), 36, 26, blend_mm=14, **_FINE),
        ball((float(hand[0]), float(hand[1] + 12), float(hand[2])), (34, 36, 24), roll=s * -30, blend_mm=16, **_FINE),
        *[part for k in (-1, 0, 1) for part in _claw(hand, s, k)],
    ]


def _claw(hand: np.ndarray, s: float, k: int) -> list[Blend]:
    side = np.array([k * 23.0, -16.0 - 4.0 * (k == 0), s * k * -6.0])
    a = hand + side
    b, c = a + np.array([k * 7.0, -34.0, 0.0]), a + np.array([k * 9.0, -50.0, -26.0])
    return chain([a, b, c], [15, 12.5, 5], steps=2, root_mm=9)


def _head() -> list[Blend]:
    return [
        ball((0, -80, 1142), (78, 98, 76), pitch=12, blend_mm=46, **_FINE),  # skull
        limb((0, -110, 1128), (0, -262, 1086), 62, 44, flat=0.8, blend_mm=40, **_FINE),  # upper jaw
        limb((0, -84, 1082), (0, -240, 1052), 52, 32, flat=0.6, blend_mm=16, **_FINE),  # lower jaw
        ball((0, -274, 1096), (40, 26, 26), blend_mm=20),  # nose
        *both(lambda s: ball((s * 19, -296, 1104), (7, 13, 8), roll=s * 30, cut=True, blend_mm=6)),  # nostrils
        ball((0, -250, 1069), (64, 62, 5.2), pitch=14, cut=True, blend_mm=5),  # mouth
        *both(lambda s: ball((s * 47, -184, 1074), (8, 20, 8), pitch=24, cut=True, blend_mm=8)),  # its corners
        *both(lambda s: ball((s * 62, -138, 1152), (18, 34, 22), yaw=s * -26, cut=True, blend_mm=12)),  # sockets
        *both(lambda s: ball((s * 52, -132, 1153), (24, 31, 24), yaw=s * -26, blend_mm=8)),  # lids
        *both(lambda s: ball((s * 78, -150, 1152), (20, 21, 10.5), yaw=s * -26, cut=True, blend_mm=3)),
        *both(lambda s: ball((s * 51, -134, 1152.5), (19, 20, 19), blend_mm=1)),  # eyes
        *both(lambda s: ball((s * 69, -144, 1152.5), (6, 5, 9), yaw=s * -26, cut=True, blend_mm=2)),  # slit pupils
        *both(lambda s: ball((s * 54, -132, 1180), (16, 46, 13), yaw=s * -20, pitch=-8, blend_mm=12)),  # brows
        *both(lambda s: limb((s * 52, -60, 1190), (s * 78, 6, 1236), 20, 6, blend_mm=16, **_FINE)),  # ear spikes
        *[part for s in (1.0, -1.0) for part in _frill(s)],
    ]


def _frill(s: float) -> list[Blend]:
    return [ball((s * 82, -48, 1100 - 30 * k), (9, 34, 15), yaw=s * 30, pitch=18, blend_mm=8) for k in range(2)]


def _crest() -> list[Blend]:
    """Plates down the nape and the spine, standing across the surface behind them."""
    spine = [(0, 2, 1196), (0, 74, 1100), (0, 84, 1010), (0, 88, 920), (0, 98, 820), (0, 138, 720), (0, 186, 620),
             (0, 236, 520), (0, 272, 420), (-8, 312, 320), (-16, 366, 240)]  # fmt: skip
    plates = []
    for k, at in enumerate(spine):
        tall = 38 + 20 * np.sin(np.pi * k / (len(spine) - 1))
        plates.append(ball(at, (11, 30, float(tall)), pitch=58 - 2 * k if k else 30, blend_mm=10))
    return plates


def _places() -> list[NamedBall]:
    return [
        NamedBall("left eye", "eye", (70, -144, 1152), 24),
        NamedBall("right eye", "eye", (-70, -144, 1152), 24),
        NamedBall("nose", "nose", (0, -292, 1100), 30),
        NamedBall("mouth", "mouth", (0, -268, 1062), 36),
    ]


def standing_beast() -> Sculpt:
    """The table of the beast: head turned to its right, the tail round its left side."""
    head = turn_about(_head(), _HEAD_PIVOT, **_HEAD_TURN)
    tail = chain(_TAIL, _TAIL_RADII, steps=4, root_mm=60, blend_mm=6, **_HIDE)
    solids = [*_trunk(), *_hindleg(1.0), *_hindleg(-1.0), *tail, *_arm(1.0, 34), *_arm(-1.0, -14), *head, *_crest()]
    places = moved_places(_places(), _HEAD_PIVOT, **_HEAD_TURN)
    places += [
        NamedBall("left claws", "fingers", (118, -262, 740), 44),
        NamedBall("right claws", "fingers", (-118, -262, 690), 44),
        NamedBall("tail", "part", (302, 50, 100), 50),
        NamedBall("chest", "part", (0, -122, 780), 50),
        NamedBall("left hind leg", "part", (150, 0, 250), 60),
        NamedBall("right hind leg", "part", (-150, 0, 250), 60),
        NamedBall("left foreleg", "part", (150, -60, 670), 45),
        NamedBall("right foreleg", "part", (-150, -60, 660), 45),
        NamedBall("back", "part", (0, 150, 720), 60),
    ]
    return Sculpt(
        "beast", "Standing beast", 1300.0, tuple(solids), tuple(places), (-350, -390, 0), (420, 510, 1330), 2.7e6, 4.6
    )
