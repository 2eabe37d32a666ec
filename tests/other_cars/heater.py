"""The heater's algebra: doors, valves, core, air and leaks, on arrays of any common shape."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tests.other_cars.cars import Car

Floats = NDArray[np.float64]

CELLS: Final = 5
CP_AIR: Final = 1006.0
CP_COOLANT: Final = 3500.0


def batch(cars: Sequence[Car]) -> Any:
    """Parameters of many cars as arrays, one entry a car."""
    return SimpleNamespace(
        **{
            item.name: np.array([getattr(car, item.name) for car in cars])
            for item in dataclasses.fields(Car)
            if item.name not in ("family", "heater")
        },
        blend=np.array([car.heater != "water-valve" for car in cars]),
        combined=np.array([car.heater == "combined" for car in cars]),
    )


def single(car: Car) -> Any:
    """Parameters of one car as numbers, to be used against arrays of any shape."""
    return SimpleNamespace(**{name: value[0] for name, value in vars(batch([car])).items()})


def door_shape(kind: Floats, x: Floats) -> Floats:
    """Share of the air through the core at door position x (0..1), by characteristic."""
    return np.select(
        [kind == 1, kind == 2, kind == 3],
        [
            np.sin(np.pi / 2 * x) ** 2 * 0.5 + 0.5 * x,
            x * x * (3 - 2 * x) * 0.75 + 0.25 * x,
            np.where(x < 0.4, 0.7 * x, 0.28 + (x - 0.4) * 1.2),
        ],
        x,
    )


def opened(p: Any, x: Floats, vacuum: Floats) -> tuple[Floats, Floats]:
    """Share of air through the core and share of the full coolant flow at actuator position x.

    Where the temperature control works by vacuum, too little of it leaves the valve short of open.
    """
    reach = np.where(p.needs_vacuum > 0, np.clip(vacuum / np.maximum(p.needs_vacuum, 1), 0, 1), 1.0)
    share = np.where(p.blend, door_shape(p.door, x), 1.0)
    lifted = np.where(p.combined, np.clip(x / 0.08, 0, 1), x) * reach
    flow = np.where(
        p.blend & ~p.combined,
        1.0,
        np.where(
            p.combined,
            lifted,
            (p.rangeability**lifted - 1) / (p.rangeability - 1),
        ),
    )
    return share, np.maximum(flow, p.valve_seep)


def through_core(p: Any, share: Floats, speed: Floats) -> Floats:
    """Share of all air that really crosses the core: less what leaks past, more what seeps."""
    hot = np.where(p.blend, p.seep_hot + (1 - p.seep_hot) * share, share)
    return hot * (1 - np.clip(p.bypass + p.bypass_ram * speed, 0, 0.7))


def air_effectiveness(p: Any, air: Floats) -> Floats:
    """How near the air crossing the core comes to the core's metal."""
    conductance = p.ua_air * (air / 0.085) ** 0.6
    return 1 - np.exp(-conductance / (np.maximum(air, 1e-4) * CP_AIR))


def water_conductance(p: Any, flow: Floats) -> Floats:
    return p.ua_water * (flow / 0.13) ** 0.75 + 8.0


def under_hood(engine: Floats, ambient: Floats) -> Floats:
    """Air around the hoses."""
    return ambient + 0.15 * (engine - ambient)


def air_flow(p: Any, blower: Floats, door: Floats, speed: Floats) -> Floats:
    """Air through the heater, kg/s."""
    fan = np.array([0.0, 0.42, 0.62, 0.82, 1.0])[blower.astype(int)]
    gate = 0.22 + 0.78 * np.clip(door / 60, 0, 1)
    return np.maximum(p.air_flow * fan * gate + p.ram * speed, 0.002)


def leak_rate(p: Any, line: Floats) -> Floats:
    """Loss of vacuum, kPa/s: in proportion through a capillary, by its root through an orifice."""
    return np.where(p.orifice > 0, 7.0 * np.sqrt(np.maximum(line, 0)), line) / p.reservoir_lag


def foot_target(
    p: Any, outlet: Floats, cabin: Floats, ambient: Floats, air: Floats, speed: Floats
) -> Floats:
    """Footwell air: a mixture of the outlet's, the cabin's and what leaks in from outside."""
    mine = np.clip(air / 0.07, 0.02, 1.3)
    leak = p.foot_leak + p.foot_leak_speed * (speed / 10) ** 1.2
    return (mine * outlet + p.foot_cabin * cabin + leak * ambient) / (mine + p.foot_cabin + leak)
