"""Steps of the lever: how far the outlet went, and how soon it had gone 63 % of the way."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from analysis.lever.steps.approach import Late, Settled, settle_responses
from analysis.signal.blocks import run_means
from analysis.signal.line import fit_line
from analysis.uncertainty import effective_size
from ingest.arrays import Floats

BEFORE_S: Final = 8.0
MAX_POINTS: Final = 160

MIN_ANSWER_K: Final = 4.0
MIN_OVER_SCATTER: Final = 6.0
"""A response smaller than this is lost in the outlet's own ups and downs."""

SHARE: Final = 1.0 - math.exp(-1.0)
NEAR: Final = (0.40, 0.80)
"""Part of the response around 63 % whose logarithm is taken as straight."""


MIN_FOR_LINE: Final = 6
"""Readings before a step that show whether the outlet still moved."""

_EVER_COARSER: Final = np.linspace(0.0, 1.0, MAX_POINTS) ** 2

MIN_DWELL: Final = 1.6
"""Times the 63 % time that a response must be seen for: of an exponential approach 80 %. One seen
for less may settle anywhere, as far as it tells."""

HALVINGS: Final = 26
"""Of the bracket in which the air's time is looked for: to 1 part in 10^7."""


LINE_PART: Final = (0.1, 0.9)
MIN_LINE: Final = 8
MIN_SWEPT_S: Final = 8.0
STRAIGHTER: Final = 0.5
"""Over this part of the response, in so many readings and so long a time, the squares about a line
are less than this share of those about an approach: then the lever was swept."""


class StepWindow(NamedTuple):
    """When the outlet was free before a step, when the lever moved, when its response was cut, s.

    `margin` is how much earlier than noted the lever may have moved, s.
    """

    before: float
    onset: float
    stop: float
    margin: float


class StepSize(NamedTuple):
    """Size, K, 63 % time and its standard uncertainty, s; whether the lever was swept instead."""

    size: float
    seconds: float
    u: float
    swept: bool = False


def measure_steps(
    time: Floats, outlet: Floats, windows: Sequence[StepWindow], lag: float, late: Late
) -> list[StepSize | None]:
    """The responses in some windows; None for one that does not stand out.

    Parameters
    ----------
    time, outlet
        The outlet's readings, s and degC, shape (n,).
    windows
        Where the steps are.
    lag
        Time constant of the sensor, s; 0 where it is not known.
    late
        The share of a response that comes late.
    """
    cut = [_cut(time, outlet, window) for window in windows]
    seen = [each for each in cut if each is not None]
    settled = iter(settle_responses([(each.elapsed, each.value) for each in seen], late))
    return [None if each is None else _size(each, next(settled), lag) for each in cut]


class _Cut(NamedTuple):
    """A response about its level before the step, and the standard uncertainty of that."""

    elapsed: Floats
    value: Floats
    u_level: float


def _cut(time: Floats, outlet: Floats, window: StepWindow) -> _Cut | None:
    """The readings of one step; None where there are too few."""
    early = max(window.before + 2.0, window.onset - window.margin - BEFORE_S)
    begin = int(time.searchsorted(early, side="right"))
    ready, onset, stop = time.searchsorted(
        (window.onset - window.margin, window.onset, window.stop)
    ).tolist()
    if ready - begin < 2 or stop - onset < 5:
        return None
    level, u_level = _level(time[begin:ready] - window.onset, outlet[begin:ready])
    elapsed, value = _thin(time[onset:stop] - window.onset, outlet[onset:stop])
    return _Cut(elapsed, value - level, u_level)


def _size(cut: _Cut, settled: Settled, lag: float) -> StepSize | None:
    """Size and time of one response."""
    if abs(settled.value) < max(MIN_ANSWER_K, MIN_OVER_SCATTER * settled.scatter):
        return None
    if settled.u > 0.25 * abs(settled.value):
        return None
    found = _crossing(cut.elapsed, cut.value / settled.value)
    if found is None:
        return None
    seconds, slope, u_cross = found
    if cut.elapsed[-1] < MIN_DWELL * seconds:
        return None
    swept = is_swept(cut.elapsed, cut.value / settled.value)
    # what an error of either end of the response does to the logarithm at 63 %
    ends = math.hypot(SHARE / (1.0 - SHARE) * settled.u, cut.u_level) / abs(settled.value)
    u = math.hypot(u_cross, ends / slope)
    if lag > 0.0:
        if seconds <= lag:  # no outlet is ahead of its own sensor: an upset on top of the response
            return None
        own, gain = without_sensor(seconds, lag)
        return StepSize(settled.value, own, u * gain, swept)
    return StepSize(settled.value, seconds, u, swept)


