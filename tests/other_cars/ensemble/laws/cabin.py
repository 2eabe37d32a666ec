"""Footwell and cabin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tests.other_cars.ensemble.laws.law import Shape

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Rooms:
    """Cabin air as nodes: mixed in one or two, with or without a mass that warms slowly.

    Parameters
    ----------
    exchange
        Between the lower and the upper half, W/K; None where the cabin is one node.
    seats
        Conductance to seats and trim, W/K; 0 for none.
    """

    exchange: float | None
    seats: float


CABINS: Final[dict[str, Rooms]] = {
    "one": Rooms(None, 0.0), "two": Rooms(45.0, 0.0), "with its seats": Rooms(70.0, 120.0),
}  # fmt: skip


def linear(speed: Floats, k: float) -> Floats:
    return speed / 20


def by_power(speed: Floats, k: float) -> Floats:
    return np.asarray((speed / 20) ** 1.3)


def square(speed: Floats, k: float) -> Floats:
    return (speed / 20) ** 2


def from_a_speed_on(speed: Floats, k: float) -> Floats:
    start = 3.0 + 5.0 * k
    return np.maximum(speed - start, 0) / (20 - start)


LEAKS: Final[dict[str, Shape]] = {
    "linear": linear, "by power": by_power, "square": square, "from a speed on": from_a_speed_on,
}  # fmt: skip
"""Draft into the footwell, 1 at 20 m/s."""
