"""How a temperature rise answers road speed, with everything slower than driving taken out.

``rise = slow(t) + slope * lagged speed + share * lagged coolant``. The slow part is whatever
changes over minutes: the cabin and the carpet warming through, the day getting colder. It is a sum
of a line and a few cosines in time, so that only what changes faster than `SLOW_S` speaks for the
speed (time as a second regressor; returns to the same speed then need no extra care). The body air
follows the speed with a lag nobody knows, so several are tried and weighted by how well they fit.
Where the coolant is logged, what it does to the rise by itself (a thermostat that hunts, an engine
that works harder at speed) is fitted beside the speed, lagged by hose, core and duct; likewise the
cabin, which a draft cools for minutes after the footwell.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.signal.blocks import block_sums, known_block_means
from ingest.arrays import Floats
from ingest.values import dataclass

BLOCK_S: Final = 2.0
LAGS_S: Final = (0.0, 6.0, 12.0, 25.0, 50.0, 100.0)
"""Lags of the air behind the speed that are tried, s."""

COOLANT_LAGS_S: Final = (3.0, 12.0, 40.0, 90.0)
CABIN_LAG_S: Final = 8.0

SLOW_S: Final = 400.0
"""What changes with periods longer than this is not laid to the speed."""

CORRELATED_S: Final = 80.0
WORTH: Final = 16.0
"""Blocks in a row that are worth one independent reading when the lags are weighed."""

NEGLIGIBLE: Final = 0.02
"""Lags this much less likely than the best are not averaged over."""

MODEL: Final = 0.025
MODEL_BLIND: Final = 0.05
"""What the real lags and the air's own ways add to the slope in any case, K per m/s (standard
uncertainty); the second where the coolant's part is not known."""

MIN_BLOCKS: Final = 40
MIN_SPREAD_M_S: Final = 1.0
"""The speed must vary by this (standard deviation, slow changes taken out) to show anything."""


@dataclass(frozen=True, slots=True)
class SpeedSlope:
    """The answer to speed.

    Parameters
    ----------
    slope, u
        Change of the rise for each m/s, K, and its standard uncertainty.
    lag
        Lag that fits best, s.
    spread
        Standard deviation of the speed with slow changes taken out, m/s.
    """

    slope: float
    u: float
    lag: float
    spread: float


@dataclass(frozen=True, slots=True)
class SpeedStretch:
    """One stretch of driving under the same controls, evenly spaced, NaN where nothing was read.

    Parameters
    ----------
    speed
        m/s.
    rise
        K.
    coolant
        Coolant above the air, K; None where it is not logged.
    cabin
        Cabin above the air, K; None where it is not logged.
    """

    speed: Floats
    rise: Floats
    coolant: Floats | None = None
    cabin: Floats | None = None


def fit_slope(stretches: list[SpeedStretch], step: float) -> SpeedSlope | None:
    """Fit the slope over one or more stretches of the same conditions.

    Parameters
    ----------
    stretches
        The driving.
    step
        Spacing, s.

    Returns
    -------
    SpeedSlope or None
        None where the speed hardly changed or too little was logged.
    """
    made = [each for each in (_quick(stretch, step) for stretch in stretches) if each is not None]
    if not made:
        return None
    quick = np.concatenate(made, axis=1)
    if quick.shape[1] < MIN_BLOCKS or float(quick[1].std()) < MIN_SPREAD_M_S:
        return None
    has_coolant, has_cabin = stretches[0].coolant is not None, stretches[0].cabin is not None
    return _average(quick, has_coolant=has_coolant, has_cabin=has_cabin)


def _quick(stretch: SpeedStretch, step: float) -> Floats | None:
    """Rise, lagged speeds and lagged coolant without their slow parts, shape (rows, blocks)."""
    width = max(1, round(BLOCK_S / step))
    count = stretch.speed.size // width
    speed = _filled(stretch.speed)
    if count < 8 or speed is None:
        return None
    driven = block_sums(speed, width) / width
    rows = [_lagged(driven, lag / (width * step)) for lag in LAGS_S]
    if stretch.coolant is not None:
        coolant = _filled(stretch.coolant)
        if coolant is None:
            return None
        warm = block_sums(coolant, width) / width
        rows += [_lagged(warm, lag / (width * step)) for lag in COOLANT_LAGS_S]
    if stretch.cabin is not None:
        cabin = _filled(stretch.cabin)
        if cabin is None:
            return None
        rows.append(_lagged(block_sums(cabin, width) / width, CABIN_LAG_S / (width * step)))
    blocks = np.stack(rows)
    means, number = known_block_means(stretch.rise, width)
    use = number * 2 >= width
    if use.sum() < 8:
        return None
    basis, _ = np.linalg.qr(_slow(count, width * step)[use])
    whole = np.vstack([means, blocks])[:, use]
    return np.asarray(whole - (whole @ basis) @ basis.T)


def _filled(values: Floats) -> Floats | None:
    """Gaps bridged in straight lines; None where there is nothing to bridge between."""
    seen = ~np.isnan(values)
    if seen.sum() < 2:
        return None
    if seen.all():
        return values
    place = np.arange(values.size)
    return np.interp(place, place[seen], values[seen])


