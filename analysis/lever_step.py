"""One step of the lever: how far the outlet went, and how soon it had gone 63 % of the way."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.uncertainty import Floats, effective_size

BEFORE_S: Final = 8.0
MOST_POINTS: Final = 160

LEAST_ANSWER_K: Final = 4.0
LEAST_OVER_SCATTER: Final = 6.0
"""An answer smaller than this is lost in the outlet's own ups and downs."""

SHARE: Final = 1.0 - math.exp(-1.0)
NEAR: Final = (0.40, 0.80)
"""Part of the answer around 63 % whose logarithm is taken as straight."""

FAST_S: Final = (0.7, 1.2, 2.0, 3.3, 5.5, 9.0, 15.0, 25.0, 40.0, 65.0)
SLOW_S: Final = (20.0, 50.0, 130.0)
SLOW_SHARE: Final = 0.2
"""Time constants tried for the approach, and the usual share of a second, slower one (k = 1)."""

ONSET: Final = 0.3
FEWEST_LATE: Final = 4
"""Share of the answer that is its onset, and samples needed after it."""


@dataclass(frozen=True, slots=True)
class Late:
    """A share of every answer that comes late.

    Parameters
    ----------
    share, seconds
        How much, and its time constant, s.
    """

    share: float
    seconds: float


NOTHING_LATE: Final = Late(0.0, 60.0)


def measure_step(
    time: Floats,
    outlet: Floats,
    times: tuple[float, float, float],
    margin: float,
    lag: float,
    late: Late,
) -> tuple[float, float, float] | None:
    """Size, 63 % time and its uncertainty of one answer; None where it does not stand out."""
    before, onset, stop = times
    first = np.searchsorted(time, max(before + 2.0, onset - margin - BEFORE_S), side="right")
    ahead = slice(first, np.searchsorted(time, onset - margin))
    after = slice(np.searchsorted(time, onset), np.searchsorted(time, stop))
    if time[ahead].size < 2 or time[after].size < 5:
        return None
    level, u_level = _level(time[ahead] - onset, outlet[ahead])
    elapsed, value = _thin(time[after] - onset, outlet[after])
    settled, u_settled, scatter = settle(elapsed, value - level, late)
    if abs(settled) < max(LEAST_ANSWER_K, LEAST_OVER_SCATTER * scatter):
        return None
    if u_settled > 0.25 * abs(settled):
        return None
    found = _crossing(elapsed, (value - level) / settled)
    if found is None:
        return None
    seconds, slope, u_cross = found
    # what an error of either end of the answer does to the logarithm at 63 %
    ends = math.hypot(SHARE / (1.0 - SHARE) * u_settled, u_level) / abs(settled)
    u = math.hypot(u_cross, ends / slope)
    if lag > 0.0:
        if seconds <= lag:  # no outlet is ahead of its own sensor: an upset on top of the answer
            return None
        own, gain = without_sensor(seconds, lag)
        return settled, own, u * gain
    return settled, seconds, u


def _level(when: Floats, value: Floats) -> tuple[float, float]:
    """Level at the moment of the step: the mean before it, or the line where it still moved."""
    mean = float(value.mean())
    spread = float(value.std(ddof=1)) if value.size > 1 else 0.0
    u = spread / math.sqrt(effective_size(value)) if value.size > 1 else 0.5
    if value.size < 6:
        return mean, max(u, 0.05)
    centered = when - when.mean()
    slope = float(centered @ value) / float(centered @ centered)
    rest = value - mean - slope * centered
    ahead = -slope * float(when.mean())
    u_ahead = (
        abs(float(when.mean()))
        * float(rest.std(ddof=2))
        / math.sqrt(float(centered @ centered) * effective_size(rest) / value.size)
    )
    trust = ahead**2 / (ahead**2 + 4.0 * u_ahead**2 + 1e-9)
    return mean + trust * ahead, math.hypot(max(u, 0.02), trust * u_ahead)


def _thin(elapsed: Floats, value: Floats) -> tuple[Floats, Floats]:
    """Fine at first, coarser later: as many points as the answer needs."""
    if elapsed.size <= MOST_POINTS:
        return elapsed, value
    marks = np.unique(
        np.searchsorted(elapsed, elapsed[-1] * np.linspace(0.0, 1.0, MOST_POINTS) ** 2)
    )
    marks = marks[marks < elapsed.size]
    count = np.diff(marks, append=elapsed.size)
    return np.add.reduceat(elapsed, marks) / count, np.add.reduceat(value, marks) / count


