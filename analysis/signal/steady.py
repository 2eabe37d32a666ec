"""Where a signal settles, and how sure that is.

A temperature that was disturbed approaches its level, usually like an exponential, with scatter
that is correlated in time on top: a fluctuation of the outlet, a thermostat that cycles. Three
steps answer where it settles:

1. The transient at the beginning is cut where the standard error of the remaining mean is least
   (the marginal standard error rule, K. P. White, Simulation 69, 1997, 323-334; from memory).
2. What is left may still drift: how far it is from where it tends to, and how sure that is, is read
   off a family of exponential approaches (`analysis.signal.approach`). With no drift in sight the
   plain mean wins; with one the distance to the asymptote and its uncertainty come out.
3. The level is put half way between the mean of the settled tail and the asymptote, because the
   steady value is one or the other, depending on whether the drift goes on for ever or is an
   approach; half the distance counts as standard uncertainty. Where what is asked for is what
   the signal tends to, the end of the tail takes the place of its mean.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.signal.approach import approach
from analysis.signal.blocks import known_block_means
from analysis.uncertainty import mean_variance
from ingest.arrays import Floats
from ingest.values import dataclass

MAX_BLOCKS: Final = 120
"""Samples are averaged into at most about this many blocks; only slow changes matter here."""

MIN_TAIL: Final = 0.25
"""The settled tail is at least this share of the signal."""

NEGLIGIBLE_K: Final = 0.1
"""A drift below this is not worth cutting for: no heater sensor resolves it."""

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
    values: Floats,
    step: float,
    *,
    resolution: float = 0.0,
    least_s: float = 30.0,
    extrapolate: bool = False,
    least: float | None = None,
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
    extrapolate
        Whether the level the signal tends to is wanted rather than the one it had.
    least
        The signal cannot settle below this; approaches that would are discounted.

    Returns
    -------
    Level or None
        None where there are fewer than four blocks of valid samples.
    """
    width = max(1, values.size // MAX_BLOCKS)
    time, blocks, first = _blocks(values, step, width)
    if blocks.size < 4:
        return None
    cut = _cut(blocks, max(MIN_TAIL * blocks.size, least_s / (step * width)))
    moved = float(blocks[:cut].max() - blocks[:cut].min()) if cut else 0.0
    found = approach(time[cut:], blocks[cut:], resolution=resolution, before=moved, least=least)
    open_ = found.to_come if extrapolate else found.ahead
    return Level(
        int(first[cut]),
        values.size,
        found.mean + found.ahead - open_ / 2.0,
        math.sqrt(found.u_mean**2 + found.u_ahead**2 + open_**2 / 4.0),
        found.mean,
        found.ahead,
        found.to_come,
        found.rate,
    )


def mean_level(values: Floats, step: float, *, resolution: float = 0.0) -> Level | None:
    """Mean over a whole window, for what need not settle as the window itself did.

    Scatter is taken about a straight line; what the line changes over the window is a rectangular
    contribution (JCGM 100:2008, 4.3.7), because another window would have had another part of it.

    Parameters
    ----------
    values, step, resolution
        As for `settle`.

    Returns
    -------
    Level or None
        None where there are fewer than four blocks of valid samples. `ahead` is 0.
    """
    width = max(1, values.size // MAX_BLOCKS)
    time, blocks, first = _blocks(values, step, width)
    if blocks.size < 4:
        return None
    mean = float(blocks.sum()) / blocks.size
    centered, place = blocks - mean, time - float(time.sum()) / time.size
    slope = float(place @ centered) / float(place @ place)
    floor = (MODEL_K**2 + resolution**2 / 12.0) / blocks.size
    variance = mean_variance(centered - slope * place) + floor
    change = slope * float(time[-1] - time[0])
    random = math.sqrt(variance + change**2 / 12.0)
    return Level(int(first[0]), values.size, mean, random, mean, 0.0, 0.0, slope)


def _blocks(values: Floats, step: float, width: int) -> tuple[Floats, Floats, Floats]:
    """Times and means of blocks of `width` samples, and the first sample of each."""
    count = values.size // width
    offset = values.size - count * width  # the end of a hold is the settled part: keep all of it
    first = offset + width * np.arange(count, dtype=float)
    means, number = known_block_means(values[offset:], width)
    filled = number > 0.0
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
