"""What the lever does to the outlet: the curve, its ends, the slack, found once for all figures."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from analysis.lever_answer import Answer, outlet_answer, read_outlet
from analysis.lever_data import LeverData, gather
from analysis.lever_ends import Ends, find_ends
from analysis.lever_fit import Fit, first_guess, fit, make_problem
from analysis.lever_model import (
    CLOCK,
    LOG_SLOW,
    LOG_TAU,
    NAMES,
    SLOW_SHARE,
    A,
    B,
    usual_delay,
)
from analysis.lever_path import LeverPath, NotMeasurable, lever_path
from analysis.lever_settled import settle_curves, settled_answers
from analysis.lever_start import Start, find_starts
from analysis.measurement import Measurement
from ingest.run import Finding, Run

LEAST_CHANGE_K: Final = 3.0
LEAST_OVER_SCATTER: Final = 3.0
"""A lever that changes the outlet by less says nothing of where it acts."""

FEWEST_POSITIONS: Final = 4
END_PCT: Final = 5.0
"""The lever was at an end of the slot within this."""

MOST_U_PCT: Final = 10.0
MOST_SLACK_U_PCT: Final = 4.5
"""Figures less certain than this are no figures."""

INNER_PCT: Final = 3.0
FEWEST_EACH_WAY: Final = 2
LEAST_EACH_WAY: Final = 0.3
"""Positions between the ends reached in either direction, and as a share of the other direction."""

READING_PCT: Final = 0.3
"""Standard uncertainty of a noted position (half a graduation of a 1 % scale, rectangular)."""

LOGGED_READING_PCT: Final = 0.15

DRIFT: Final = (0.03, 0.1)
"""Change of the span during a sweep (k = 1): with the coolant logged, and without."""

LAG_SHARE: Final = 0.1
"""Share of what a lag leaves between the sweeps that may pass for slack: no lag is quite the
model's."""

CLOCK_S: Final = (0.5, 3.0)
"""Least and most standard deviation of the clocks' difference left after alignment, s."""

LOGGED_CLOCK_S: Final = 0.3


@dataclass(frozen=True)
class LeverStudy:
    """What a run says of its lever.

    Parameters
    ----------
    cold, hot, effective, hysteresis
        The figures.
    findings
        What is wrong with the lever or with how it was moved.
    path, answer, data, fit, ends
        What they come from, for pictures and the step responses; None as far as the run did not
        get.
    """

    cold: Measurement
    hot: Measurement
    effective: Measurement
    hysteresis: Measurement
    findings: tuple[Finding, ...] = ()
    path: LeverPath | None = None
    answer: Answer | None = None
    data: LeverData | None = None
    fit: Fit | None = None
    ends: Ends | None = None


@dataclass
class _Progress:
    """Filled as far as a run gets."""

    findings: list[Finding] = field(default_factory=list)
    path: LeverPath | None = None
    answer: Answer | None = None
    data: LeverData | None = None
    fit: Fit | None = None
    ends: Ends | None = None


def study_lever(run: Run, clock: Measurement | None = None) -> LeverStudy:
    """Fit everything the lever did and read the figures off.

    Parameters
    ----------
    run
        The run with its events aligned.
    clock
        What `analysis.event_clock.align_events` found.
    """
    done = _Progress()
    try:
        figures = _figures(run, clock, done)
    except NotMeasurable as reason:
        missing = Measurement.missing("%", str(reason))
        figures = (missing,) * 4
    return LeverStudy(
        *figures,
        tuple(done.findings),
        done.path,
        done.answer,
        done.data,
        done.fit,
        done.ends,
    )


def sensor_lag(run: Run) -> float | None:
    """The outlet sensor's own time constant, s; None where it was not given."""
    return run.sensors["outlet"].time_constant


