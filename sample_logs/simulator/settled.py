"""The outlet's settled temperature in closed form: what the heat balance tends to.

Used for the true values of figures that are defined on the settled curve, so that they do not
depend on how long a lever position was held.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.arrays import Floats
from sample_logs.simulator.car import Car
from sample_logs.simulator.core import settled_off_air
from sample_logs.simulator.mixing import coolant_share, core_air_share


@dataclass(frozen=True, slots=True)
class Conditions:
    """What stays the same while the lever is moved.

    Parameters
    ----------
    coolant
        Coolant in the supply hose, °C.
    inlet_air, ambient, cabin
        Air before the core, outside and in the cabin, °C.
    speed
        Road speed, m/s.
    air
        Heat capacity rate of all the air, W/K.
    full_flow
        Heat capacity rate of the coolant with the branch fully open, W/K.
    leak
        Share of the air past the core.
    floor
        Share of the air to the floor.
    drawn
        Stroke of the valve's vacuum actuator, 0 to 1.
    """

    coolant: float
    inlet_air: float
    ambient: float
    cabin: float
    speed: float
    air: float
    full_flow: float
    leak: float
    floor: float
    drawn: float


def settled_outlet(car: Car, travel: Floats, at: Conditions) -> Floats:
    """Settled floor outlet temperature for door or valve travels, °C, shape (n,).

    The core of a combined heater is taken as hot at any travel: behind its shut valve it has only
    the little air past a shut door to cool it, which takes the better part of an hour.
    """
    shares = core_air_share(car, travel) * (1.0 - at.leak)
    valve = np.ones(travel.size) if car.heater == "combined" else travel
    flows = at.full_flow * coolant_share(car, valve, np.full(travel.size, at.drawn))
    mixed = np.array(
        [
            at.inlet_air
            + share
            * (
                settled_off_air(car.loop, share * at.air, flow, at.coolant, at.inlet_air)
                - at.inlet_air
            )
            for share, flow in zip(shares.tolist(), flows.tolist(), strict=True)
        ]
    )
    ducts = car.ducts
    air = at.floor * at.air
    exchanged = -np.expm1(-ducts.wall / air)
    gain = exchanged * air
    wall = (gain * mixed + ducts.loss * at.cabin) / (gain + ducts.loss)
    outlet: Floats = mixed - exchanged * (mixed - wall)
    return outlet


def settled_footwell(car: Car, outlet: float, at: Conditions) -> float:
    """Settled footwell temperature for an outlet temperature, °C, the cabin as it is."""
    body = car.body
    jet = body.jet * at.floor * at.air
    draft = body.draft_per_speed * at.speed
    warm = jet * outlet + body.exchange * at.cabin + draft * at.ambient
    return warm / (jet + body.exchange + draft)
