"""Lever, slot and cable: from the lever's position to the travel of the door or valve.

The cable moves the door one for one once its play is taken up. The slot is a little longer than
the door's own travel, so a car in adjustment has a few percent of backlash at either end. A cable
out of adjustment shifts the whole door travel along the slot: what is lost at one end appears as
dead travel at the other.
"""

from __future__ import annotations

import numpy as np

from ingest.arrays import Floats
from sample_logs.simulator.car import Cable


def door_travel(cable: Cable, lever: Floats) -> Floats:
    """Travel of the door (0 cold stop to 1 hot stop) as the lever moves.

    Parameters
    ----------
    cable
        The cable.
    lever
        Lever position in time order, %, shape (n,).

    Returns
    -------
    ndarray
        Travel, shape (n,); the play is taken up in the direction of movement.
    """
    half = cable.play / 2.0
    inner = float(lever[0])
    followed = np.empty(lever.size)
    for index, position in enumerate(lever.tolist()):
        if position - half > inner:
            inner = position - half
        elif position + half < inner:
            inner = position + half
        followed[index] = inner
    return travel_of(cable, followed)


def settled_travel(cable: Cable, lever: Floats, *, opening: bool) -> Floats:
    """Travel at lever positions approached from below (`opening`) or from above.

    Parameters
    ----------
    cable
        The cable.
    lever
        Lever positions, %, shape (n,).
    opening
        Direction of approach.
    """
    half = cable.play / 2.0
    return travel_of(cable, lever - half if opening else lever + half)


def travel_of(cable: Cable, inner: Floats) -> Floats:
    """Travel for a position of the cable's inner wire, in % of the lever's travel."""
    span = 100.0 - cable.backlash_cold - cable.backlash_hot
    travel = np.clip((inner - cable.backlash_cold - cable.offset) / span, 0.0, 1.0)
    return 1.0 - travel if cable.backwards else travel
