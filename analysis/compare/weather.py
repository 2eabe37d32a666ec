"""The day's temperature taken out of a comparison.

Figures go with the outside temperature. A common slope is fitted within groups (so that a plant
that tests in winter is not mistaken for the winter), and values are moved along it to one
temperature. What the slope does not know goes into the intervals.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.arrays import Floats
from ingest.values import dataclass

GOOD: Final = "baseline"
"""Purpose of the runs of good cars."""

FEWEST: Final = 8
"""Fewer values give no slope."""

NARROWEST_K: Final = 3.0
"""A smaller standard deviation of the temperatures within the groups gives no slope, K."""


@dataclass(frozen=True)
class WeatherSlope:
    """How a figure goes with the outside temperature.

    Parameters
    ----------
    value
        Figure's unit per K; 0 where it is not allowed for.
    variance
        Its variance.
    center
        Temperature that values are moved to, °C; NaN where no temperature is known.
    why_not
        Why the temperature is not allowed for; None where it is.
    """

    value: float
    variance: float
    center: float
    why_not: str | None = None

    def moved(self, values: Floats, ambient: Floats, to: float) -> Floats:
        """Values as they would be at another outside temperature.

        A value without a known temperature stays where it is.
        """
        if self.why_not is not None:
            return values
        return values + self.value * np.where(np.isnan(ambient), 0.0, to - ambient)


def slope_of(part: pl.DataFrame, by: str | None = None) -> WeatherSlope:
    """Slope of one figure, from the good cars where they give one, else from all runs.

    Parameters
    ----------
    part
        Rows of `analysis.compare.table.fleet_table`, of one figure.
    by
        Column whose groups have levels of their own.
    """
    good = _fit(part.filter(pl.col("purpose") == GOOD), by)
    every = _fit(part, by)
    return every if good.why_not is not None else replace(good, center=every.center)


def _fit(part: pl.DataFrame, by: str | None) -> WeatherSlope:
    place = part[by].rank("dense").cast(pl.Int64).to_numpy() if by else np.zeros(part.height, int)
    return fit_slope(part["value"].to_numpy(), floats(part["ambient_degC"]), place)


def floats(series: pl.Series) -> Floats:
    """A column as an array, NaN where it is null."""
    return series.cast(pl.Float64).fill_null(math.nan).to_numpy()


def fit_slope(values: Floats, ambient: Floats, groups: NDArray[np.int64]) -> WeatherSlope:
    """Least squares with one level a group and a common slope (analysis of covariance).

    Parameters
    ----------
    values
        Shape (n,).
    ambient
        Outside temperature, °C, NaN where it is not known, shape (n,).
    groups
        Number of each value's group, shape (n,).
    """
    known = ~np.isnan(ambient)
    if not known.any():
        return WeatherSlope(0.0, 0.0, np.nan, "outside temperature not logged")
    values, ambient = values[known], ambient[known]
    center = float(ambient.mean())
    _, place, count = np.unique(groups[known], return_inverse=True, return_counts=True)
    df = values.size - count.size - 1
    if df < FEWEST - 2:
        return WeatherSlope(0.0, 0.0, center, "too few runs")
    x = ambient - (np.bincount(place, ambient) / count)[place]
    y = values - (np.bincount(place, values) / count)[place]
    square = float(x @ x)
    if square < NARROWEST_K**2 * (values.size - count.size):
        return WeatherSlope(0.0, 0.0, center, "the days were too much alike")
    slope = float(x @ y) / square
    scatter = float(np.sum((y - slope * x) ** 2)) / df
    return WeatherSlope(slope, scatter / square, center)
