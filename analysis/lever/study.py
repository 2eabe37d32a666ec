"""What the lever does to the outlet: curve, ends and backlash, found once for all figures."""

from __future__ import annotations

import math
from dataclasses import field
from typing import Final

import numpy as np

from analysis.lever.data import LeverData
from analysis.lever.figures import VALVE_DWELL_S, Swept, hysteresis, travel
from analysis.lever.fit.ends import Ends, find_ends
from analysis.lever.fit.fit import Fit, first_guess, fit, make_problem
from analysis.lever.fit.model import (
    CLOCK,
    FIRST_INIT,
    LOG_TAU,
    A,
    B,
    usual_delay,
)
from analysis.lever.fit.settled import settle_curves, settled_responses
from analysis.lever.fit.start import Start, find_starts
from analysis.lever.path import LeverPath, NotMeasurable
from analysis.lever.record import Aligned, MatchedModel
from analysis.lever.response import Response
from analysis.measurement import Measurement
from analysis.signal.order_statistics import median
from ingest.arrays import Bools, Floats
from ingest.findings import finding
from ingest.run import Finding, Run
from ingest.saying import say
from ingest.values import dataclass

LEVER_WORKS_BACKWARDS: Final = finding(
    "lever_works_backwards",
    "the outlet got {change:.0f K} colder when the lever was moved to hot: the lever works "
    "backwards",
    do="Check how the control cable is hooked in, or the vacuum hoses at the actuator.",
)

MIN_CHANGE_K: Final = 3.0
MIN_OVER_SCATTER: Final = 3.0
"""A lever that changes the outlet by less says nothing of where it acts."""

MIN_POSITIONS: Final = 4
INNER_PCT: Final = 3.0
MIN_EACH_WAY: Final = 2
MIN_EACH_WAY_SHARE: Final = 0.3
"""Positions between the ends reached in either direction, and as a share of the other direction."""

READING_PCT: Final = 0.3
"""Standard uncertainty of a noted position (half a graduation of a 1 % scale, rectangular)."""

LOGGED_READING_PCT: Final = 0.15

DRIFT: Final = (0.03, 0.1)
"""Change of the span during a sweep (k = 1): with the coolant logged, and without."""

CLOCK_S: Final = (0.5, 3.0)
"""Least and most standard deviation of the clocks' difference left after alignment, s."""

LOGGED_CLOCK_S: Final = 0.3


MIN_READINGS: Final = 2
"""Readings of the outlet at each of the lever's positions."""


@dataclass(frozen=True)
class LeverStudy:
    """What a run says of its lever.

    Parameters
    ----------
    cold, hot, effective, hysteresis
        The figures.
    findings
        What is wrong with the lever or with how it was moved.
    path, response, data, fit, ends
        What they come from, for pictures and the step responses; None as far as the run did not
        get.
    """

    cold: Measurement
    hot: Measurement
    effective: Measurement
    hysteresis: Measurement
    findings: tuple[Finding, ...] = ()
    path: LeverPath | None = None
    response: Response | None = None
    data: LeverData | None = None
    fit: Fit | None = None
    ends: Ends | None = None


@dataclass
class _Progress:
    """Filled as far as a run gets."""

    findings: list[Finding] = field(default_factory=list)
    path: LeverPath | None = None
    response: Response | None = None
    data: LeverData | None = None
    fit: Fit | None = None
    ends: Ends | None = None


def study_lever(aligned: Aligned) -> LeverStudy:
    """Fit everything the lever did and read the figures off.

    Parameters
    ----------
    aligned
        The run with its events aligned (`analysis.lever.event_clock.align_events`).
    """
    done = _Progress()
    try:
        figures = _figures(aligned, done)
    except NotMeasurable as reason:
        missing = Measurement.missing("%", str(reason))
        figures = (missing,) * 4
    return LeverStudy(
        *figures,
        tuple(done.findings),
        done.path,
        done.response,
        done.data,
        done.fit,
        done.ends,
    )


def sensor_lag(run: Run) -> float | None:
    """The outlet sensor's own time constant, s; None where it was not given."""
    return run.sensors["outlet"].time_constant


def check_change(start: Start, response: Response) -> None:
    """Make sure that the lever does something.

    Raises
    ------
    NotMeasurable
        Where moving it changed the outlet by too little.
    """
    change = abs(start.change) * response.rise_k
    scatter = start.scatter * response.rise_k
    if change < MIN_CHANGE_K:
        raise NotMeasurable(
            say(
                "moving the lever changed the outlet by only {change:.1f K}: "
                "too little to see where it acts",
                change=change,
            )
        )
    if change < MIN_OVER_SCATTER * scatter:
        raise NotMeasurable(
            say(
                "the outlet varied by {scatter:.1f K} by itself while the lever changed it by "
                "{change:.1f K}: too unsteady to see where it acts",
                scatter=scatter,
                change=change,
            )
        )


def check_outlet_turned(rise: Floats, usable: Bools, lever: Floats) -> None:
    """Make sure that the outlet itself, not only its share of the coolant, turned round.

    A water valve that shuts lets its supply hose go cold: the outlet, which holds its heat for a
    while, then seems to gain on it.

    Parameters
    ----------
    rise
        Outlet less the air entering, K, shape (n,).
    usable
        Where the engine was warm and nothing but the lever was moved, shape (n,).
    lever
        Its position, %, shape (n,).

    Raises
    ------
    NotMeasurable
        Where it is not warmer with the lever toward cold.
    """
    kept = usable & ~np.isnan(rise) & ~np.isnan(lever)
    low, high = (float(each(lever[kept], initial=50.0)) for each in (np.min, np.max))
    third = (high - low) / 3.0
    cold, hot = rise[kept & (lever <= low + third)], rise[kept & (lever >= high - third)]
    if cold.size and hot.size and float(np.median(cold) - np.median(hot)) >= MIN_CHANGE_K:
        return
    raise NotMeasurable(
        "the coolant changed more than the outlet while the lever was moved: hold the lever at "
        "each position until the outlet stands still"
    )


