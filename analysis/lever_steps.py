"""How fast the outlet answers a step of the lever.

Each step is measured by itself on the logger's own samples: where it started from, where it would
have settled (an exponential approach, or two, weighted by how well they fit), and when the answer
had covered 63 % of the way. The median over all steps is the figure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.lever import LeverStudy, sensor_lag
from analysis.lever_answer import Answer
from analysis.lever_blocks import blocks
from analysis.lever_path import LeverPath, NotMeasurable
from analysis.measurement import Measurement
from analysis.uncertainty import Floats, effective_size
from ingest.run import Run

LEAST_STEP_PCT: Final = 20.0
ROUNDING_PCT: Final = 0.5
"""Steps of 20 % of travel count, as near as positions are noted."""

ONE_MOVE_S: Final = 3.0
"""Moves in one direction that follow each other within this are one step."""

BEFORE_S: Final = 8.0
LEAST_AFTER_S: Final = 8.0
LONGEST_AFTER_S: Final = 400.0
FINE_S: Final = 0.2
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

UNKNOWN_LAG_S: Final = 0.5
"""What the lag of a sensor of which nothing is known may add, s."""

LOGGED_S: Final = 0.1
"""Clock of a logged lever against the outlet's in the same log, s."""

ONSET: Final = 0.3
FEWEST_LATE: Final = 4
"""Share of the answer that is its onset, and samples needed after it."""

HAND_S: Final = 0.4
"""Scatter of a time noted by hand against its own clock, s."""

CLOCK_S: Final = 0.25
UNKNOWN_CLOCK_S: Final = 0.7
"""What the noted times may be off together once their clock was compared with the log, and where it
could not be, s."""


@dataclass(frozen=True, slots=True)
class StepAnswer:
    """One step of the lever.

    Parameters
    ----------
    time
        When the lever was moved, s from engine start.
    change
        By how much, % of travel.
    answer
        How far the outlet went, K.
    seconds, u
        Time to 63 % of it, the sensor's lag taken out, and its standard uncertainty, s.
    """

    time: float
    change: float
    answer: float
    seconds: float
    u: float


def response_time(run: Run, study: LeverStudy, clock: Measurement | None) -> Measurement:
    """Median 63 % time over the steps of a run."""
    try:
        if study.path is None or study.answer is None:
            raise NotMeasurable(study.cold.note or "the lever or the outlet is not known")
        clock_u = _clock_u(study.path, clock)
        steps = step_answers(run, study.path, study.answer, clock_u)
    except NotMeasurable as reason:
        return Measurement.missing("s", str(reason))
    seconds = np.array([step.seconds for step in steps])
    opening = np.array([step.change > 0 for step in steps])
    own = float(np.mean([step.u**2 for step in steps]))
    degrees, squares = 0, 0.0
    for way in (opening, ~opening):
        if way.sum() > 1:
            degrees += int(way.sum()) - 1
            squares += float(((seconds[way] - seconds[way].mean()) ** 2).sum())
    variance = (own * FAITH + squares) / (FAITH + degrees)
    if degrees:
        variance = max(variance, 0.25 * own)
    # a median of three or more scatters a quarter more than a mean (normal distribution)
    loss = math.pi / 2.0 if seconds.size > 2 else 1.0
    random = math.sqrt(loss * variance / seconds.size)
    note = f"median of {seconds.size} step{'s' if seconds.size > 1 else ''}"
    if sensor_lag(run) is None:
        clock_u = math.hypot(clock_u, UNKNOWN_LAG_S)
        note += ", the sensor's own lag not taken out"
    details = {"steps": float(seconds.size)}
    for name, way in (("opening_s", opening), ("closing_s", ~opening)):
        if way.any():
            details[name] = float(np.median(seconds[way]))
    window = (steps[0].time, steps[-1].time)
    return Measurement(
        float(np.median(seconds)),
        "s",
        math.hypot(random, clock_u),
        note=note,
        window=window,
        details=details,
    )


FAITH: Final = 2.0
"""Weight, in steps, of what each step says of its own uncertainty against their scatter."""


def step_answers(run: Run, path: LeverPath, answer: Answer, clock_u: float) -> list[StepAnswer]:
    """Every step that can be measured.

    Parameters
    ----------
    run
        The run.
    path
        Where the lever was.
    answer
        Where the outlet may be used and what else was touched.
    clock_u
        What the times of all moves may be off together, s.

    Raises
    ------
    NotMeasurable
        Where there is none.
    """
    moves = [move for move in _moves(path) if abs(move[1]) >= LEAST_STEP_PCT - ROUNDING_PCT]
    if not moves:
        raise NotMeasurable(
            f"no single step of the lever of {LEAST_STEP_PCT:.0f} % of its travel or more: move "
            "it once from one end to the other and wait"
        )
    _, time, outlet = blocks(*run.series("outlet"), FINE_S)
    ends = _untouched(path, answer)
    lag = sensor_lag(run) or 0.0
    found = []
    for start, change, spread in moves:
        stop = min(ends[np.searchsorted(ends, start + spread + 0.1)], start + LONGEST_AFTER_S)
        before = ends[np.searchsorted(ends, start - spread - 0.1) - 1]
        if not _usable(answer, start - 2.0, stop) or stop - start < LEAST_AFTER_S:
            continue
        margin = max(1.0, 2.0 * clock_u + spread)
        step = _measure(time, outlet, (before, start, stop), margin, lag)
        if step is not None:
            size, seconds, u = step
            hand = spread if path.logged else math.hypot(HAND_S, spread)
            found.append(StepAnswer(start, change, size, seconds, math.hypot(u, hand)))
    if not found:
        raise NotMeasurable(
            f"no step of the lever of {LEAST_STEP_PCT:.0f} % or more with the engine warm, the "
            "blower unchanged and an answer of the outlet that stands out"
        )
    return found


