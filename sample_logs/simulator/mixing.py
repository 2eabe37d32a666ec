"""From the travel of door and valve to the air through the core and the coolant through it."""

from __future__ import annotations

import numpy as np

from ingest.arrays import Floats
from sample_logs.simulator.car import Car, Mixing


def door_share(mixing: Mixing, travel: Floats) -> Floats:
    """Share of the air through the core for a blend door's travel (0 to 1)."""
    curve = (1.0 - mixing.bend) * travel + mixing.bend * travel**2 * (3.0 - 2.0 * travel)
    return mixing.least + (mixing.most - mixing.least) * curve


def valve_opening(mixing: Mixing, travel: Floats) -> Floats:
    """Share of the full coolant flow for a water valve's travel: equal percentage from its seat."""
    seat = 1.0 / mixing.rangeability
    opening = (mixing.rangeability ** (travel - 1.0) - seat) / (1.0 - seat)
    return mixing.valve_leak + (1.0 - mixing.valve_leak) * opening


def core_air_share(car: Car, travel: Floats) -> Floats:
    """Share of the air through the core: all of it where a water valve does the work."""
    if car.heater == "water-valve":
        return np.full(travel.size, car.mixing.most)
    return door_share(car.mixing, travel)


def coolant_share(car: Car, travel: Floats, drawn: Floats) -> Floats:
    """Share of the full coolant flow let through, shape (n,).

    Parameters
    ----------
    car
        The car; an air-mixing heater has no valve, a combined one shuts its valve only near the
        cold end.
    travel
        Door or valve travel, 0 to 1.
    drawn
        Stroke of the valve's vacuum actuator, 0 to 1, where it has one.
    """
    mixing = car.mixing
    if car.heater == "blend-air":
        return np.ones(travel.size)
    if car.heater == "water-valve":
        opening = valve_opening(mixing, travel)
    else:
        opening = np.clip(travel / mixing.cut_off, mixing.valve_leak, 1.0)
    return np.maximum(mixing.valve_leak, opening * drawn) if car.vacuum.moves_valve else opening


def full_flow(car: Car, rpm: Floats) -> Floats:
    """Coolant heat capacity rate with the branch fully open, W/K."""
    return car.loop.flow * car.loop.flow_factor * np.maximum(rpm, 0.0) / 1000.0


def case_leak(car: Car, speed: Floats) -> Floats:
    """Share of the air that gets past the core cold."""
    mixing = car.mixing
    return np.clip(mixing.case_leak + mixing.case_leak_per_speed * speed, 0.0, 0.9)