def _figures(
    aligned: Aligned, done: _Progress
) -> tuple[Measurement, Measurement, Measurement, Measurement]:
    record = aligned.read()
    path = done.path = record.path
    response = done.response = record.response
    data = done.data = record.data
    start = _known_start(aligned.start) or find_starts(data, offsets=False)[0]
    check_change(start, response)
    if start.change < 0.0:
        check_outlet_turned(record.outlet.rise, response.usable, path.at(response.time))
        done.findings.append(_backwards(start, response, data))
        raise NotMeasurable(
            "the lever works backwards: the outlet gets colder as the lever goes to hot "
            "(actuator hoses crossed?)"
        )
    problem = make_problem(
        data,
        start,
        sensor_lag=sensor_lag(aligned.run),
        clock=_clock_left(path, aligned.offset, start.tau),
        drift=DRIFT[0] if response.normalized else DRIFT[1],
    )
    guess, rest = first_guess(problem, start), start.scatter
    if aligned.start is not None:
        rest = aligned.start.rest
        guess[:FIRST_INIT] = aligned.start.params
        guess[CLOCK] = problem.center[CLOCK]
    fitted = done.fit = fit(problem, guess, rest / start.change, start.change)
    positions = np.unique(np.round(data.positions, 1))
    if positions.size < MIN_POSITIONS:
        raise NotMeasurable(
            f"the lever stood at only {positions.size} positions with the engine warm: "
            "move it in steps of about 10 % from one end to the other"
        )
    low, high = float(positions[0]), float(positions[-1])
    side = _side(path, data, low, high)
    reading = LOGGED_READING_PCT if path.logged else READING_PCT
    curves = settle_curves(settled_responses(fitted, reading), fitted, low, high)
    ends = done.ends = find_ends(curves, low, high, side, reading)
    notes = list(response.notes)
    if side != 0.0:
        notes.append("of the opening sweep alone" if side > 0 else "of the closing sweep alone")
    window = (float(data.time[0]), float(data.time[-1]))
    inside = path.moves[(path.moves > data.time[0]) & (path.moves < data.time[-1])]
    dwell = median(np.diff(inside)) if inside.size > 1 else 0.0
    _check_read_often(aligned.run, dwell, logged=path.logged)
    valve = aligned.run.setup.run.heater != "blend-air" and dwell < VALVE_DWELL_S
    swept = Swept(low, high, side, window, "; ".join(notes) or None, valve)
    backlash = hysteresis(ends, fitted, swept)
    try:
        return *travel(ends, fitted, swept), backlash
    except NotMeasurable as reason:
        missing = Measurement.missing("%", str(reason))
        return missing, missing, missing, backlash


def _check_read_often(run: Run, dwell: float, *, logged: bool) -> None:
    """Make sure that every position was read more than once: no model makes up for that.

    Raises
    ------
    NotMeasurable
        Where a lever that was noted was moved on sooner.
    """
    interval = median(np.diff(run.series("outlet")[0]))
    if not logged and 0.0 < dwell < MIN_READINGS * interval:
        raise NotMeasurable(
            f"the outlet was read every {interval:.0f} s and the lever moved every {dwell:.0f} s: "
            f"hold it at each position for {2.0 * MIN_READINGS * interval:.0f} s, or log faster"
        )


def _known_start(known: MatchedModel | None) -> Start | None:
    """What matching the clocks has found already."""
    if known is None:
        return None
    tau = math.exp(float(known.params[LOG_TAU]))
    a, b = float(known.params[A]), float(known.params[B])
    return Start(0.0, tau, a, b, known.change, 0.0, known.scatter)


def _clock_left(path: LeverPath, clock: Measurement | None, tau: float) -> tuple[float, float]:
    """What the moves may still be off, the response's usual delay included: mean and spread."""
    delay, u = usual_delay(tau)
    if path.logged:
        return delay, math.hypot(u, LOGGED_CLOCK_S)
    left = clock.u if clock is not None else None
    return delay, min(max(left or 1.0, CLOCK_S[0]), CLOCK_S[1])


def _backwards(start: Start, response: Response, data: LeverData) -> Finding:
    change = abs(start.change) * response.rise_k
    return LEVER_WORKS_BACKWARDS.found(
        "outlet",
        float(data.time[0]),
        float(data.time[-1]),
        change=change,
        evidence={"change_K": -change},
    )


def _side(path: LeverPath, data: LeverData, low: float, high: float) -> float:
    """0 where the lever was moved both ways between the ends, else the way it was moved.

    Raises
    ------
    NotMeasurable
        Where it was only thrown from one end to the other.
    """
    seen = (path.moves > data.time[0]) & (path.moves < data.time[-1])
    inner = seen & (path.lever > low + INNER_PCT) & (path.lever < high - INNER_PCT)
    way = np.diff(path.lever, prepend=path.lever[0])
    opened, closed = int((inner & (way > 0)).sum()), int((inner & (way < 0)).sum())
    if opened + closed == 0:
        raise NotMeasurable(
            "the lever was only moved from end to end: move it in steps of about 10 %"
        )
    fewer, more = sorted((opened, closed))
    if fewer >= max(MIN_EACH_WAY, MIN_EACH_WAY_SHARE * more):
        return 0.0
    return 0.5 if opened > closed else -0.5