def check_change(start: Start, answer: Answer) -> None:
    """Make sure that the lever does something.

    Raises
    ------
    NotMeasurable
        Where moving it changed the outlet by too little.
    """
    change = abs(start.change) * answer.rise_k
    scatter = start.scatter * answer.rise_k
    if change < LEAST_CHANGE_K:
        raise NotMeasurable(
            f"moving the lever changed the outlet by only {change:.1f} K: "
            "too little to see where it acts"
        )
    if change < LEAST_OVER_SCATTER * scatter:
        raise NotMeasurable(
            f"the outlet varied by {scatter:.1f} K by itself while the lever changed it by "
            f"{change:.1f} K: too unsteady to see where it acts"
        )


def _figures(
    run: Run, clock: Measurement | None, done: _Progress
) -> tuple[Measurement, Measurement, Measurement, Measurement]:
    path = done.path = lever_path(run)
    answer = done.answer = outlet_answer(read_outlet(run), run.controls)
    data = done.data = gather(answer, path)
    start = _known_start(clock) or find_starts(data, offsets=False)[0]
    check_change(start, answer)
    if start.change < 0.0:
        done.findings.append(_backwards(start, answer, data))
        raise NotMeasurable(
            "the lever works backwards: the outlet gets colder as the lever goes to hot "
            "(actuator hoses crossed?)"
        )
    problem = make_problem(
        data,
        start,
        sensor_lag=sensor_lag(run),
        clock=_clock_left(path, clock, start.tau),
        drift=DRIFT[0] if answer.normalized else DRIFT[1],
    )
    guess = first_guess(problem, start)
    if clock is not None and clock.details:
        guess[:CLOCK] = [clock.details[name] for name in NAMES[:CLOCK]]
        guess[CLOCK] = problem.center[CLOCK]
    fitted = done.fit = fit(problem, guess, start.scatter / start.change, start.change)
    positions = np.unique(np.round(data.positions, 1))
    if positions.size < FEWEST_POSITIONS:
        raise NotMeasurable(
            f"the lever stood at only {positions.size} positions with the engine warm: "
            "move it in steps of about 10 % from one end to the other"
        )
    low, high = float(positions[0]), float(positions[-1])
    side = _side(path, data, low, high)
    reading = LOGGED_READING_PCT if path.logged else READING_PCT
    curves = settle_curves(settled_answers(fitted, reading), fitted, low, high)
    ends = done.ends = find_ends(curves, low, high, side, reading)
    window = (float(data.time[0]), float(data.time[-1]))
    notes = list(answer.notes)
    if side != 0.0:
        notes.append("of the opening sweep alone" if side > 0 else "of the closing sweep alone")
    details = dict(zip(NAMES, fitted.params.tolist(), strict=False)) | {
        "u_clock": fitted.u(CLOCK),
        "scatter": fitted.scatter,
    }
    travel = _travel(ends, low, high, window, "; ".join(notes) or None, details)
    return *travel, _hysteresis(ends, fitted, side, window, answer)


def _known_start(clock: Measurement | None) -> Start | None:
    """What matching the clocks has found already."""
    if clock is None or not clock.details:
        return None
    known = clock.details
    return Start(
        0.0,
        math.exp(known["log_tau"]),
        known["a"],
        known["b"],
        known["change"],
        0.0,
        known["scatter"],
    )


def _clock_left(path: LeverPath, clock: Measurement | None, tau: float) -> tuple[float, float]:
    """What the moves may still be off, the usual delay of the answer included: mean and spread."""
    delay, u = usual_delay(tau)
    if path.logged:
        return delay, math.hypot(u, LOGGED_CLOCK_S)
    left = clock.u if clock is not None else None
    return delay, min(max(left or 1.0, CLOCK_S[0]), CLOCK_S[1])


