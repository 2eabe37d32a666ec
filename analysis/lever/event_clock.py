"""The clock the events were noted by, against the logger's, from how the outlet follows the lever.

Who notes "lever to 40" by a watch is seconds off the logger. The outlet cannot respond before the
lever moves, and a first-order response sets in the moment it does: so one offset of all event times
is fitted together with the lags, the backlash and the settled curve, and the usual small delay
taken off. A lag may pass for an offset and the other way round; the fit's covariance says how far.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np
import polars as pl

from analysis.lever.data import gather
from analysis.lever.fit.fit import Fit, first_guess, fit, make_problem
from analysis.lever.fit.model import BACKLASH, CLOCK, FIRST_INIT, LOG_TAU, A, B, usual_delay
from analysis.lever.fit.start import FARTHEST_S, USUAL_OFFSET_S, Start, find_starts
from analysis.lever.path import NotMeasurable
from analysis.lever.record import Aligned, LeverRecord, MatchedModel
from analysis.lever.response import outlet_response
from analysis.lever.study import DRIFT, check_change, sensor_lag
from analysis.measurement import Measurement
from analysis.signal.order_statistics import median
from ingest.arrays import Floats
from ingest.findings import finding
from ingest.run import Run

EVENT_CLOCK_OFFSET: Final = finding(
    "event_clock_offset",
    "the clock the events were noted by was {size:.1f s} {way} the logger's "
    "(± {u:.1f s}): every event was taken {size:.1f s} {word}",
    do="Nothing: the events were moved. Set the watch by the logger next time.",
)

SIGNIFICANT_U: Final = 2.5
SIGNIFICANT_S: Final = 0.5
"""An offset is applied from this many standard uncertainties and this many seconds on."""

HAND_S: Final = 0.7
"""Scatter of a time noted by hand about its own clock, s."""

SMALL_S: Final = 2.5
"""Up to this offset the samples need not be chosen anew."""

BETTER: Final = 3.0
BETTER_SHARE: Final = 0.25
"""By how much in log likelihood, and by what share of what is left unexplained, one offset must be
better than another to be believed: no model of a heater is better than that."""

SAME_S: Final = 1.0
"""Offsets nearer to each other than this are one that was found twice."""

MIN_EVEN: Final = 4
ONE_WAY_SHARE: Final = 0.8
HALF_DWELL: Final = 0.6
MAX_BACKLASH_PCT: Final = 13.0
"""A sweep of this many moves, mostly one way or in steps of half this backlash, may be read a dwell
apart; one that went only one way shows offsets up to about half a dwell."""

Attempt = tuple[float, Fit, Start]
"""Offset, s, the fit that found it and where it began."""


def align_events(run: Run) -> Aligned:
    """Estimate the offset of the noted events and, where it is significant, take it out.

    Parameters
    ----------
    run
        The run with invalid readings null.

    Returns
    -------
    Aligned
        The run, with its events moved and a finding `event_clock_offset` where that was called
        for, and the offset: what must be added to an event's time. It is not measured where the
        lever is logged, since nothing need be matched then.
    """
    try:
        record = LeverRecord(run)
        best, rivals = _offsets(_Log(record))
    except NotMeasurable as reason:
        return Aligned(run, Measurement.missing("s", f"no clock offset to be had: {reason}"))
    offset, u = best[0], _uncertainty(best)
    for rival in rivals:
        u = math.hypot(u, 0.5 * abs(rival - offset))
    start = _matched(best)
    if abs(offset) > max(SIGNIFICANT_S, SIGNIFICANT_U * u):
        note = "applied to every noted event"
        run = _moved(run, offset, u)
        record = record.moved(run)
        return Aligned(run, Measurement(offset, "s", u, note=note), record, start)
    if not rivals:
        note = "the noted events and the log agree as far as can be seen"
        return Aligned(run, Measurement(offset, "s", u, note=note), record, start)
    others = " or ".join(f"{rival:+.1f} s" for rival in rivals)
    note = f"{offset:+.1f} s or {others}: the lever's steps are too even to tell; not applied"
    return Aligned(run, Measurement(offset, "s", u, note=note), record)


class _Log:
    """A log with its noted lever, fitted at any offset of the two clocks."""

    def __init__(self, record: LeverRecord) -> None:
        self.path = record.path
        if self.path.logged:
            raise NotMeasurable("the lever is logged, so that nothing needs to be matched")
        self.outlet = record.outlet
        self.controls = record.run.controls
        self.lag = sensor_lag(record.run)
        self.response = record.response
        self.data = record.data

    def attempt(self, start: Start) -> Attempt:
        """Fit everything, beginning at one offset."""
        response, data, shift = self.response, self.data, 0.0
        if abs(start.clock) > SMALL_S:
            shift, start = start.clock, replace(start, clock=0.0)
            response = outlet_response(self.outlet, self.controls, shift)
            data = gather(response, self.path.shifted(shift))
        problem = make_problem(
            data,
            start,
            sensor_lag=self.lag,
            clock=(-shift, USUAL_OFFSET_S),
            drift=DRIFT[0] if response.normalized else DRIFT[1],
        )
        scatter = abs(start.scatter / start.change)
        found = fit(problem, first_guess(problem, start), scatter, abs(start.change))
        delay, _ = usual_delay(math.exp(float(found.params[LOG_TAU])))
        return shift + float(found.params[CLOCK]) - delay, found, start


def _offsets(log: _Log) -> tuple[Attempt, list[float]]:
    """The best offset, and others that explain the log about as well.

    Raises
    ------
    NotMeasurable
        Where the lever does too little.
    """
    starts = find_starts(log.data, offsets=True)
    check_change(starts[0], log.response)
    attempts = [log.attempt(start) for start in starts]
    best = min(attempts, key=_cost_among(attempts))
    if abs(best[0]) > max(SIGNIFICANT_S, SIGNIFICANT_U * _uncertainty(best)):
        # whoever moves every event must first have tried to leave them where they are
        if not any(abs(start.clock) <= SMALL_S for start in starts):
            unmoved = find_starts(log.data, offsets=False)[0]
            if unmoved.change * starts[0].change > 0.0:
                attempts.append(log.attempt(unmoved))
        attempts += [log.attempt(start) for start in _a_dwell_apart(best)]
    cost = _cost_among(attempts)
    best = min(attempts, key=cost)
    if abs(best[0]) > HALF_DWELL * _plain_dwell(best[1]):
        return best, [0.0]
    margin = max(BETTER, BETTER_SHARE * cost(best))
    near = [
        each
        for each in attempts
        if abs(each[0] - best[0]) > SAME_S and cost(each) < cost(best) + margin
    ]
    agreeing = [each for each in near if abs(each[0]) < SIGNIFICANT_S]
    if agreeing:  # clocks that agree need no proof
        return agreeing[0], []
    return best, [each[0] for each in near]


def _cost_among(attempts: list[Attempt]) -> Callable[[Attempt], float]:
    noise = min(found.noise * found.scale**2 for _, found, _ in attempts)
    return lambda attempt: attempt[1].cost(noise)


def _steps(found: Fit) -> tuple[Floats, float]:
    """Changes of the lever during a record, %, and the usual time between them, s."""
    problem = found.problem
    seen = (problem.moves > problem.time[0]) & (problem.moves < problem.time[-1])
    steps = np.diff(problem.lever, prepend=problem.lever[0])[seen]
    dwell = median(np.diff(problem.moves[seen])) if steps.size > 1 else math.inf
    return steps, dwell


def _a_dwell_apart(best: Attempt) -> list[Start]:
    """The same sweep read one dwell earlier or later.

    A sweep of even steps looks nearly alike then, with the curve one step further along where the
    lever was moved one way only, with two steps more or less of backlash where it was moved both
    ways.
    """
    offset, found, start = best
    steps, dwell = _steps(found)
    if steps.size < MIN_EVEN:
        return []
    step = median(np.abs(steps))
    one_way = max((steps > 0).mean(), (steps < 0).mean()) > ONE_WAY_SHARE
    if not one_way and 2.0 * step > MAX_BACKLASH_PCT:
        return []
    params = found.params
    a, b, backlash = float(params[A]), float(params[B]), float(params[BACKLASH])
    others = []
    for way in (-1.0, 1.0):
        along = way * step * (-float(np.sign(steps.sum())) if one_way else 0.0)
        looser = backlash - (0.0 if one_way else way * 2.0 * step)
        if abs(offset + way * dwell) > FARTHEST_S or looser < -0.5 * step:
            continue
        others.append(
            replace(
                start,
                clock=offset + way * dwell,
                backlash=max(looser, 0.0) / (b - a) * abs(start.change),
                a=max(a + along, 0.0),
                b=min(b + along, 100.0),
                tau=math.exp(params[LOG_TAU]),
            )
        )
    return others


def _plain_dwell(found: Fit) -> float:
    """Dwell of a sweep that went one way only, s; infinite where the lever also went back.

    Read a dwell earlier or later such a sweep is the same sweep of another curve.
    """
    steps, dwell = _steps(found)
    if steps.size < MIN_EVEN or abs(np.sign(steps).sum()) < steps.size:
        return math.inf
    return dwell


def _uncertainty(attempt: Attempt) -> float:
    """Of the fit, of the delay that the model does not have, and of the hand at every note.

    A large step says more of the clock than a small one, in proportion to its square.
    """
    _, found, _ = attempt
    _, delay = usual_delay(math.exp(float(found.params[LOG_TAU])))
    squares = _steps(found)[0] ** 2
    independent = float(squares.sum()) ** 2 / max(float((squares**2).sum()), 1e-9)
    hand = HAND_S / math.sqrt(max(independent, 1.0))
    return math.sqrt(found.u(CLOCK) ** 2 + delay**2 + hand**2)


def _matched(attempt: Attempt) -> MatchedModel:
    """The fitted model, so that nobody needs to look for it again."""
    _, found, start = attempt
    rest = found.scatter * found.scale
    return MatchedModel(found.params[:FIRST_INIT], start.change, start.scatter, rest)


def _moved(run: Run, offset: float, u: float) -> Run:
    """The run with every noted event later by the offset."""
    controls = run.controls.with_columns(pl.col("time_s") + offset)
    way, word = ("behind", "later") if offset > 0 else ("ahead of", "earlier")
    moved = EVENT_CLOCK_OFFSET.found(
        size=abs(offset),
        way=way,
        u=2 * u,
        word=word,
        evidence={"offset_s": offset, "u_s": u},
    )
    return run.with_(controls=controls, findings=(*run.findings, moved))
