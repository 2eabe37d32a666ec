"""From the lever to the share of hot air or hot water.

Every function maps 0..1 onto 0..1, rising, with its ends at the ends. `k` (0..1) is the family's
own shape number. Valve laws are inherent flow characteristics (IEC 60534-2-4: equal percentage and
linear; the others are common forms of it); `authority` is the installed characteristic of a linear
valve that has only a part of the loop's pressure drop.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from tests.other_cars.ensemble.laws.law import Shape

Floats = NDArray[np.float64]


def straight(x: Floats, k: float) -> Floats:
    return x


def crank(x: Floats, k: float) -> Floats:
    """A crank of 30 to 60° either side of its middle."""
    angle = np.radians(30 + 30 * k)
    return 0.5 * (1 + np.sin(angle * (2 * x - 1)) / np.sin(angle))


def cam(x: Floats, k: float) -> Floats:
    return x - (0.04 + 0.07 * k) * np.sin(2 * np.pi * x)


def smooth(x: Floats, k: float) -> Floats:
    part = 0.4 + 0.6 * k
    return part * x * x * (3 - 2 * x) + (1 - part) * x


def sine(x: Floats, k: float) -> Floats:
    part = 0.3 + 0.5 * k
    return part * np.sin(np.pi / 2 * x) ** 2 + (1 - part) * x


def kinked(x: Floats, k: float) -> Floats:
    at, height = 0.3 + 0.3 * k, 0.25 + 0.2 * k
    return np.where(x < at, x / at * height, height + (x - at) / (1 - at) * (1 - height))


def power(x: Floats, k: float) -> Floats:
    return np.asarray(x ** (0.75 + 0.7 * k))


def areas(x: Floats, k: float) -> Floats:
    """Two ducts uncovered by one turning door, the hot one with the core's resistance."""
    hot, cold = np.sin(np.pi / 2 * x), np.cos(np.pi / 2 * x)
    return hot / (hot + cold * (0.7 + 0.8 * k))


def logistic(x: Floats, k: float) -> Floats:
    steep = 4.0 + 4.0 * k
    low, high = 1 / (1 + np.exp(steep / 2)), 1 / (1 + np.exp(-steep / 2))
    return (1 / (1 + np.exp(-steep * (x - 0.5))) - low) / (high - low)


def equal_percentage(x: Floats, k: float) -> Floats:
    ratio = 8.0 + 22.0 * k
    return (ratio**x - 1) / (ratio - 1)


def quick_opening(x: Floats, k: float) -> Floats:
    return np.asarray(x ** (0.5 + 0.25 * k))


def parabolic(x: Floats, k: float) -> Floats:
    return np.asarray(x ** (1.4 + 0.6 * k))


def authority(x: Floats, k: float) -> Floats:
    """Flow over full flow when the valve has the share `N` of the pressure drop, wide open.

    ``1 / sqrt(N / x^2 + 1 - N)``: drops of valve and loop in series, both by the square of flow.
    """
    share = 0.25 + 0.5 * k
    return x / np.sqrt(share + (1 - share) * x * x)


LINKAGES: Final[dict[str, Shape]] = {"straight": straight, "crank": crank, "cam": cam}
MIXINGS: Final[dict[str, Shape]] = {
    "linear": straight, "smooth": smooth, "sine": sine, "kinked": kinked, "power": power,
    "areas": areas, "logistic": logistic,
}  # fmt: skip
VALVES: Final[dict[str, Shape]] = {
    "equal percentage": equal_percentage, "linear": straight, "quick opening": quick_opening,
    "parabolic": parabolic, "authority": authority,
}  # fmt: skip
