"""Air: what the blower's steps and the road give, and what the duct loses on the way."""

from __future__ import annotations

from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from tests.other_cars.ensemble.laws.law import Shape

Floats = NDArray[np.float64]

CP_AIR: Final = 1006.0

BLOWERS: Final[dict[str, tuple[float, ...]]] = {
    "resistors": (0.0, 0.42, 0.62, 0.82, 1.0),
    "strong": (0.0, 0.55, 0.7, 0.85, 1.0),
    "even": (0.0, 0.28, 0.5, 0.75, 1.0),
}
"""Share of the full flow at each step."""


class Ram(Protocol):
    """Air flow, kg/s, from the blower's own, the road speed (m/s) and kg/s at 30 m/s."""

    def __call__(self, fan: Floats, speed: Floats, at_30: float, /) -> Floats: ...


def no_ram(fan: Floats, speed: Floats, at_30: float) -> Floats:
    return fan + 0 * speed


def linear(fan: Floats, speed: Floats, at_30: float) -> Floats:
    return fan + at_30 * speed / 30


def square(fan: Floats, speed: Floats, at_30: float) -> Floats:
    return fan + at_30 * (speed / 30) ** 2


def pressures_add(fan: Floats, speed: Floats, at_30: float) -> Floats:
    """Blower and dynamic pressure in series through one resistance: flows add by their squares."""
    return np.sqrt(fan**2 + (2 * at_30 * speed / 30) ** 2)


RAMS: Final[dict[str, Ram]] = {
    "none": no_ram, "linear": linear, "square": square, "pressures add": pressures_add,
}  # fmt: skip


def constant(share: Floats, k: float) -> Floats:
    return 1 + 0 * share


def core_resists(share: Floats, k: float) -> Floats:
    """The way through the core passes less air than the way round it."""
    return 1 - (0.05 + 0.12 * k) * share


PATHS: Final[dict[str, Shape]] = {"constant": constant, "core resists": core_resists}


class Duct(Protocol):
    """Share of the difference to its surroundings that the air keeps; surroundings: cabin share."""

    def __call__(self, air: Floats, size: float, /) -> tuple[Floats, float]: ...


def no_loss(air: Floats, size: float) -> tuple[Floats, float]:
    return 1 + 0 * air, 0.0


def fraction(air: Floats, size: float) -> tuple[Floats, float]:
    return 1 - size + 0 * air, 0.0


def _kept(air: Floats, size: float) -> Floats:
    # a wall at one temperature: exp(-NTU), the conductance by the flow to the power 0.8
    # (turbulent, Dittus and Boelter)
    return np.exp(-size * (np.maximum(air, 1e-3) / 0.085) ** -0.2)


def to_cabin(air: Floats, size: float) -> tuple[Floats, float]:
    return _kept(air, size), 1.0


def to_outside(air: Floats, size: float) -> tuple[Floats, float]:
    return np.exp(-size * 0.085 / np.maximum(air, 8e-3)), 0.0


DUCTS: Final[dict[str, Duct]] = {
    "none": no_loss, "fraction": fraction, "to cabin": to_cabin,
    "to outside by flow": to_outside,
}  # fmt: skip
