"""Has the level changed? Control charts of single values in time.

The exponentially weighted moving average sees small lasting changes soon; the chart of individuals
shows single strange values (NIST/SEMATECH e-Handbook 6.3.2.2 and 6.3.2.4).
"""

from __future__ import annotations

import math
from itertools import accumulate
from typing import Final

import numpy as np

from ingest.arrays import Floats
from ingest.values import dataclass

RANGE_OF_TWO: Final = 2.0 / math.sqrt(math.pi)
"""Mean range of two values in standard deviations (d2 of tables, 1.128)."""

WEIGHT: Final = 0.2
"""Of the newest value in the moving average."""

WIDTH: Final = 2.86
"""Limits in standard deviations of the average: with `WEIGHT`, one false alarm in about 370 values
(Lucas and Saccucci, Technometrics 32 (1990) 1)."""

INDIVIDUALS_WIDTH: Final = 3.0


@dataclass(frozen=True)
class Individuals:
    """Chart of single values: center, standard deviation, limits."""

    center: float
    sigma: float
    low: float
    high: float


@dataclass(frozen=True)
class ChartAlarm:
    """A changed level.

    Parameters
    ----------
    at
        Index of the value with which the average left its limits.
    since
        Index of the first value that seems to belong to the new level.
    up
        Whether the level rose.
    """

    at: int
    since: int
    up: bool


@dataclass(frozen=True)
class Average:
    """Chart of the moving average; arrays of shape (n,).

    Parameters
    ----------
    level
        The average after each value.
    low, high
        Its limits.
    alarms
        One for each time it left them.
    """

    level: Floats
    low: Floats
    high: Floats
    alarms: tuple[ChartAlarm, ...]


def individuals(values: Floats) -> Individuals:
    """Limits of single values, their scatter taken from the ranges of neighbors.

    Neighbors differ by chance alone even where the level wanders, so the ranges do not take a
    changed level for scatter.

    Parameters
    ----------
    values
        At least two, in the order of time, shape (n,).
    """
    center = float(values.mean())
    sigma = float(np.abs(np.diff(values)).mean()) / RANGE_OF_TWO
    reach = INDIVIDUALS_WIDTH * sigma
    return Individuals(center, sigma, center - reach, center + reach)


def moving_average(
    values: Floats,
    center: float,
    sigma: float,
    *,
    center_u: float = 0.0,
    weight: float = WEIGHT,
    width: float = WIDTH,
) -> Average:
    """Exponentially weighted moving average about a center, with its limits and alarms.

    Parameters
    ----------
    values
        In the order of time, shape (n,).
    center, sigma
        Level and standard deviation of the values while nothing has changed.
    center_u
        Standard uncertainty of the center, which widens the limits.
    weight, width
        See `WEIGHT` and `WIDTH`.
    """
    level = np.array(
        list(accumulate(values, lambda old, new: old + weight * (new - old), initial=center))
    )[1:]
    count = np.arange(1, values.size + 1)
    share = weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * count))
    reach = width * np.sqrt(sigma**2 * share + center_u**2)
    low, high = center - reach, center + reach
    outside = (level > high) | (level < low)
    entered = np.flatnonzero(outside & ~np.concatenate([[False], outside[:-1]]))
    alarms = tuple(
        ChartAlarm(int(at), _since(level - center, int(at)), bool(level[at] > center))
        for at in entered
    )
    return Average(level, low, high, alarms)


def _since(deviation: Floats, at: int) -> int:
    """First value after the average last was on the other side of the center.

    Nishina, Naval Research Logistics 39 (1992) 395 (as commonly described; not read).
    """
    other_side = np.flatnonzero(np.sign(deviation[:at]) != np.sign(deviation[at]))
    return int(other_side[-1]) + 1 if other_side.size else 0
