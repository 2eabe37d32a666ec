"""Where a signal settles, and how sure that is.

A temperature that was disturbed approaches its level, usually like an exponential, with scatter
that is correlated in time on top: a fluctuation of the outlet, a thermostat that cycles. Three
steps answer where it settles:

1. The transient at the beginning is cut where the standard error of the remaining mean is least
   (the marginal standard error rule, K. P. White, Simulation 69, 1997, 323-334; from memory).
2. What is left may still drift. It is described by a level, or by a level and an exponential
   approach of one of several time constants; each description is weighted by its evidence
   (Bayesian linear regression with known variance, in closed form). Nothing needs to be decided
   by a threshold: with no drift in sight the plain mean wins, with a drift the distance to the
   asymptote and its uncertainty come out.
3. The level is put half way between the mean of the settled tail and the asymptote, and the
   distance between the two is a rectangular contribution (JCGM 100:2008, 4.3.7): the steady value
   is one or the other, depending on whether the drift is an approach or goes on for ever.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.uncertainty import Floats, mean_variance

MOST_BLOCKS: Final = 120
"""Samples are averaged into at most about this many blocks; only slow changes matter here."""

LEAST_TAIL: Final = 0.25
"""The settled tail is at least this share of the signal."""

NEGLIGIBLE_K: Final = 0.1
"""A drift below this is not worth cutting for: no heater sensor resolves it."""

LONGEST_TAU_S: Final = 300.0
"""Time constants are looked for up to this (ducts, case and cabin), or up to twice the tail."""

SHORTEST_TAU_S: Final = 5.0
TAU_COUNT: Final = 12

UNSEEN_K: Final = 1.0
"""A hold that was disturbed may hide an approach of this size (k = 1) in its scatter."""

MODEL_K: Final = 0.01
"""Scatter that is always assumed, so that a noiseless signal does not claim certainty."""


@dataclass(frozen=True, slots=True)
class Level:
    """Where a signal settled.

    Parameters
    ----------
    start, stop
        Samples of the settled tail, half open.
    value
        Best estimate of the settled level.
    random
        Its standard uncertainty from scatter, drift and extrapolation.
    mean
        Mean over the tail.
    ahead
        Distance from `mean` to the asymptote.
    to_come
        Distance from the end of the tail to the asymptote.
    rate
        Slope at the end of the tail, per second.
    """

    start: int
    stop: int
    value: float
    random: float
    mean: float
    ahead: float
    to_come: float
    rate: float


def settle(
    values: Floats, step: float, *, resolution: float = 0.0, least_s: float = 30.0
) -> Level | None:
    """Find the level a signal settles to.

    Parameters
    ----------
    values
        Evenly spaced samples, shape (n,); NaN where there is none.
    step
        Spacing, s.
    resolution
        Smallest step of the readings, in the unit of `values`.
    least_s
        The settled tail is no shorter than this, s.

    Returns
    -------
    Level or None
        None where there are fewer than four blocks of valid samples.
    """
    width = max(1, values.size // MOST_BLOCKS)
    time, blocks, first = _blocks(values, step, width)
    if blocks.size < 4:
        return None
    cut = _cut(blocks, max(LEAST_TAIL * blocks.size, least_s / (step * width)))
    found = _approach(time[cut:], blocks[cut:], resolution)
    mean, u_mean, ahead, u_ahead, to_come, rate = found
    start = int(first[cut])
    return Level(
        start,
        values.size,
        mean + ahead / 2.0,
        math.sqrt(u_mean**2 + u_ahead**2 + ahead**2 / 4.0),
        mean,
        ahead,
        to_come,
        rate,
    )


def _blocks(values: Floats, step: float, width: int) -> tuple[Floats, Floats, Floats]:
    """Times and means of blocks of `width` samples, and the first sample of each."""
    count = values.size // width
    offset = values.size - count * width  # the end of a hold is the settled part: keep all of it
    square = values[offset:].reshape(count, width)
    first = offset + width * np.arange(count, dtype=float)
    if width == 1:
        means = square[:, 0]
        filled = ~np.isnan(means)
    else:
        valid = ~np.isnan(square)
        number = valid.sum(axis=1)
        filled = number > 0
        means = np.where(valid, square, 0.0).sum(axis=1) / np.maximum(number, 1)
    time = (first + 0.5 * (width - 1)) * step
    return time[filled], means[filled], first[filled]


def _cut(blocks: Floats, least: float) -> int:
    """Blocks to drop at the beginning, by the marginal standard error rule."""
    m = blocks.size
    backward = blocks[::-1] - blocks[-1]
    number = np.arange(1, m + 1, dtype=float)
    mean = np.cumsum(backward) / number
    variance = np.maximum(np.cumsum(backward**2) / number - mean**2, 0.0)
    usual = float(variance[(m - 1) // 2]) + NEGLIGIBLE_K**2
    error = (variance + usual) / number
    shortest = min(m, max(4, math.ceil(least)))
    kept = shortest + int(np.argmin(error[shortest - 1 :]))
    return m - kept


def _approach(
    time: Floats, blocks: Floats, resolution: float
) -> tuple[float, float, float, float, float, float]:
    """Weigh a steady level against exponential approaches to one.

    Returns
    -------
    tuple
        Mean, its standard uncertainty, distance from the mean to the asymptote with its standard
        uncertainty, distance from the last block to the asymptote, and slope at the end.
    """
    m = blocks.size
    elapsed = time - time[0]
    length = float(elapsed[-1])
    mean = float(blocks.mean())
    centered = blocks - mean
    longest = max(LONGEST_TAU_S, 2.0 * length)
    taus = np.geomspace(max(SHORTEST_TAU_S, 2.0 * length / m), longest, TAU_COUNT)
    decay = np.exp(-elapsed / taus[:, None])
    decay_mean = decay.mean(axis=1)
    shape = decay - decay_mean[:, None]
    power = np.einsum("ij,ij->i", shape, shape)
    along = shape @ centered
    best = int(np.argmax(along**2 / power))
    residual = centered - (along[best] / power[best]) * shape[best]
    variance = m * (mean_variance(residual) + (MODEL_K**2 + resolution**2 / 12.0) / m)
    # amplitude of the approach: normal about 0, as wide as the tail itself varies
    third = max(1, m // 3)
    change = float(blocks[-third:].mean() - blocks[:third].mean())
    prior = np.maximum(UNSEEN_K, 1.5 * abs(change) / (1.0 - decay[:, -1])) ** 2
    posterior = 1.0 / (power / variance + 1.0 / prior)
    amplitude = posterior * along / variance
    evidence = 0.5 * amplitude**2 / posterior - 0.5 * np.log1p(prior * power / variance)
    weight = np.exp(evidence - max(0.0, float(evidence.max()))) / TAU_COUNT
    weight /= weight.sum() + math.exp(-max(0.0, float(evidence.max())))
    ahead_each = -amplitude * decay_mean
    ahead = float(weight @ ahead_each)
    spread = float(weight @ (ahead_each**2 + decay_mean**2 * posterior)) - ahead**2
    rest = -amplitude * decay[:, -1]
    return (
        mean,
        math.sqrt(variance / m),
        ahead,
        math.sqrt(max(spread, 0.0)),
        float(weight @ rest),
        float(weight @ (rest / taus)),
    )