def _backwards(start: Start, answer: Answer, data: LeverData) -> Finding:
    change = abs(start.change) * answer.rise_k
    return Finding(
        "lever_works_backwards",
        f"the outlet got {change:.0f} K colder when the lever was moved to hot: the lever works "
        "backwards",
        channel="outlet",
        from_s=float(data.time[0]),
        to_s=float(data.time[-1]),
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
    if fewer >= max(FEWEST_EACH_WAY, LEAST_EACH_WAY * more):
        return 0.0
    return 0.5 if opened > closed else -0.5


def _travel(
    ends: Ends,
    low: float,
    high: float,
    window: tuple[float, float],
    note: str | None,
    details: dict[str, float],
) -> tuple[Measurement, Measurement, Measurement]:
    """Dead travel at both ends and what is left between them.

    Raises
    ------
    NotMeasurable
        Where an end of the slot was not reached and the curve had not gone flat before it, or the
        steps were too coarse.
    """
    short = (low, 100.0 - high)
    for name, missing, flat, u in zip(("cold", "hot"), short, ends.flat, ends.flat_u, strict=True):
        if missing > END_PCT and flat < 2.0 + 2.0 * u:
            raise NotMeasurable(
                f"the lever came no nearer than {missing:.0f} % to its {name} end and the outlet "
                "was still changing there: the whole span was not seen"
            )
    # what lies beyond the last position the lever stood at is dead travel or is not
    unseen = np.array(
        [each if flat < 1.0 else 0.0 for each, flat in zip(short, ends.flat, strict=True)]
    )
    cold, hot = ends.value[:2] + short - unseen / 2
    covariance = ends.covariance[:2, :2] + np.diag(unseen**2 / 12)
    u_cold, u_hot = np.sqrt(np.diag(covariance))
    u_both = math.sqrt(max(float(covariance.sum()), 1e-6))
    if max(u_cold, u_hot) > MOST_U_PCT:
        raise NotMeasurable(
            f"the steps of the lever were too coarse for its outlet: its dead travel is uncertain "
            f"by {2 * max(u_cold, u_hot):.0f} %; move it in steps of about 10 %"
        )

    def made(value: float, u: float) -> Measurement:
        return Measurement(float(value), "%", float(u), note=note, window=window, details=details)

    return made(cold, u_cold), made(hot, u_hot), made(100.0 - cold - hot, u_both)


def _hysteresis(
    ends: Ends, fitted: Fit, side: float, window: tuple[float, float], answer: Answer
) -> Measurement:
    """The slack with what the lag leaves of doubt."""
    if side != 0.0:
        done = "opened" if side > 0 else "closed"
        return Measurement.missing(
            "%", f"the lever was only {done} step by step: sweep it both ways with the engine warm"
        )
    u = math.hypot(math.sqrt(float(ends.covariance[2, 2])), LAG_SHARE * _lag_left(fitted))
    if u > MOST_SLACK_U_PCT:
        return Measurement.missing(
            "%",
            f"slack and lag could not be told apart (± {2 * u:.0f} %): let the outlet settle "
            "longer at each position of the lever",
        )
    return Measurement(
        float(ends.value[2]), "%", u, note="; ".join(answer.notes) or None, window=window
    )


def _lag_left(fitted: Fit) -> float:
    """How far the outlet is behind the lever when it is moved on, both ways together, %.

    Of evenly spaced steps of `s` every `d` seconds a lag `tau` leaves ``s r / (1 - r)`` with
    ``r = exp(-d / tau)``.
    """
    problem, params = fitted.problem, fitted.params
    seen = (problem.moves > problem.time[0]) & (problem.moves < problem.time[-1])
    if seen.sum() < 2:
        return 0.0
    step = float(np.median(np.abs(np.diff(problem.lever[seen]))))
    dwell = max(float(np.median(np.diff(problem.moves[seen]))), 1e-3)
    share = min(abs(float(params[SLOW_SHARE])) + fitted.u(SLOW_SHARE), 0.3)
    behind = 0.0
    for part, log_tau in ((1.0 - share, params[LOG_TAU]), (share, params[LOG_SLOW])):
        left = math.exp(-dwell / math.exp(log_tau))
        behind += part * step * left / (1.0 - left)
    return 2.0 * min(behind, float(params[B] - params[A]))
