"""The engine's side: heat, coolant pump, thermostat, fan, and heaters in an engine's place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from tests.other_cars.ensemble.laws.law import Shape

Floats = NDArray[np.float64]


def by_power(revs: Floats, k: float) -> Floats:
    return np.asarray((revs / 1500) ** (0.4 + 0.5 * k))


def affine(revs: Floats, k: float) -> Floats:
    start = 0.2 + 0.4 * k
    return start + (1 - start) * revs / 1500


def electric(revs: Floats, k: float) -> Floats:
    return 1 + 0 * revs


def saturating(revs: Floats, k: float) -> Floats:
    rate = 0.8 + k
    return np.expm1(-rate * revs / 1500) / np.expm1(-rate)


PUMPS: Final[dict[str, Shape]] = {
    "by power": by_power, "affine": affine, "electric": electric, "saturating": saturating,
    "bypass": by_power,
}  # fmt: skip
"""Heater flow over that at 1500 rpm with the engine running; `bypass` also answers to the
thermostat, whose opening takes flow away from the heater or gives it some (`Car.bypass_flow`)."""


class Heat(Protocol):
    """Heat into the coolant, W: size 1 is a middling engine."""

    def __call__(self, revs: Floats, speed: Floats, load: Floats, /) -> Floats: ...


def by_speed(revs: Floats, speed: Floats, load: Floats) -> Floats:
    return 4840 + 2640 * revs / 1000 + 380 * speed


def by_load(revs: Floats, speed: Floats, load: Floats) -> Floats:
    return (5600 + 13000 * load) * (0.35 + 0.65 * revs / 1000)


def road_load(revs: Floats, speed: Floats, load: Floats) -> Floats:
    """Friction by revolutions; power for rolling and air drag, and as much heat to the coolant."""
    return 1500 + 4300 * revs / 1000 + 230 * speed + 0.42 * speed**3 + 6000 * load


HEATS: Final[dict[str, Heat]] = {
    "by speed": by_speed, "by load": by_load, "road load": road_load,
}  # fmt: skip


@dataclass(frozen=True)
class Wax:
    """How a thermostat follows the coolant.

    Parameters
    ----------
    lag_open, lag_close
        Lag of the wax, s.
    lash
        K that closing hangs behind opening.
    seep
        Lift that never closes, of a good one.
    by_load
        K that full load lowers the opening by.
    at_inlet
        Share of the radiator's return that it feels.
    """

    lag_open: float = 14.0
    lag_close: float = 14.0
    lash: float = 1.6
    seep: float = 0.0
    by_load: float = 0.0
    at_inlet: float = 0.0


THERMOSTATS: Final[dict[str, Wax]] = {
    "ideal": Wax(0.5, 0.5, 0.0),
    "wax": Wax(),
    "leaky": Wax(10.0, 10.0, 1.0, seep=0.004),
    "slow to close": Wax(9.0, 30.0, 3.0),
    "by load": Wax(12.0, 12.0, 1.2, by_load=7.0),
    "at the inlet": Wax(10.0, 10.0, 1.5, at_inlet=0.15),
}


@dataclass(frozen=True)
class Fan:
    """Air through the radiator beyond what the road gives, W/K by a state or a temperature.

    Parameters
    ----------
    size
        W/K when on.
    on, off
        Coolant temperature it starts and stops at, above the thermostat's opening, K.
    smooth
        Whether it comes in gradually over that span.
    """

    size: float
    on: float
    off: float
    smooth: bool = False


FANS: Final[dict[str, Fan]] = {
    "belt": Fan(0.0, 0.0, 0.0), "cycling": Fan(450.0, 12.0, 7.0),
    "viscous": Fan(500.0, 10.0, 4.0, smooth=True),
}  # fmt: skip


@dataclass(frozen=True)
class CoolantHeater:
    """Heat instead of an engine's: W, level held, and how.

    Parameters
    ----------
    power
        W at full.
    level
        °C where it has nothing left to add.
    band
        K over which a modulating one comes down; 0 for one that works in stages.
    """

    power: float
    level: float
    band: float


HEATERS: Final[dict[str, CoolantHeater]] = {
    "electric": CoolantHeater(7500.0, 84.0, 9.0),
    "fuel": CoolantHeater(9500.0, 86.0, 14.0),
    "staged": CoolantHeater(9000.0, 82.0, 0.0),
}
