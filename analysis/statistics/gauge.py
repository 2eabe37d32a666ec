"""Measurement system study: how much of the spread is the measuring.

Crossed study: every operator (or logger set) measures every car the same number of times. Random
effects model with interaction, variance components from the mean squares of the two-way analysis of
variance (Montgomery, Design and Analysis of Experiments, random two-factor model; Burdick, Borror
and Montgomery, J. Quality Technology 35, 2003, 342).
"""

from __future__ import annotations

import math
from typing import Final

from scipy.stats import f as f_distribution

from ingest.arrays import Floats
from ingest.values import dataclass

POOL_ABOVE: Final = 0.25
"""An interaction with a p-value above this is pooled into the repeatability."""

CATEGORIES_FACTOR: Final = 1.41
"""Number of distinct categories is this many times car over measuring standard deviation."""


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Variance components of one figure, as standard deviations in its unit.

    Parameters
    ----------
    repeatability
        Same car, same operator, same set.
    reproducibility
        Between operators or sets, the interaction with the car included.
    measuring
        Both together.
    car
        Between cars.
    categories
        Number of distinct categories the measuring can tell apart.
    interaction_p
        p-value of the interaction of operator and car.
    pooled
        Whether the interaction was pooled into the repeatability.
    """

    repeatability: float
    reproducibility: float
    measuring: float
    car: float
    categories: int
    interaction_p: float
    pooled: bool


def gauge_study(values: Floats) -> GaugeStudy:
    """Study of a complete crossed design.

    Parameters
    ----------
    values
        Shape (cars, operators, repeats), each at least 2, without NaN.

    Raises
    ------
    ValueError
        Where the design is too small.
    """
    cars, operators, repeats = values.shape
    if min(values.shape) < 2:
        raise ValueError("a study needs two cars, two operators and two repeats at the least")
    grand = values.mean()
    by_car = values.mean(axis=(1, 2))
    by_operator = values.mean(axis=(0, 2))
    cells = values.mean(axis=2)
    ms_car = operators * repeats * float(((by_car - grand) ** 2).sum()) / (cars - 1)
    ms_operator = cars * repeats * float(((by_operator - grand) ** 2).sum()) / (operators - 1)
    left = cells - by_car[:, None] - by_operator[None, :] + grand
    df_both, df_error = (cars - 1) * (operators - 1), cars * operators * (repeats - 1)
    ss_both = repeats * float((left**2).sum())
    ss_error = float(((values - cells[:, :, None]) ** 2).sum())
    ms_both, ms_error = ss_both / df_both, ss_error / df_error
    p = float(f_distribution.sf(ms_both / ms_error, df_both, df_error)) if ms_error > 0 else 0.0
    pooled = p > POOL_ABOVE
    if pooled:
        ms_error = (ss_error + ss_both) / (df_error + df_both)
        ms_both = ms_error
    both = 0.0 if pooled else max(0.0, (ms_both - ms_error) / repeats)
    operator = max(0.0, (ms_operator - ms_both) / (cars * repeats))
    car = max(0.0, (ms_car - ms_both) / (operators * repeats))
    measuring = ms_error + operator + both
    ratio = math.sqrt(car / measuring) if measuring > 0 else math.inf
    return GaugeStudy(
        repeatability=math.sqrt(ms_error),
        reproducibility=math.sqrt(operator + both),
        measuring=math.sqrt(measuring),
        car=math.sqrt(car),
        categories=max(1, math.floor(CATEGORIES_FACTOR * ratio)) if math.isfinite(ratio) else 999,
        interaction_p=p,
        pooled=pooled,
    )