def is_swept(elapsed: Floats, covered: Floats) -> bool:
    """Whether a response is a straight line, as of a lever that was moved slowly, not at once.

    What follows a step is fastest at first: it is an exponential approach, whatever delays it, and
    several lags in series make it no straight line either.

    Parameters
    ----------
    elapsed
        Since the lever was noted to move, s, shape (n,).
    covered
        Share of the response, shape (n,).
    """
    above = np.flatnonzero(covered >= LINE_PART[1])
    stop = int(above[0]) if above.size else covered.size
    below = np.flatnonzero(covered[:stop] <= LINE_PART[0])
    start = int(below[-1]) + 1 if below.size else 0
    x, y = elapsed[start:stop], covered[start:stop]
    if x.size < MIN_LINE or x[-1] - x[0] < MIN_SWEPT_S:
        return False
    line = fit_line(x, y).at(x)
    left = np.maximum(1.0 - y, 0.02)
    # in the logarithm early readings are the surer ones
    approach = 1.0 - np.exp(fit_line(x, np.log(left), left**2).at(x))
    return float(np.sum((y - line) ** 2)) < STRAIGHTER * float(np.sum((y - approach) ** 2))


def _level(when: Floats, value: Floats) -> tuple[float, float]:
    """Level at the moment of the step: the mean before it, or the line where it still moved."""
    n = value.size
    mean = float(value.sum()) / n
    away = value - mean
    u = math.sqrt(float(away @ away) / ((n - 1) * effective_size(value)))
    if n < MIN_FOR_LINE:
        return mean, max(u, 0.05)
    middle = float(when.sum()) / n
    centered = when - middle
    square = float(centered @ centered)
    slope = float(centered @ away) / square
    rest = away - slope * centered
    ahead = -slope * middle
    variance = float(rest @ rest) / (n - 2)
    u_ahead = abs(middle) * math.sqrt(variance * n / (square * effective_size(rest)))
    trust = ahead**2 / (ahead**2 + 4.0 * u_ahead**2 + 1e-9)
    return mean + trust * ahead, math.hypot(max(u, 0.02), trust * u_ahead)


def _thin(elapsed: Floats, value: Floats) -> tuple[Floats, Floats]:
    """Fine at first, coarser later: as many points as the response needs."""
    if elapsed.size <= MAX_POINTS:
        return elapsed, value
    marks = elapsed.searchsorted(elapsed[-1] * _EVER_COARSER)
    marks = marks[np.concatenate(([True], marks[1:] > marks[:-1]))]
    return run_means(marks, elapsed), run_means(marks, value)


def _crossing(elapsed: Floats, covered: Floats) -> tuple[float, float, float] | None:
    """When 63 % were covered, the slope of the logarithm there, and the uncertainty."""
    above = covered >= SHARE
    if not above.any():
        return None
    first_above = int(above.argmax())
    last_below = above.size - 1 - int((~above)[::-1].argmax()) if not above.all() else -1
    # noise may carry single samples across: the middle of the first and last crossing is meant
    middle = 0.5 * (first_above + min(max(last_below, first_above - 1) + 1, 2 * first_above + 3))
    reach = max(2.0, 0.6 * middle)
    begin, end = max(0, math.floor(middle - reach)), math.ceil(middle + reach + 1.0)
    near = covered[begin:end]
    chosen = begin + np.flatnonzero((near > NEAR[0]) & (near < NEAR[1]))
    if chosen.size < 3:
        chosen = np.arange(max(0, first_above - 1), min(first_above + 2, covered.size))
        if chosen.size < 2:
            return None
    x, y = elapsed[chosen], np.log(np.maximum(1.0 - covered[chosen], 0.02))
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
    gaps = elapsed[1:] - elapsed[:-1]
    half = gaps.size // 2
    gaps.partition(half)
    interval = float(gaps[half])
    return seconds, slope, math.hypot(u, interval / math.sqrt(12.0 * chosen.size))


def without_sensor(seconds: float, lag: float) -> tuple[float, float]:
    """63 % time of the air, of which a sensor with a first-order lag makes the one read.

    The air's response is taken as first-order too; the two in series have covered
    ``1 - (tau e^(-t/tau) - lag e^(-t/lag)) / (tau - lag)``.

    Returns
    -------
    tuple
        The air's 63 % time, and how it changes with the one read.
    """

    def solve(read: float) -> float:
        low, high = 1e-3 * lag, read + 1e-6
        of_sensor = lag * math.exp(-read / lag)
        for _ in range(HALVINGS):
            tau = 0.5 * (low + high)
            if abs(tau - lag) < 1e-6 * lag:
                tau *= 1.0 + 1e-5
            gone = (tau * math.exp(-read / tau) - of_sensor) / (tau - lag)
            if 1.0 - gone > SHARE:
                low = tau
            else:
                high = tau
        return 0.5 * (low + high)

    own = solve(seconds)
    gain = (solve(seconds * 1.02) - own) / (0.02 * seconds)
    return own, min(max(gain, 0.8), 3.0)
