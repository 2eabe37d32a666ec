"""The vacuum in a run: what each shutting-off of its source shows, and its lowest usual level."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.measurement import Measurement, combine
from analysis.signal.order_statistics import median, quantiles
from analysis.signal.smoothing import smooth
from analysis.timeline.timeline import Timeline
from analysis.uncertainty import shared_parts
from analysis.vacuum.leakdown import LeakDown, find_start, fit_leak_down, thinned
from ingest.arrays import Floats
from ingest.saying import say
from ingest.sensors.resolution import resolution
from ingest.values import dataclass

RATE_UNIT: Final = "kPa/min"
LEVEL_UNIT: Final = "kPa"

USES_VACUUM: Final = frozenset({"mode", "temp_lever", "defrost", "air_door"})
"""Controls whose moving may let air into the vacuum system."""

NOTE_BEFORE_S: Final = 120.0
"""A note this long before a leak-down still belongs to it."""

BEFORE_S: Final = 25.0
"""How much before a noted shutting-off is looked at."""

GOES_BACK_SHARE: Final = 0.35
"""A fall before the noted time belongs to the leak-down if its course explains it so far."""

REOPENED_S: Final = 20.0
REOPENED_SHARE: Final = 0.01
"""A noted reopening may be this late; it shows where the vacuum rises by a hundredth."""

MIN_HOLD_S: Final = 20.0
MIN_VACUUM_KPA: Final = 3.0

SHUT_WITHIN_S: Final = 2.0
"""The moment of shutting off is known no better than this (standard uncertainty)."""

SHAPE_SHARE: Final = 0.02
"""What it adds to the rate that no leak is quite an exponential (standard uncertainty)."""

ALIKE: Final = 3.0
"""Rates within this many standard uncertainties of each other are one and the same."""

AFTER_START_S: Final = 60.0
AROUND_HOLD_S: Final = 3.0
NOISE_S: Final = 3.0
LOW_PERCENT: Final = 5.0
UNSURE_PERCENT: Final = 1.0
"""Which readings belong to the start, to a hold or to its reopening is unsure for this many."""

MIN_LEVEL_S: Final = 60.0


@dataclass(frozen=True, slots=True)
class Isolation:
    """One time the source was shut off.

    Parameters
    ----------
    start, stop
        Times used, s from engine start.
    point
        The gauge.
    rate
        Initial rate of loss, kPa/min.
    leak
        The fit behind it.
    parts
        What was shut off or set besides: the last note before its end, else the mode.
    """

    start: float
    stop: float
    point: str
    rate: Measurement
    leak: LeakDown
    parts: str


@dataclass(frozen=True)
class VacuumStudy:
    """What the run shows of the vacuum with its source shut off.

    Parameters
    ----------
    isolations
        In order of time.
    why
        Where there is none: the reason, a sentence for a technician.
    """

    isolations: tuple[Isolation, ...] = ()
    why: str | None = None


def study_vacuum(timeline: Timeline) -> VacuumStudy:
    """Fit every leak-down of a run."""
    point = next((p for p in ("vacuum_source", "vacuum_actuator") if timeline.has(p)), None)
    if point is None:
        return VacuumStudy(why="no vacuum was logged")
    holds = noted_holds(timeline)
    if not holds:
        return VacuumStudy(
            why="the vacuum source was never shut off for a leak-down (no vacuum_isolated event)"
        )
    found, reasons = [], []
    for begin, end in holds:
        one = _isolation(timeline, point, begin, end)
        if isinstance(one, str):
            reasons.append(one)
        else:
            found.append(one)
    return VacuumStudy(tuple(found), None if found else reasons[0])


def noted_holds(timeline: Timeline) -> list[tuple[float, float]]:
    """From and to of every noted isolation, s from engine start."""
    noted = [
        (time, value > 0.5)
        for time, name, _, value in timeline.events
        if name == "vacuum_isolated" and value is not None
    ]
    if not noted:
        return []
    end = float(timeline.run.readings["time_s"][-1])
    holds: list[tuple[float, float]] = []
    begin: float | None = None
    for time, is_shut in noted:
        if is_shut and begin is None:
            begin = time
        elif not is_shut and begin is not None:
            holds.append((begin, time))
            begin = None
    if begin is not None:
        holds.append((begin, end))
    return holds


def _isolation(timeline: Timeline, point: str, begin: float, end: float) -> Isolation | str:
    """Fit one hold, or say why it cannot be."""
    time, value = timeline.run.series(point)
    first, last = np.searchsorted(time, [begin - BEFORE_S, end])
    time, value = time[first:last], value[first:last]
    inside = time >= begin
    if inside.any() and median(value[inside]) < -MIN_VACUUM_KPA:
        value = -value  # a hold under pressure instead of vacuum is the same mathematics
    if end - begin < MIN_HOLD_S or inside.sum() < 8:
        return (
            f"the source was shut off for {end - begin:.0f} s only, or hardly a reading was taken "
            f"in that time; a leak-down needs {MIN_HOLD_S:.0f} s"
        )
    sensor = timeline.run.sensors[point]
    step = sensor.resolution or resolution(value)
    coarse, level = thinned(time, value, 400)
    noise = _noise(value, step)
    start = float(coarse[find_start(coarse, level, begin, noise)])
    if start < begin and not _goes_back(coarse, level, start, begin, noise):
        start = begin
    stop = min(_reopened(coarse, level, start, end, noise), _next_action(timeline, start, end))
    use = (time >= start) & (time <= stop)
    if stop - start < MIN_HOLD_S or use.sum() < 8:
        return (
            f"the leak-down was disturbed after {stop - start:.0f} s (a control was moved or the "
            f"source opened again); it needs {MIN_HOLD_S:.0f} s"
        )
    leak = fit_leak_down(time[use], value[use], step)
    if leak is None:
        return f"{point} has too few readings with the source shut off"
    if leak.start < MIN_VACUUM_KPA:
        return say(
            "there was next to no vacuum to lose ({start:.1f kPa}) when the source was shut off",
            start=leak.start,
        )
    return Isolation(
        start, stop, point, _rate(timeline, point, leak), leak, _parts(timeline, start, stop)
    )


def _noise(value: Floats, step: float) -> float:
    """Standard deviation of a reading about the truth, from second differences and rounding."""
    bend = np.abs(value[2:] - 2.0 * value[1:-1] + value[:-2])
    scatter = 1.4826 * median(bend) / math.sqrt(6.0) if bend.size else 0.0
    return max(scatter, step / math.sqrt(12.0), 1e-3)


def _goes_back(time: Floats, value: Floats, start: float, begin: float, noise: float) -> bool:
    """Whether the loss since a hand noted it, drawn back to an earlier start, meets the readings.

    If not, the fall before the noted time was the source's own doing.
    """
    since = time >= begin
    leak = fit_leak_down(time[since], value[since])
    if leak is None or leak.start <= 0.0:
        return False
    back = float(time[since][0]) - start
    if leak.tau is not None and leak.floor is not None:
        drawn = leak.floor + (leak.start - leak.floor) * math.exp(min(back / leak.tau, 5.0))
    else:
        drawn = leak.start * math.exp(min(leak.rate / leak.start * back, 5.0))
    seen = float(value[int(np.argmin(np.abs(time - start)))])
    return abs(seen - drawn) <= max(6.0 * noise, GOES_BACK_SHARE * abs(seen - leak.start))


def _reopened(time: Floats, value: Floats, start: float, end: float, noise: float) -> float:
    """When the source was opened again: the vacuum rises; a hand notes it some seconds off."""
    inside = (time >= start) & (time <= end)
    held, at = value[inside], time[inside]
    if held.size < 4:
        return end
    lowest = np.minimum.accumulate(held)
    rose = held - lowest > max(6.0 * noise, REOPENED_SHARE * abs(float(lowest[0])))
    rose &= at > end - REOPENED_S
    if not rose.any():
        return end
    return float(at[max(int(np.argmax(rose)) - 2, 0)])


def moves(timeline: Timeline) -> Floats:
    """Times at which a control was moved that uses up vacuum, s from engine start."""
    return np.array([time for time, name, _, _ in timeline.events if name in USES_VACUUM])


def _next_action(timeline: Timeline, start: float, end: float) -> float:
    """When a control was moved that uses up vacuum, if that was during the hold."""
    times = moves(timeline)
    during = times[(times > start + 1.0) & (times < end)]
    return float(during[0]) - 1.0 if during.size else end


def _parts(timeline: Timeline, start: float, stop: float) -> str:
    """What was noted of this step: the last note since two minutes before it, else the mode."""
    parts, noted = "", False
    for time, name, word, _ in timeline.events:
        if name == "note" and start - NOTE_BEFORE_S <= time <= stop:
            parts, noted = str(word), True
        elif name == "mode" and time <= start and not noted:
            parts = f"mode {word}"
    return parts


def _rate(timeline: Timeline, point: str, leak: LeakDown) -> Measurement:
    """Rate of loss in kPa/min with what the gauge adds."""
    # the moment of shutting off matters as much as the rate changes in the meantime
    bend = leak.rate**2 / max(leak.start, 1e-9) * SHUT_WITHIN_S
    # a gauge that errs in proportion errs so in the rate; one that is merely off does not
    shared = {
        source: 60.0 * leak.rate * part / leak.start
        for source, part in shared_parts(timeline.run.sensors[point], leak.start).items()
    }
    return Measurement(
        60.0 * leak.rate,
        RATE_UNIT,
        60.0 * math.hypot(leak.rate_u, bend, SHAPE_SHARE * leak.rate),
        shared,
    )


def decay(study: VacuumStudy) -> Measurement:
    """Rate of loss of the whole system: mean of the leak-downs that agree with the first.

    Later steps are taken with parts shut off to find the leak, so that they lose less.
    """
    if not study.isolations:
        return Measurement.missing(RATE_UNIT, study.why or "the source was never shut off")
    first = study.isolations[0].rate
    alike = [step.rate for step in study.isolations if _agree(step.rate, first)]
    weights = np.array([1.0 / max(rate.random, 1e-9) ** 2 for rate in alike])
    weights /= weights.sum()
    values = np.array([rate.known() for rate in alike])
    mean = combine(
        float(weights @ values),
        RATE_UNIT,
        tuple((float(weight), rate) for weight, rate in zip(weights, alike, strict=True)),
    )
    others = len(study.isolations) - len(alike)
    note = None
    if others:
        note = f"from {len(alike)} of {len(study.isolations)} leak-downs; the others lose otherwise"
    point = study.isolations[0].point
    if point != "vacuum_source":
        elsewhere = "measured at the actuator, the source was not logged"
        note = f"{note}; {elsewhere}" if note else elsewhere
    return Measurement(
        mean.value,
        RATE_UNIT,
        mean.random,
        mean.shared,
        note,
        (study.isolations[0].start, study.isolations[0].stop),
    )


def _agree(one: Measurement, other: Measurement) -> bool:
    apart = abs(one.known() - other.known())
    return apart <= ALIKE * math.hypot(one.random, other.random)


def low_level(timeline: Timeline) -> Measurement:
    """5th percentile of the source vacuum with the engine running, and no leak-down on."""
    if not timeline.has("vacuum_source"):
        return Measurement.missing(LEVEL_UNIT, "the source vacuum was not logged")
    values = timeline.values("vacuum_source")
    usable = timeline.engine_on & (timeline.grid.time > AFTER_START_S) & ~np.isnan(values)
    for begin, end in noted_holds(timeline):
        usable &= (timeline.grid.time < begin - AROUND_HOLD_S) | (
            timeline.grid.time > end + AROUND_HOLD_S
        )
    if usable.sum() * timeline.grid.step < MIN_LEVEL_S:
        return Measurement.missing(
            LEVEL_UNIT,
            "less than a minute of source vacuum was logged with the engine running, later than a "
            "minute after its start and without the source shut off",
        )
    sensor = timeline.run.sensors["vacuum_source"]
    calm = smooth(values, max(1, round(NOISE_S / timeline.grid.step)))[usable]
    value, random = _low(calm, values[usable], sensor.resolution)
    times = timeline.grid.time[usable]
    return Measurement(
        value,
        LEVEL_UNIT,
        random,
        shared_parts(sensor, value),
        window=(float(times[0]), float(times[-1])),
    )


def _low(calm: Floats, values: Floats, step: float) -> tuple[float, float]:
    """The low percentile of the vacuum itself, freed of the gauge's noise, and its uncertainty.

    Noise widens the distribution, most where it is narrow: a constant vacuum would be read 1.6
    standard deviations of the noise too low. Smoothing takes most of it, and what is left is taken
    off the readings' variance about their median. Half of what both change is uncertain. It is the
    percentile of this run; how well a run stands for the car is for the family's spread to say.
    """
    below, above = LOW_PERCENT - UNSURE_PERCENT, LOW_PERCENT + UNSURE_PERCENT
    middle, low, under, over = _percentiles(calm, 50.0, LOW_PERCENT, below, above)
    variance = float(calm.var())
    noise = _noise(calm, step)
    share = max(0.0, 1.0 - noise**2 / variance) if variance > 0.0 else 0.0
    freed = middle - (middle - low) * math.sqrt(share)
    changed = freed - _percentiles(values, LOW_PERCENT)[0]
    edges = 0.5 * (over - under)
    return freed, math.hypot(0.5 * changed, step / math.sqrt(12.0), noise, edges)


def _percentiles(values: Floats, *percents: float) -> tuple[float, ...]:
    return quantiles(values, *(percent / 100.0 for percent in percents))
