"""A division that the mould is planned in: its joints as the seam."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from ...base.errors import PlanImpossible
from ...base.figures import listed
from ...geometry.contour import face_centres
from ...inputs.brief import Brief
from ..master import Master
from ..seam import Seam, SeamFigures, SeamPiece, line_along
from .propose import Division

_LEAST_JOINT_MM = 5.0  # a shorter open one is a crumb where three pieces meet


def takes_division(brief: Brief, division: Division) -> bool:
    """May the mould be planned in the pieces of this division? As proposed only where they come off and better two;
    the table of ways then decides."""
    if brief.seam.pieces == "as proposed":
        return division.comes_off and division.fill_mm3 < division.two_piece_fill_mm3
    return brief.seam.pieces == len(division.shares)


def seam_of_division(master: Master, division: Division, two: Seam, show: np.ndarray) -> Seam:
    """The seam of a division's pieces. two : the seam of two pieces, to compare with; show : (m,) how much each face
    shows. Pieces are numbered in the order they are made, the reverse of coming off. Raises `PlanImpossible` where the
    pieces hold each other."""
    if not division.order:
        raise PlanImpossible(
            f"No order was found in which {len(division.shares)} pieces come off; ask for another number under [seam] "
            "pieces, keep two, or work the sculpt over."
        )
    if any(step.hits for step in division.order):
        stuck = listed(step.piece for step in division.order if step.hits)
        raise PlanImpossible(
            f"On the way off the {stuck} would touch what still stands; ask for another number under [seam] pieces, "
            "keep two, or work the sculpt over."
        )
    # numbered as they are made: the last made comes off first
    number = {step.piece: k for k, step in enumerate(reversed(division.order))}
    made = sorted(division.shares, key=lambda piece: number[piece.name])
    labels = np.array([number[piece.name] for piece in division.shares], np.int8)[division.labels]
    tree = cKDTree(face_centres(master.vertices_mm, master.faces))
    lines = []
    for joint in division.joints:
        if joint.closed or joint.length_mm > _LEAST_JOINT_MM:
            a, b = sorted(number[name] for name in joint.between)
            lines.append(line_along(joint.points_mm, joint.closed, show[tree.query(joint.points_mm)[1]], (a, b)))
    lines.sort(key=lambda line: (-line.length_mm, *line.points_mm.min(axis=0)))
    length = sum(line.length_mm for line in lines)
    figures = SeamFigures(
        "joints",
        length,
        sum(line.show * line.length_mm for line in lines),
        division.locked_area_mm2,
        division.fill_mm3,
        len(lines),
    )
    return Seam(
        "joints",
        labels,
        tuple(SeamPiece(p.name, p.pull, p.area_mm2) for p in made),
        tuple(lines),
        0.0,
        length,
        figures,
        two.figures,
        tuple(step.piece for step in division.order),
    )