def settle(elapsed: Floats, value: Floats, late: Late = NOTHING_LATE) -> tuple[float, float, float]:
    """Where an answer settles: exponential approaches, weighted by how well they fit.

    Parameters
    ----------
    elapsed, value
        Time since the step, s, and answer so far, K.
    late
        What the whole record says of a share that comes late: a short hold does not show it.

    Returns
    -------
    tuple
        The settled answer, its standard uncertainty, and the scatter about the fit.
    """
    # the onset, delayed and rounded by whatever comes before the reading, says nothing of the end
    swing = float(np.abs(value).max()) + 1e-9
    late_enough = int(np.argmax(np.abs(value) >= ONSET * swing))
    late_enough = min(late_enough, elapsed.size - FEWEST_LATE)
    gap = np.diff(elapsed, prepend=0.0)[late_enough:]
    elapsed, value = elapsed[late_enough:], value[late_enough:]
    weight = gap / gap.mean()
    curves = _curves(elapsed, late)
    weighted = curves * weight
    square = (weighted @ curves.T)[_APPROACHES[:, :, None], _APPROACHES[:, None, :]]
    along = (weighted @ value)[_APPROACHES]
    power = float(weight @ value**2)
    noise = (0.02 * swing) ** 2
    for _ in range(2):
        ridge = noise / (SLOW_SHARE * swing) ** 2
        damped = square.copy()
        damped[:, [0, 1, 2], [0, 1, 2]] += 1e-9, 1e-9, ridge
        inverse = np.linalg.inv(damped)
        amplitude = (inverse @ along[..., None])[..., 0]
        left = np.maximum(power - np.einsum("ij,ij->i", amplitude, along), 1e-12)
        best = int(np.argmin(left))
        rest = value - amplitude[best] @ curves[_APPROACHES[best]]
        together = elapsed.size / effective_size(rest)
        noise = max(float(left[best]) / elapsed.size * together, (1e-3 * swing) ** 2)
    # evidence: a second approach that is not needed costs what it could have been
    merit = -0.5 * left / noise - 0.5 * np.linalg.slogdet(damped)[1]
    share = np.exp(merit - merit.max())
    share /= share.sum()
    settled = float(share @ amplitude[:, 0])
    spread = share @ (amplitude[:, 0] - settled) ** 2 + share @ inverse[:, 0, 0] * noise
    return settled, math.sqrt(float(spread)), math.sqrt(float(weight @ rest**2) / elapsed.size)


_RATES: Final = 1.0 / np.array((*FAST_S, *SLOW_S, math.inf))[:, None]

_APPROACHES: Final = np.array(
    [
        (0, 1 + fast, 1 + len(FAST_S) + slow)
        for fast, quick in enumerate(FAST_S)
        for slow, seconds in enumerate((*SLOW_S, math.inf))
        if seconds > 2.0 * quick
    ]
)
"""A level, a fast and a slow exponential (the last: none) for every pair tried, as rows of
`_curves`; shape (m, 3)."""


def _curves(elapsed: Floats, known: Late) -> Floats:
    """The level, every exponential tried, and nothing at all, shape (c, n)."""
    curves = np.empty((1 + _RATES.size, elapsed.size))
    curves[0] = 1.0 - known.share * np.exp(-elapsed / known.seconds)
    curves[1:] = np.exp(-elapsed * _RATES)
    curves[-1] = 0.0
    return curves


def _crossing(elapsed: Floats, covered: Floats) -> tuple[float, float, float] | None:
    """When 63 % were covered, the slope of the logarithm there, and the uncertainty."""
    left = np.log(np.maximum(1.0 - covered, 0.02))
    below = np.flatnonzero(covered < SHARE)
    first_above = int(np.argmax(covered >= SHARE)) if (covered >= SHARE).any() else covered.size
    last_below = int(below[-1]) if below.size else -1
    if first_above == covered.size:
        return None
    # noise may carry single samples across: the middle of the first and last crossing is meant
    middle = 0.5 * (first_above + min(max(last_below, first_above - 1) + 1, 2 * first_above + 3))
    reach = max(2.0, 0.6 * middle)
    place = np.arange(covered.size)
    near = (covered > NEAR[0]) & (covered < NEAR[1]) & (np.abs(place - middle) < reach + 1)
    chosen = np.flatnonzero(near)
    if chosen.size < 3:
        chosen = np.arange(max(0, first_above - 1), min(first_above + 2, covered.size))
        if chosen.size < 2:
            return None
    x, y = elapsed[chosen], left[chosen]
    centered = x - x.mean()
    slope = -float(centered @ y) / float(centered @ centered)
    if slope <= 1e-4:
        return None
    seconds = float(x.mean()) + (float(y.mean()) + 1.0) / slope
    if not 0.0 < seconds < elapsed[-1]:
        seconds = float(np.interp(SHARE, np.maximum.accumulate(covered), elapsed))
    if chosen.size > 2:
        rest = y - y.mean() + slope * centered
        scatter = math.sqrt(float(rest @ rest) / (chosen.size - 2))
        u = scatter / slope / math.sqrt(effective_size(rest))
    else:
        u = 0.0
    interval = float(np.median(np.diff(elapsed)))
    return seconds, slope, math.hypot(u, interval / math.sqrt(12.0 * chosen.size))


def without_sensor(seconds: float, lag: float) -> tuple[float, float]:
    """63 % time of the air, of which a sensor with a first-order lag makes the one read.

    The air's answer is taken as first-order too; the two in series have covered
    ``1 - (tau e^(-t/tau) - lag e^(-t/lag)) / (tau - lag)``.

    Returns
    -------
    tuple
        The air's 63 % time, and how it changes with the one read.
    """

    def solve(read: float) -> float:
        low, high = 1e-3 * lag, read + 1e-6
        for _ in range(40):
            tau = 0.5 * (low + high)
            if abs(tau - lag) < 1e-6 * lag:
                tau *= 1.0 + 1e-5
            gone = (tau * math.exp(-read / tau) - lag * math.exp(-read / lag)) / (tau - lag)
            if 1.0 - gone > SHARE:
                low = tau
            else:
                high = tau
        return 0.5 * (low + high)

    own = solve(seconds)
    gain = (solve(seconds * 1.02) - own) / (0.02 * seconds)
    return own, min(max(gain, 0.8), 3.0)
