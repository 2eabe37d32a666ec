"""How good or bad cars are distributed, from few cars or many.

The values are made about normal by a power transform, then smoothed with a normal kernel whose
spread is taken back, so that the variance stays what it was (shrunk kernel: Silverman, Density
Estimation, Chapman and Hall 1986, 6.2.3). With few cars the kernel is wide and the result nearly
the normal distribution; with many it is narrow and follows whatever shape they have. No decision
between the two is needed.

Scatter put in by the measurements can be taken off, and a known further spread put in: both change
the variance, not the shape.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.special import ndtr

from analysis.statistics.shape import POWERS, likelihood, slope, transform
from ingest.arrays import Floats

NORMAL_WIDTH: Final = 1.06
"""Kernel width for normal data, times standard deviation and n^(-1/5) (Silverman, eq. 3.28)."""

NOISE_SHARE: Final = 0.5
"""Most of the variance that is ever put down to measuring, as for baselines."""

POINTS: Final = 401
"""Places at which a kernel sum is tabulated before it is interpolated."""

MIN_SPREAD: Final = 1e-9


def quantile(values: Floats, weight: Floats, share: float) -> float:
    """Quantile of weighted values, straight between the middles of the steps.

    Parameters
    ----------
    values, weight
        Shape (n,).
    share
        Between 0 and 1.
    """
    order = np.argsort(values, kind="stable")
    mass = weight[order]
    middle = (np.cumsum(mass) - 0.5 * mass) / mass.sum()
    return float(np.interp(share, middle, values[order]))


def smoothed(
    values: Floats,
    weights: Floats,
    grid: Floats,
    *,
    widths: Floats,
    noise: Floats | None = None,
    spread: float = 0.0,
) -> Floats:
    """Distribution functions of one class of cars, one for each row of weights.

    Parameters
    ----------
    values
        Shape (n,).
    weights
        How often each value counts, shape (rows, n). The first row is the sample as it is, the
        others its resamples; each must have two different values at the least.
    grid
        Rising places at which the functions are wanted, shape (m,).
    widths
        Kernel width of each row as a multiple of the usual one, shape (rows,).
    noise
        Standard uncertainty of each value from measuring, to be taken off, shape (n,).
    spread
        Standard deviation to be put in besides.

    Returns
    -------
    ndarray
        Shape (rows, m).
    """
    own = weights[0] > 0.0
    center = quantile(values[own], weights[0, own], 0.5)
    scale = _spread(values[own], weights[0, own])
    z, at = (values - center) / scale, (grid - center) / scale
    likely, means, sds = likelihood(z, weights)
    best = likely.argmax(axis=1)
    total = weights.sum(axis=1)
    usual = NORMAL_WIDTH * float(total[0]) ** -0.2
    result = np.empty((weights.shape[0], grid.size))
    for power in np.unique(best):
        y, places = transform(z, float(POWERS[power])), transform(at, float(POWERS[power]))
        size = _spread(y[own], weights[0, own])
        off = _change(z, float(POWERS[power]), weights[0], noise, spread, scale)
        for width in np.unique(widths[best == power]):
            rows = np.flatnonzero((best == power) & (widths == width))
            h = float(width) * usual * size
            table_at = np.linspace(
                min(places[0], y.min()) - 5 * h, max(places[-1], y.max()) + 5 * h, POINTS
            )
            table = (weights[rows] @ ndtr((table_at - y[:, None]) / h)) / total[rows, None]
            mean, sd = means[rows, power, None], sds[rows, power, None]
            wanted = np.maximum(sd**2 + off, (1.0 - NOISE_SHARE) * sd**2)
            shrink = np.sqrt(wanted / (sd**2 + h**2))
            where = (mean + (places - mean) / shrink - table_at[0]) / (table_at[1] - table_at[0])
            result[rows] = _between(table, where)
    return result


def _spread(values: Floats, weight: Floats) -> float:
    """Standard deviation, or what the quartiles say of it where that is less."""
    mean = float(weight @ values) / float(weight.sum())
    sd = float(np.sqrt(weight @ (values - mean) ** 2 / max(float(weight.sum()) - 1.0, 1.0)))
    quartiles = quantile(values, weight, 0.75) - quantile(values, weight, 0.25)
    robust = quartiles / 1.349
    return max(min(sd, robust) if robust > 0.0 else sd, MIN_SPREAD * max(1.0, abs(mean)))


def _change(
    z: Floats, power: float, weight: Floats, noise: Floats | None, spread: float, scale: float
) -> float:
    """What noise taken off and spread put in do to the variance of the transformed values."""
    slopes = slope(z, power) ** 2 / scale**2
    put_in = spread**2 * float(weight @ slopes)
    taken = 0.0 if noise is None else float(weight @ (slopes * noise**2))
    return (put_in - taken) / float(weight.sum())


def _between(table: Floats, where: Floats) -> Floats:
    """Interpolate every row of a table at its own places, counted in steps."""
    np.clip(where, 0.0, table.shape[1] - 1.000001, out=where)
    left = where.astype(np.int32)
    where -= left
    left += np.arange(table.shape[0], dtype=np.int32)[:, None] * table.shape[1]
    flat = table.ravel()
    low = flat[left]
    return np.asarray(low + (flat[left + 1] - low) * where)
