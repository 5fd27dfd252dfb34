"""Whether the two halves of a glove bring each other home: jackets closed, is any slide or turn of one on the other
left free?"""

from __future__ import annotations

import numpy as np

from .record import Envelope, RegistrationCheck

LEAST_STIFFNESS = 0.05  # common practice, no source: as for keys
_MOTIONS = ("slide across the pull", "slide up the wall", "slide along the pull", "turn", "turn", "turn")


def check_registration(envelope: Envelope) -> RegistrationCheck:
    """The check of a piece's flange against its neighbour's, both rubbers on one surface, bead and domes in it.

    Every place of the flange resists motion along its normal n and no other, and as ridge sits in groove and both
    jackets are shut, in both senses: the mean over the flange of w wᵀ with w = (n, arm × n / gyration). The root of its
    least eigenvalue is 0 where some slide or turn is free, as all of a bare plane's three are.
    """
    p = envelope.pixel_mm
    parting = envelope.parting_mm.astype(float)
    # where the body's outside is higher than a flange the halves meet under it too
    meets = envelope.flange if envelope.bead_mm is None else envelope.flange | (envelope.bead_mm != 0.0)
    flange = meets & np.isfinite(envelope.outer_mm)
    if flange.sum() < 3:
        return RegistrationCheck(0.0, LEAST_STIFFNESS, "turn")
    across, along = np.gradient(parting, p)
    i, j = np.nonzero(flange)
    normal = np.column_stack([-along[i, j], -across[i, j], np.ones(len(i))])
    area = np.linalg.norm(normal, axis=1)
    normal /= area[:, None]
    at = np.column_stack([p * j, p * i, parting[i, j]])
    at -= np.average(at, axis=0, weights=area)
    gyration = float(np.sqrt(np.average((at**2).sum(axis=1), weights=area)))
    wrench = np.concatenate([normal, np.cross(at, normal) / gyration], axis=1)
    contact = (wrench * area[:, None]).T @ wrench / area.sum()
    values, ways = np.linalg.eigh(contact)
    worst = _MOTIONS[int(np.argmax(np.abs(ways[:, 0])))]
    return RegistrationCheck(float(np.sqrt(max(values[0], 0.0))), LEAST_STIFFNESS, worst)
