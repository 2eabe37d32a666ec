"""How fast the outlet responds to a step of the lever.

Each step is measured by itself on the logger's own samples: where it started from, where it would
have settled (an exponential approach, or two, weighted by how well they fit), and when the response
had covered 63 % of the way. The median over all steps is the figure.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.lever.blocks import blocks
from analysis.lever.fit.model import LOG_SLOW, SLOW_SHARE
from analysis.lever.path import LeverPath, NotMeasurable
from analysis.lever.record import Aligned
from analysis.lever.response import Response
from analysis.lever.steps.approach import NOTHING_LATE, Late
from analysis.lever.steps.step import StepWindow, measure_steps
from analysis.lever.study import LEVER_WORKS_BACKWARDS, LeverStudy, sensor_lag
from analysis.measurement import Measurement
from analysis.signal.order_statistics import median
from ingest.arrays import Floats
from ingest.run import Run
from ingest.values import dataclass

MIN_STEP_PCT: Final = 20.0
ROUNDING_PCT: Final = 0.5
"""Steps of 20 % of travel count, as near as positions are noted."""

ONE_MOVE_S: Final = 3.0
"""Moves in one direction that follow each other within this are one step."""

MIN_AFTER_S: Final = 8.0
LONGEST_AFTER_S: Final = 400.0
FINE_S: Final = 0.2

UNKNOWN_LAG_S: Final = 0.5
"""What the lag of a sensor of which nothing is known may add, s."""

LOGGED_S: Final = 0.1
"""Clock of a logged lever against the outlet's in the same log, s."""

HAND_S: Final = 0.4
"""Scatter of a time noted by hand against its own clock, s."""

CLOCK_S: Final = 0.25
UNKNOWN_CLOCK_S: Final = 0.7
"""What the noted times may be off together once their clock was compared with the log, and where it
could not be, s."""


@dataclass(frozen=True, slots=True)
class StepResponse:
    """One step of the lever.

    Parameters
    ----------
    time
        When the lever was moved, s from engine start.
    change
        By how much, % of travel.
    response
        How far the outlet went, K.
    seconds, u
        Time to 63 % of it, the sensor's lag taken out, and its standard uncertainty, s.
    """

    time: float
    change: float
    response: float
    seconds: float
    u: float


def response_time(aligned: Aligned, study: LeverStudy) -> Measurement:
    """Median 63 % time over the steps of a run."""
    run = aligned.run
    try:
        if study.path is None or study.response is None:
            raise NotMeasurable(study.cold.note or "the lever or the outlet is not known")
        clock_u = _clock_u(study.path, aligned)
        backwards = any(each.fault == LEVER_WORKS_BACKWARDS.name for each in study.findings)
        steps = step_responses(
            run, study.path, study.response, clock_u, _late(study), backwards=backwards
        )
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
    middle = median(seconds)
    form = VALVE_FORM_SHARE if run.setup.run.heater == "water-valve" else FORM_SHARE
    random = math.hypot(math.sqrt(loss * variance / seconds.size), form * middle)
    note = f"median of {seconds.size} step{'s' if seconds.size > 1 else ''}"
    if sensor_lag(run) is None:
        clock_u = math.hypot(clock_u, UNKNOWN_LAG_S)
        note += ", the sensor's own lag not taken out"
    window = (steps[0].time, steps[-1].time)
    return Measurement(middle, "s", math.hypot(random, clock_u), note=note, window=window)


FORM_SHARE: Final = 0.08
"""Share of the time that hangs on taking responses as exponentials (k = 1): a core with two time
constants is off by this much on cars of other makes."""

VALVE_FORM_SHARE: Final = 0.15
"""The same where a valve throttles the coolant: the core's time constant changes with the flow
while it responds, and what comes late of it is mostly not waited for."""

FAITH: Final = 2.0
"""Weight, in steps, of what each step says of its own uncertainty against their scatter."""


