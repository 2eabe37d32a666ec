"""How much two groups differ, with confidence intervals; all pairs of groups at once, as arrays.

`welch` answers in the figure's unit and does not assume equal scatter; `hedges` answers in standard
deviations, so that figures can be ranked against each other.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from ingest.arrays import Floats
from ingest.values import dataclass

CONFIDENCE: Final = 0.95

_QUANTILE: Final = 1.959963984540054
"""Of the normal distribution, two-sided 95 %."""


@dataclass(frozen=True)
class Group:
    """Groups by their counts, means and variances; arrays of one shape.

    Parameters
    ----------
    n
        How many.
    mean
        Mean.
    variance
        Variance of the single values (n - 1 in the denominator).
    """

    n: Floats
    mean: Floats
    variance: Floats

    @classmethod
    def of(cls, values: Floats) -> Group:
        """One group from its values, shape (n,)."""
        variance = values.var(ddof=1) if values.size > 1 else math.nan
        return cls(np.asarray(float(values.size)), np.asarray(values.mean()), np.asarray(variance))


@dataclass(frozen=True)
class Difference:
    """Difference of two means.

    Parameters
    ----------
    value
        First minus second.
    u
        Its standard error.
    df
        Degrees of freedom of the standard error.
    low, high
        95 % confidence interval.
    p
        Two-sided p-value of no difference; NaN where either group has fewer than two values or
        nothing scatters.
    """

    value: Floats
    u: Floats
    df: Floats
    low: Floats
    high: Floats
    p: Floats


@dataclass(frozen=True)
class Effect:
    """Standardized difference of two means with its 95 % confidence interval."""

    g: Floats
    low: Floats
    high: Floats


def welch(one: Group, other: Group, extra: Floats | float = 0.0) -> Difference:
    """Welch's comparison of two means (Biometrika 34 (1947) 28; NIST/SEMATECH 1.3.5.3).

    Parameters
    ----------
    one, other
        The groups.
    extra
        Further variance of the difference that both estimates share, such as that of a correction.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = one.variance / one.n, other.variance / other.n
        variance = parts[0] + parts[1]
        df = variance**2 / (parts[0] ** 2 / (one.n - 1) + parts[1] ** 2 / (other.n - 1))
        u = np.sqrt(variance + extra)
    return difference(one.mean - other.mean, u, df)


def difference(value: Floats, u: Floats, df: Floats) -> Difference:
    """Interval and p-value of an estimate by Student's t."""
    from scipy.special import stdtr, stdtrit

    with np.errstate(divide="ignore", invalid="ignore"):
        reach = stdtrit(df, 0.5 + CONFIDENCE / 2.0) * u
        p = 2.0 * stdtr(df, -np.abs(value) / u)
    p = np.where(u > 0.0, p, np.nan)
    return Difference(value, u, df, value - reach, value + reach, p)


def hedges(one: Group, other: Group) -> Effect:
    """Hedges' g with its large-sample interval (Hedges, J. Educ. Stat. 6 (1981) 107).

    The bias correction is the exact one of the gamma function; the interval's variance is that of
    Hedges and Olkin, Statistical Methods for Meta-Analysis (1985), with 3.94 for the small sample.
    """
    from scipy.special import gammaln

    total = one.n + other.n
    df = total - 2.0
    with np.errstate(divide="ignore", invalid="ignore"):
        pooled = ((one.n - 1) * one.variance + (other.n - 1) * other.variance) / df
        bias = np.exp(gammaln(df / 2) - gammaln((df - 1) / 2)) / np.sqrt(df / 2)
        g = bias * (one.mean - other.mean) / np.sqrt(pooled)
        reach = _QUANTILE * np.sqrt(total / (one.n * other.n) + g**2 / (2.0 * (total - 3.94)))
    usable = (one.n >= 2) & (other.n >= 2) & (pooled > 0.0)
    g, reach = np.where(usable, g, np.nan), np.where(usable, reach, np.nan)
    return Effect(g, g - reach, g + reach)