def _clock_u(path: LeverPath, clock: Measurement | None) -> float:
    """What all moves may be off together, s.

    Where the clocks agree as far as can be told they are taken to agree: an answer that sets in a
    little late is slow, and that is what is measured.
    """
    if path.logged:
        return LOGGED_S
    if clock is None or clock.value is None or clock.u is None:
        return UNKNOWN_CLOCK_S
    if not clock.details:  # several offsets possible, none applied
        return clock.u
    return max(CLOCK_S, min(0.5 * abs(clock.value), clock.u))


def _moves(path: LeverPath) -> list[tuple[float, float, float]]:
    """Time, change and half-duration of every move; quick successions in one direction are one."""
    moves: list[tuple[float, float, float]] = []
    steps = np.diff(path.lever)
    times = path.moves[1:]
    edges = np.flatnonzero((np.diff(times) > ONE_MOVE_S) | (np.diff(np.sign(steps)) != 0)) + 1
    for group in np.split(np.arange(steps.size), edges):
        if group.size and times[group[-1]] - times[group[0]] <= 2.0 * ONE_MOVE_S:
            total = float(steps[group].sum())
            center = float(times[group] @ steps[group]) / total
            half = 0.5 * float(times[group[-1]] - times[group[0]])
            moves.append((center, total, half / math.sqrt(3.0)))
    return moves


def _untouched(path: LeverPath, answer: Answer) -> Floats:
    """Times at which anything was touched, between the first and the last reading."""
    changed = np.any(np.diff(answer.state, axis=1) != 0.0, axis=0)
    touched = answer.time[1:][changed]
    edges = (answer.time[0], answer.time[-1], np.inf)
    return np.unique(np.concatenate(([-np.inf], path.moves, touched, edges)))


def _usable(answer: Answer, start: float, stop: float) -> bool:
    first, last = np.searchsorted(answer.time, (start, stop))
    inside = answer.usable[first:last]
    return bool(inside.size and inside.mean() > 0.9)


def _measure(
    time: Floats, outlet: Floats, times: tuple[float, float, float], margin: float, lag: float
) -> tuple[float, float, float] | None:
    """Size, 63 % time and its uncertainty of one answer; None where it does not stand out."""
    before, onset, stop = times
    ahead = (time > max(before + 2.0, onset - margin - BEFORE_S)) & (time < onset - margin)
    after = (time >= onset) & (time < stop)
    if ahead.sum() < 2 or after.sum() < 5:
        return None
    level, u_level = _level(time[ahead] - onset, outlet[ahead])
    elapsed, value = _thin(time[after] - onset, outlet[after])
    settled, u_settled, scatter = _settle(elapsed, value - level)
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
        own, gain = _without_sensor(seconds, lag)
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


def _settle(elapsed: Floats, value: Floats) -> tuple[float, float, float]:
    """Where an answer settles: exponential approaches, weighted by how well they fit.

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
    design = _approaches(elapsed)
    weighted = design * weight
    square = weighted @ design.transpose(0, 2, 1)
    along = weighted @ value
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
        rest = value - amplitude[best] @ design[best]
        together = elapsed.size / effective_size(rest)
        noise = max(float(left[best]) / elapsed.size * together, (1e-3 * swing) ** 2)
    # evidence: a second approach that is not needed costs what it could have been
    merit = -0.5 * left / noise - 0.5 * np.linalg.slogdet(damped)[1]
    share = np.exp(merit - merit.max())
    share /= share.sum()
    settled = float(share @ amplitude[:, 0])
    spread = share @ (amplitude[:, 0] - settled) ** 2 + share @ inverse[:, 0, 0] * noise
    return settled, math.sqrt(float(spread)), math.sqrt(float(weight @ rest**2) / elapsed.size)


def _approaches(elapsed: Floats) -> Floats:
    """A constant, a fast and a slow exponential (or none) for every pair tried, shape (m, 3, n)."""
    pairs = [(fast, slow) for fast in FAST_S for slow in (math.inf, *SLOW_S) if slow > 2.0 * fast]
    fast, slow = np.array(pairs).T
    early = np.exp(-elapsed / fast[:, None])
    late = np.where(np.isinf(slow)[:, None], 0.0, np.exp(-elapsed / slow[:, None]))
    return np.stack((np.ones_like(early), early, late), axis=1)


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


def _without_sensor(seconds: float, lag: float) -> tuple[float, float]:
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