def step_responses(
    run: Run,
    path: LeverPath,
    response: Response,
    clock_u: float,
    late: Late = NOTHING_LATE,
    *,
    backwards: bool = False,
) -> list[StepResponse]:
    """Every step that can be measured.

    Parameters
    ----------
    run
        The run.
    path
        Where the lever was.
    response
        Where the outlet may be used and what else was touched.
    clock_u
        What the times of all moves may be off together, s.
    late
        The share of a response that comes late.
    backwards
        Whether the lever is known to work backwards; otherwise an outlet that goes the other way
        does not answer that step.

    Raises
    ------
    NotMeasurable
        Where there is none.
    """
    moves = [m for m in _moves(path) if abs(m.change) >= MIN_STEP_PCT - ROUNDING_PCT]
    if not moves:
        raise NotMeasurable(
            f"no single step of the lever of {MIN_STEP_PCT:.0f} % of its travel or more: move "
            "it once from one end to the other and wait"
        )
    _, time, outlet = blocks(*run.series("outlet"), FINE_S)
    ends = _untouched(path, response)
    lag = sensor_lag(run) or 0.0
    windows, used = [], []
    for move in moves:
        start = move.center
        stop = min(ends[np.searchsorted(ends, move.last + 0.1)], start + LONGEST_AFTER_S)
        before = ends[np.searchsorted(ends, move.first - 0.1) - 1]
        if _usable(response, start - 2.0, stop) and stop - start >= MIN_AFTER_S:
            margin = max(1.0, 2.0 * clock_u + start - move.first)
            windows.append(StepWindow(before, start, stop, margin))
            used.append(move)
    found, swept = [], 0
    for move, step in zip(used, measure_steps(time, outlet, windows, lag, late), strict=True):
        if step is None or (step.size * move.change < 0.0) is not backwards:
            continue
        if step.swept:
            swept += 1
        else:
            spread = (move.last - move.first) / math.sqrt(12.0)
            hand = spread if path.logged else math.hypot(HAND_S, spread)
            u = math.hypot(step.u, hand)
            found.append(StepResponse(move.center, move.change, step.size, step.seconds, u))
    if swept > len(found):
        raise NotMeasurable(
            "the outlet followed the lever in a straight line, as it does one that is moved "
            "slowly: move it at once from one end to the other and wait"
        )
    if not found:
        raise NotMeasurable(
            f"no step of the lever of {MIN_STEP_PCT:.0f} % or more with the engine warm, the "
            "blower unchanged and a response of the outlet that stands out"
        )
    return found


def _clock_u(path: LeverPath, aligned: Aligned) -> float:
    """What all moves may be off together, s.

    Where the clocks agree as far as can be seen they are taken to agree: a response that sets in a
    little late is slow, and that is what is measured.
    """
    if path.logged:
        return LOGGED_S
    clock = aligned.offset
    if clock is None or clock.value is None or clock.u is None:
        return UNKNOWN_CLOCK_S
    if aligned.start is None:  # several offsets possible, none applied
        return clock.u
    return max(CLOCK_S, min(0.5 * abs(clock.value), clock.u))


def _late(study: LeverStudy) -> Late:
    """The late share of the fitted model, where there is one."""
    if study.fit is None:
        return NOTHING_LATE
    share = float(study.fit.params[SLOW_SHARE])
    return Late(min(max(share, 0.0), 0.3), math.exp(float(study.fit.params[LOG_SLOW])))


@dataclass(frozen=True, slots=True)
class _Move:
    """One move of the lever: from and to, s, its middle by travel, s, and its change, %."""

    first: float
    last: float
    center: float
    change: float


def _moves(path: LeverPath) -> list[_Move]:
    """Every move; quick successions in one direction are one."""
    moves: list[_Move] = []
    steps = np.diff(path.lever)
    times = path.moves[1:]
    edges = np.flatnonzero((np.diff(times) > ONE_MOVE_S) | (np.diff(np.sign(steps)) != 0)) + 1
    for group in np.split(np.arange(steps.size), edges):
        if group.size and times[group[-1]] - times[group[0]] <= 2.0 * ONE_MOVE_S:
            total = float(steps[group].sum())
            center = float(times[group] @ steps[group]) / total
            moves.append(_Move(float(times[group[0]]), float(times[group[-1]]), center, total))
    return moves


def _untouched(path: LeverPath, response: Response) -> Floats:
    """Times at which anything was touched, between the first and the last reading."""
    changed = np.any(np.diff(response.state, axis=1) != 0.0, axis=0)
    touched = response.time[1:][changed]
    edges = (response.time[0], response.time[-1], np.inf)
    return np.unique(np.concatenate(([-np.inf], path.moves, touched, edges)))


def _usable(response: Response, start: float, stop: float) -> bool:
    first, last = np.searchsorted(response.time, (start, stop))
    inside = response.usable[first:last]
    return bool(inside.size and inside.mean() > 0.9)
