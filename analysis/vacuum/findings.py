"""What the vacuum and its actuators tell besides figures: where it leaks, whether the supply holds.

Numbers for the causes and sentences for the technician, from the same functions.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.measurement import Measurement
from analysis.signal.order_statistics import quantiles
from analysis.signal.smoothing import smooth
from analysis.timeline.timeline import Timeline
from analysis.vacuum.doors import door_findings
from analysis.vacuum.study import Isolation, VacuumStudy, moves, noted_holds
from ingest.arrays import Bools, Floats
from ingest.findings import finding
from ingest.run import Finding
from ingest.saying import say
from ingest.values import dataclass

VACUUM_LEAK_LOCATED: Final = finding(
    "vacuum_leak_located",
    "the vacuum falls by {before:.1f kPa/min} with everything connected and by "
    "{after:.1f (kPa/min)} with this step: {parts}; the leak is in what was shut off there",
    do="Look for the leak in the line, switch or diaphragm that this step shut off.",
)
VACUUM_SAGS: Final = finding(
    "vacuum_sags",
    "the source vacuum sagged {count} times by up to {deepest:.0f kPa} within "
    "{within:.0f s} while nothing was switched, {against}: its check valve does not hold",
    do="Pull the check valve and blow through it both ways: it must let air through one way only.",
)
ACTUATOR_SLOW: Final = finding(
    "actuator_slow",
    "the actuator's vacuum takes {stroke:.1f s} to follow a control; one to three are "
    "usual: a pinched hose, a leak behind the switch or a weak supply",
    do="Follow the actuator's hose for a kink, then hold vacuum on the actuator by hand.",
)
FELL_SHARE: Final = 0.5
SURE: Final = 2.0
"""A part is called leaking where shutting it off at least halves the loss, beyond 2 u."""

SAG_S: Final = 8.0
SAG_KPA: Final = 5.0
SAG_SHARE: Final = 0.1
"""A sag is a fall by 5 kPa and a tenth of the usual vacuum within 8 s ..."""

SAG_OVER_LEAK: Final = 3.0
"""... at least three times as fast as what is lost with the source shut off."""

MIN_SAGS: Final = 2
AFTER_ACTION_S: Final = 12.0
AROUND_HOLD_S: Final = 15.0
STARTED_S: Final = 60.0

STROKE_BEFORE_S: Final = 4.0
STROKE_S: Final = 25.0
MIN_STROKE_KPA: Final = 6.0
SUPPLIED_SHARE: Final = 0.4
SLOW_STROKE_S: Final = 5.0
"""A sound actuator moves within a second to three (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Located:
    """Where a leak is, from isolation steps.

    Parameters
    ----------
    parts
        What was shut off when the loss fell (the technician's own words).
    before, after
        Rates of loss with and without it, kPa/min.
    """

    parts: str
    before: Measurement
    after: Measurement


@dataclass(frozen=True, slots=True)
class Sags:
    """Falls of the source vacuum under way.

    Parameters
    ----------
    times
        When, s from engine start.
    rate
        Median rate of fall, kPa/min.
    deepest
        Largest fall, kPa.
    """

    times: tuple[float, ...]
    rate: float
    deepest: float


def locate_leak(study: VacuumStudy) -> Located | None:
    """Find the part whose shutting-off stopped most of the loss; None where no step did."""
    steps = study.isolations
    if len(steps) < 2:
        return None
    whole = max(steps, key=lambda step: step.rate.known())
    quiet: list[tuple[float, Isolation]] = []
    for step in steps:
        less = whole.rate.minus(step.rate)
        halved = step.rate.known() < FELL_SHARE * whole.rate.known()
        if halved and step.parts != whole.parts and less.known() > SURE * (less.u or 0.0):
            quiet.append((step.rate.known(), step))
    if not quiet:
        return None
    _, best = min(quiet, key=lambda pair: pair[0])
    return Located(best.parts, whole.rate, best.rate)


def find_sags(timeline: Timeline, leak: float | None) -> Sags | None:
    """Falls of the source vacuum that a holding check valve would have prevented.

    With the engine pulling harder its manifold vacuum falls; behind a sound check valve the source
    keeps what it had, less the leak. Falls right after a control that uses up vacuum do not count.
    """
    if not timeline.has("vacuum_source"):
        return None
    grid = timeline.grid
    values = smooth(timeline.values("vacuum_source"), max(1, round(2.0 / grid.step)))
    width = max(1, round(SAG_S / grid.step))
    if values.size <= 2 * width:
        return None
    usable = _undisturbed(timeline)
    usual = quantiles(values[usable], 0.75)[0] if usable.any() else 0.0
    falls = np.full(values.size, np.nan)
    falls[:-width] = values[:-width] - values[width:]
    least = max(SAG_KPA, SAG_SHARE * usual)
    if leak is not None:
        least = max(least, SAG_OVER_LEAK * leak * SAG_S / 60.0)
    whole = usable & np.concatenate((usable[width:], np.zeros(width, dtype=bool)))
    sagging = np.flatnonzero(whole & (falls >= least))
    if sagging.size == 0:
        return None
    apart = np.flatnonzero(np.diff(sagging) > width)
    groups = np.split(sagging, apart + 1)
    deepest = [int(group[np.argmax(falls[group])]) for group in groups]
    depths = falls[deepest]
    return Sags(
        tuple(float(grid.time[place]) for place in deepest),
        float(np.median(depths)) / SAG_S * 60.0,
        float(depths.max()),
    )


def _undisturbed(timeline: Timeline) -> Bools:
    """Bins in which nothing but the engine and a leak should move the source vacuum."""
    grid = timeline.grid
    usable = (grid.time > STARTED_S) & ~np.isnan(timeline.values("vacuum_source"))
    for begin, end in noted_holds(timeline):
        usable &= (grid.time < begin - AROUND_HOLD_S) | (grid.time > end + AROUND_HOLD_S)
    for time in moves(timeline).tolist():
        usable &= (grid.time < time - AFTER_ACTION_S) | (grid.time > time + AFTER_ACTION_S)
    return usable


def stroke_time(timeline: Timeline) -> Measurement:
    """Median time an actuator's vacuum takes from 10 to 90 % of its change after a control."""
    unit = "s"
    if not timeline.has("vacuum_actuator"):
        return Measurement.missing(unit, "the vacuum at the actuator was not logged")
    times = moves(timeline)
    ends = np.append(times, np.inf)[1:]
    time, value = timeline.run.series("vacuum_actuator")
    source = timeline.run.series("vacuum_source") if timeline.has("vacuum_source") else None
    strokes = []
    for begin, end in zip(times.tolist(), ends.tolist(), strict=True):
        until = min(end, begin + STROKE_S)
        taken = _stroke(time, value, begin, until)
        if taken is not None and not _supplied(source, begin, until, taken[1]):
            strokes.append(taken[0])
    if not strokes:
        return Measurement.missing(
            unit, "no control moved the vacuum at the actuator while it was logged"
        )
    spread = float(np.std(strokes, ddof=1)) if len(strokes) > 1 else 0.5 * strokes[0]
    step = float(np.median(np.diff(time))) / math.sqrt(6.0)
    return Measurement(
        float(np.median(strokes)),
        unit,
        math.hypot(spread / math.sqrt(len(strokes)), step),
    )


def _supplied(
    source: tuple[Floats, Floats] | None, begin: float, end: float, change: float
) -> bool:
    """Whether the source itself moved as the actuator did: then the engine did it, no control."""
    if source is None:
        return False
    time, value = source
    first, at, last = np.searchsorted(time, [begin - STROKE_BEFORE_S, begin, end])
    if at - first < 2 or last - at < 6:
        return False
    moved = float(value[at:last][-max(2, (last - at) // 5) :].mean() - value[first:at].mean())
    return moved * change > 0.0 and abs(moved) > SUPPLIED_SHARE * abs(change)


def _stroke(time: Floats, value: Floats, begin: float, end: float) -> tuple[float, float] | None:
    """10 to 90 % time of one change and its size, or None where there was none to speak of."""
    first, at, last = np.searchsorted(time, [begin - STROKE_BEFORE_S, begin - 1.0, end])
    before, after = value[first:at], value[at:last]
    if before.size < 2 or after.size < 6:
        return None
    settled = after[-max(2, after.size // 5) :]
    change = float(settled.mean() - before.mean())
    if abs(change) < max(MIN_STROKE_KPA, 6.0 * float(before.std()), 4.0 * float(settled.std())):
        return None
    share = (after - before.mean()) / change
    tenth, most = int(np.argmax(share >= 0.1)), int(np.argmax(share >= 0.9))
    return max(float(time[at + most] - time[at + tenth]), 0.0), change


def vacuum_findings(timeline: Timeline, study: VacuumStudy, leak: float | None) -> list[Finding]:
    """Sentences for the technician, with the numbers behind them."""
    findings = [
        leak_finding(study),
        _sag_finding(timeline, leak),
        _stroke_finding(timeline),
    ]
    return [each for each in findings if each is not None] + door_findings(timeline)


def leak_finding(study: VacuumStudy) -> Finding | None:
    """Where the leak is, from isolation steps; None where no step stopped most of the loss."""
    located = locate_leak(study)
    if located is None:
        return None
    before, after = located.before.known(), located.after.known()
    parts = located.parts or "the part shut off then"
    return VACUUM_LEAK_LOCATED.found(
        study.isolations[0].point,
        before=before,
        after=after,
        parts=parts,
        evidence={"before": before, "after": after, "parts": parts},
    )


def _sag_finding(timeline: Timeline, leak: float | None) -> Finding | None:
    sags = find_sags(timeline, leak)
    if sags is None or len(sags.times) < MIN_SAGS:
        return None
    against = (
        say("though only {leak:.1f kPa/min} are lost with the source shut off", leak=leak)
        if leak is not None
        else "which no leak-down was taken to compare with"
    )
    return VACUUM_SAGS.found(
        "vacuum_source",
        sags.times[0],
        sags.times[-1],
        count=len(sags.times),
        deepest=sags.deepest,
        within=SAG_S,
        against=against,
        evidence={
            "count": float(len(sags.times)),
            "rate": sags.rate,
            "deepest": sags.deepest,
        },
    )


def _stroke_finding(timeline: Timeline) -> Finding | None:
    stroke = stroke_time(timeline)
    if stroke.value is None or stroke.value - SURE * (stroke.u or 0.0) < SLOW_STROKE_S:
        return None
    return ACTUATOR_SLOW.found(
        "vacuum_actuator",
        stroke=stroke.value,
        evidence={"stroke_s": stroke.value, "u": stroke.u or 0.0},
    )
