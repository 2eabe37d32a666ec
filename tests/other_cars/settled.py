"""The settled heater: what the model comes to when nothing changes any more."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from tests.other_cars.cars import Car
from tests.other_cars.heater import (
    CELLS,
    CP_AIR,
    CP_COOLANT,
    air_effectiveness,
    air_flow,
    foot_target,
    leak_rate,
    opened,
    single,
    through_core,
    under_hood,
    water_conductance,
)
from tests.other_cars.trips import FLOOR_SHARE

Floats = NDArray[np.float64]

LEVER: Final = np.linspace(0.0, 100.0, 2001)
SPAN_ENDS: Final = (0.025, 0.975)


@dataclass(frozen=True)
class Conditions:
    """What the heater stands in; every number may be an array of one common shape."""

    engine: Floats
    inlet: Floats
    ambient: Floats
    revs: Floats
    speed: Floats
    blower: Floats
    air_door: Floats
    vacuum: Floats
    cabin: Floats = field(default_factory=lambda: np.array(18.0))
    lift: Floats = field(default_factory=lambda: np.array(0.0))


class Model(Protocol):
    """What the truth of a drive asks of its car."""

    def actuator_for(self, backlash: Floats) -> Floats:
        """Position of the door or valve, 0..1, for a cable position, %."""

    def settled_heater(self, actuator: Floats, c: Conditions) -> tuple[Floats, Floats]:
        """Outlet (fully fed) and supply-hose temperature, °C."""

    def settled_foot(self, outlet: Floats, c: Conditions, mode: int) -> Floats:
        """Footwell for an outlet, °C."""

    def leak_rate(self, line: Floats) -> Floats:
        """Loss of vacuum, kPa/s."""


def settled_heater(car: Car, actuator: Floats, c: Conditions) -> tuple[Floats, Floats]:
    """Outlet (fully fed) and supply-hose temperature for actuator positions 0..1, °C."""
    p: Any = single(car)
    share, flow_share = opened(p, actuator, c.vacuum)
    # half the chatter of a reversed core's flow is what it loses in the mean
    chatter = 1 - p.pulse * (1 - 1 / 1.7)
    flow = p.heater_flow * (c.revs / 1500) ** p.pump_exponent * flow_share * chatter
    flow = np.maximum(flow, 1e-4)
    air = air_flow(p, c.blower, c.air_door, c.speed)
    crossing = through_core(p, share, c.speed)
    core_air = np.maximum(air * crossing, 2e-4)
    eps = air_effectiveness(p, core_air)
    to_air = core_air * CP_AIR * eps / CELLS
    to_water = water_conductance(p, flow) / CELLS
    both = to_air * to_water / (to_air + to_water)
    carried = flow * CP_COOLANT
    bay = under_hood(c.engine, c.ambient)
    warm = c.engine
    for _ in range(2):
        warm = (carried * warm + p.hose_loss / 2 * bay) / (carried + p.hose_loss / 2)
    supply = warm
    metal = np.zeros(np.broadcast_shapes(actuator.shape, np.shape(c.engine)))
    for _ in range(CELLS):
        warm = (carried * warm + both * c.inlet) / (carried + both)
        metal = metal + (to_water * warm + to_air * c.inlet) / (to_water + to_air) / CELLS
    mixed = crossing * (c.inlet + eps * (metal - c.inlet)) + (1 - crossing) * c.inlet
    return mixed - p.duct_loss * (mixed - c.ambient), supply


def actuator_for(car: Car, backlash: Floats) -> Floats:
    x = np.clip((backlash - car.closed_at) / (car.open_at - car.closed_at), 0, 1)
    return 1 - x if car.backwards else x


@dataclass(frozen=True)
class CarModel:
    """`Model` of a car."""

    car: Car

    def actuator_for(self, backlash: Floats) -> Floats:
        return actuator_for(self.car, backlash)

    def settled_heater(self, actuator: Floats, c: Conditions) -> tuple[Floats, Floats]:
        return settled_heater(self.car, actuator, c)

    def settled_foot(self, outlet: Floats, c: Conditions, mode: int) -> Floats:
        p = single(self.car)
        air = air_flow(p, c.blower, c.air_door, c.speed) * FLOOR_SHARE[mode]
        return foot_target(p, outlet, c.cabin, c.ambient, air, c.speed)

    def leak_rate(self, line: Floats) -> Floats:
        return leak_rate(single(self.car), line)


def travel_ends(
    model: Model, lash: float, c: Conditions, direction: str, *, coolant_logged: bool,
    shares: tuple[float, ...] = SPAN_ENDS,
) -> Floats:  # fmt: skip
    """Lever positions where theta has covered `shares` of its span, settled, %.

    Parameters
    ----------
    direction
        ``opening`` or ``closing`` (the play lags the lever), or ``mean`` (no play).
    coolant_logged
        Whether theta is against the supply hose or the outlet's own span.
    """
    half = lash / 2
    if direction == "opening":
        backlash = np.maximum(LEVER - half, half)  # it came from 0 and hangs behind
    elif direction == "closing":
        backlash = np.minimum(LEVER + half, 100 - half)
    else:
        backlash = LEVER
    outlet, supply = model.settled_heater(model.actuator_for(backlash), c)
    rise = outlet - c.inlet
    theta = rise / (supply - c.inlet) if coolant_logged else rise
    theta = np.maximum.accumulate(theta)
    covered = (theta - theta[0]) / (theta[-1] - theta[0])
    return np.array([LEVER[int(np.argmax(covered >= share))] for share in shares])