def _slow(count: int, step: float) -> Floats:
    """A constant, a line and cosines of long periods, shape (count, terms)."""
    terms = 1 + int(2.0 * count * step / SLOW_S)
    place = (np.arange(count) + 0.5) / count
    cosines = np.cos(np.pi * np.arange(1, terms)[None, :] * place[:, None])
    return np.column_stack([np.ones(count), place - 0.5, cosines])


def _lagged(values: Floats, lag: float) -> Floats:
    """First-order lag of `lag` samples, settled at the first value before the beginning."""
    if lag <= 0.0:
        return values
    keep = math.exp(-1.0 / lag)
    length = min(values.size, math.ceil(7.0 * lag) + 1)
    kernel = (1.0 - keep) * keep ** np.arange(length)
    above = values - values[0]
    return np.asarray(values[0] + np.convolve(above, kernel)[: values.size])


def _average(quick: Floats, *, has_coolant: bool, has_cabin: bool) -> SpeedSlope:
    """Slope averaged over the lags, with residuals that are correlated from block to block."""
    target, speeds, others = quick[0], quick[1 : 1 + len(LAGS_S)], quick[1 + len(LAGS_S) :]
    n = target.size
    beside = others[-1:] if has_cabin else others[:0]
    coolants = others[: len(COOLANT_LAGS_S), None] if has_coolant else others[None, :0]
    rows = _every_pair(speeds, coolants, beside)
    inverse = np.linalg.pinv(rows @ rows.swapaxes(1, 2))
    found = (inverse @ (rows @ target)[..., None])[..., 0]
    residual = target - np.einsum("ck,ckn->cn", found, rows)
    squares = np.einsum("cn,cn->c", residual, residual)
    evidence = -0.5 * n / WORTH * np.log(np.maximum(squares, 1e-300))
    best = int(np.argmax(evidence))
    weight = np.exp(evidence - evidence[best])
    kept = np.flatnonzero(weight > NEGLIGIBLE)
    weight = weight[kept] / weight[kept].sum()
    slopes = found[:, 0]
    freedom = max(n - rows.shape[1] - 2, 1)
    influence = np.einsum("ck,ckn->cn", inverse[kept, 0], rows[kept]) * residual[kept]
    plain = squares[kept] / freedom * inverse[kept, 0, 0]
    variances = np.maximum(_long_run(influence), plain) * n / freedom
    slope = float(weight @ slopes[kept])
    variance = float(weight @ (variances + (slopes[kept] - slope) ** 2))
    # a wrong model answers differently when the residuals are whitened: rectangular between both
    variance += (_whitened(rows[best], target, residual[best]) - float(slopes[best])) ** 2 / 3.0
    variance += (MODEL if has_coolant else MODEL_BLIND) ** 2
    lag = LAGS_S[best // (rows.shape[0] // len(LAGS_S))]
    return SpeedSlope(slope, math.sqrt(variance), lag, float(speeds[0].std()))


def _every_pair(speeds: Floats, coolants: Floats, beside: Floats) -> Floats:
    """Regressors of every speed with every coolant, what is beside them in all of them.

    Parameters
    ----------
    speeds, coolants, beside
        Shapes (s, n), (c, 0 or 1, n) and (b, n).

    Returns
    -------
    ndarray
        Shape (s * c, regressors, n).
    """
    count, (others, warm, size) = len(speeds), coolants.shape
    rows = np.empty((count, others, 1 + warm + len(beside), size))
    rows[:, :, 0] = speeds[:, None]
    rows[:, :, 1 : 1 + warm] = coolants
    rows[:, :, 1 + warm :] = beside
    return rows.reshape(count * others, -1, size)


def _long_run(scores: Floats) -> Floats:
    """Variance of each row's sum, correlations up to `CORRELATED_S` apart included.

    W. K. Newey and K. D. West, Econometrica 55, 1987, 703 (from memory).
    """
    last = min(round(CORRELATED_S / BLOCK_S), scores.shape[1] - 1)
    variance = np.einsum("cn,cn->c", scores, scores)
    for apart in range(1, last + 1):
        share = 1.0 - apart / (last + 1.0)
        variance += 2.0 * share * np.einsum("cn,cn->c", scores[:, apart:], scores[:, :-apart])
    return np.asarray(variance)


def _whitened(rows: Floats, target: Floats, residual: Floats) -> float:
    """The slope again, from differences that leave the residuals uncorrelated.

    D. Cochrane and G. H. Orcutt, J. Am. Stat. Assoc. 44, 1949, 32 (from memory).
    """
    power = float(residual @ residual)
    first = float(residual[1:] @ residual[:-1]) / power if power > 0.0 else 0.0
    first = min(max(first, 0.0), 0.95)
    x, y = rows[:, 1:] - first * rows[:, :-1], target[1:] - first * target[:-1]
    return float((np.linalg.pinv(x @ x.T) @ (x @ y))[0])
