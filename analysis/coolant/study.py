"""The story of the coolant in a run: warming, opening of the thermostat, what it was held at.

Flat is not thermostat: an engine that idles in the cold comes to rest at its heat balance, well
below the thermostat. An opening is told by the bend it makes (the warming falls off while the
engine still gives the heat that warmed it before) and by what follows: the temperature does not
climb on, though load and speed change. Where there is no such bend, a level that is held long
enough may still be reported, with what is known of it in the note.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.coolant.course import TOUCHED_PCT, Course, course_of, heater_as_before
from analysis.coolant.opening import Break, fit_break
from ingest.arrays import Floats
from ingest.setup.model import has_no_thermostat

if TYPE_CHECKING:
    from analysis.context import Context

CLIMBS_ON_K: Final = 3.0
"""Where the coolant later climbs this far above a bend, the bend was not the thermostat's."""

LOOK_AHEAD_S: Final = 40.0
STALLED_SHARE: Final = 0.25
"""The warming has ended where the next 40 s bring less than this share of the rate before."""

MIN_WARMING_K: Final = 5.0
MIN_AFTER_S: Final = 150.0
MIN_AFTER_PEAK_S: Final = 60.0
OVERSHOOT_K: Final = 1.5

KEPT_LOAD: Final = 0.8
"""A bend is the thermostat's only if the engine still worked at this share of its load before."""

LOADED_S: Final = 60.0

STILL_WARMING: Final = 0.2
"""Warming rate that the curve before the bend leads to at the peak, as a share of its mean there:
an engine coming to its heat balance has lost it all, one held back by its thermostat has not."""

COOLEST_C: Final = 68.0
"""The coolest thermostats in use open at 160 °F, 71 °C, less a tolerance of 3 K (common practice,
no source). Below this a bend needs better evidence."""

SURELY_C: Final = 74.0
"""Warmer than this no heater turned down makes a heat balance look like a thermostat."""

SEEN_AFTER_S: Final = 60.0

MIN_AFTER_COOL_S: Final = 300.0
ILL_FIT: Final = 1.5
"""... so much more of the log, and a model of a bend that describes it."""

HELD: Final = ((6.0, 600.0), (4.5, 400.0), (3.0, 240.0))
"""Bands, K, and how long, s, a warm engine's coolant must stay within one though its load varies
to be called held by the thermostat, where its opening was not seen."""

VARIED_LOAD: Final = 0.10
LUKEWARM_C: Final = 45.0
COLD_RISE_K: Final = 15.0
"""A coolant below the first that gained less than the second was not warmed by an engine."""

SETTLED_S: Final = 300.0
SETTLED_K: Final = 4.0
SETTLED_TREND_K: Final = 1.5

MAX_SETTLING_S: Final = 240.0
"""A thermostat that has opened settles within this; slower changes belong to the plateau."""


@dataclass(frozen=True)
class CoolantStory:
    """What the coolant did.

    Parameters
    ----------
    point
        The measuring point used; None where no coolant temperature is logged.
    step
        Spacing of `time`, s.
    time, value
        The coolant with the engine running (and flow past the sensor), °C; NaN elsewhere.
    opening
        The bend at which the thermostat started to open, or None.
    why_no_opening
        The reason, where there is none.
    held
        Indices, half open, between which the coolant was held at its plateau, or None.
    why_not_held
        The reason, where there is none.
    remark
        What a reader of the plateau must know, or None.
    otherwise
        Mean coolant temperature since it was held, whatever the heater was set to, °C.
    """

    point: str | None
    step: float
    time: Floats
    value: Floats
    opening: Break | None = None
    why_no_opening: str | None = None
    held: tuple[int, int] | None = None
    why_not_held: str | None = None
    remark: str | None = None
    otherwise: float | None = None


def tell(ctx: Context) -> CoolantStory:
    """Read the coolant's story from a run."""
    point = next((p for p in ("engine_coolant", "coolant_in") if ctx.has(p)), None)
    nothing = np.zeros(0)
    if point is None:
        why = "no coolant temperature was logged"
        return CoolantStory(None, 1.0, nothing, nothing, None, why, None, why)
    if has_no_thermostat(ctx.run.setup.run):
        why = "a coolant heater warms the coolant, so that there is no thermostat"
        return CoolantStory(point, 1.0, nothing, nothing, None, why, None, why)
    course = course_of(ctx, point)
    if course is None:
        why = f"{point} has too few readings with the engine running"
        if point == "coolant_in":
            why += " and coolant flowing through the heater"
        return CoolantStory(point, 1.0, nothing, nothing, None, why, None, why)
    alike = heater_as_before(course)
    opening, why_no_opening = _best_opening(course, alike)
    # what the heater's setting did is no doing of the thermostat, where enough is left without it
    last = course if alike is None or not _enough_left(alike, opening) else alike
    held, why_not_held, remark = _held(last, opening, why_no_opening)
    if held is None and last is not course:
        last = course
        held, why_not_held, remark = _held(last, opening, why_no_opening)
    otherwise = None if held is None else float(np.nanmean(course.value[held[0] :]))
    return CoolantStory(
        point,
        last.step,
        last.time,
        last.value,
        opening,
        why_no_opening,
        held,
        why_not_held,
        remark,
        otherwise,
    )


def _best_opening(course: Course, alike: Course | None) -> tuple[Break | None, str | None]:
    """Look for the opening with the heater set as it was, and only then in everything."""
    again, why_not_again = (None, None) if alike is None else _opening(alike)
    if alike is not None and again is not None and _seen(alike, again.peak, SEEN_AFTER_S):
        return again, None
    whole, why_not = _opening(course)
    if alike is None or whole is None:
        return whole, why_not
    # found only where the heater took less than before: above any heat balance that must be it
    other = bool(np.isnan(alike.value[whole.peak : whole.peak + 1]).all())
    if other and float(course.smooth[whole.peak]) < SURELY_C:
        return None, why_not_again
    return whole, None


def _seen(course: Course, start: int, seconds: float) -> bool:
    """Whether most of the readings in the time after a bin count."""
    part = course.value[start : start + course.bins(seconds)]
    return part.size > 0 and float(np.isnan(part).mean()) < 0.2


def _enough_left(course: Course, opening: Break | None) -> bool:
    """Whether the plateau can be had from these readings alone."""
    start = 0 if opening is None else opening.peak
    if opening is not None and start >= course.value.size:
        return False
    return _seconds_seen(course, start) >= (MIN_AFTER_S if opening is not None else SETTLED_S)


def _opening(course: Course) -> tuple[Break | None, str | None]:
    """Find the bend of the opening thermostat, or the reason why there is none to be seen."""
    smooth = course.smooth
    peak = _end_of_warming(course)
    if peak is None:
        return None, "the coolant was still warming up when the log ended"
    warmed = float(smooth[peak] - smooth[: peak + 1].min())
    if warmed < MIN_WARMING_K:
        return None, "the engine was warm already when the log began"
    level = float(smooth[peak])
    after_s = float(course.time[-1] - course.time[peak])
    overshot = _overshot(course, peak)
    needed = MIN_AFTER_PEAK_S if overshot else MIN_AFTER_S
    if level < COOLEST_C:
        needed = MIN_AFTER_COOL_S
    if after_s < needed and level < COOLEST_C:
        return None, (
            f"the coolant stopped warming at {level:.0f} °C, below any thermostat in use, "
            f"{after_s:.0f} s before the log ended: a heat balance, no thermostat that opened"
        )
    if after_s < needed:
        return None, (
            f"the log ended {after_s:.0f} s after the coolant stopped warming, too soon to tell an "
            "open thermostat from a heat balance"
        )
    found = fit_break(course.time, course.value, smooth, peak, course.noise, course.load)
    if found is None:
        return None, "too little of the warming was logged before the coolant stopped climbing"
    if not _load_kept(course, found):
        return None, (
            f"the coolant stopped climbing at {level:.0f} °C as the engine's load fell, and was "
            "not tested with more load after that: this is a heat balance, not the thermostat"
        )
    if level < COOLEST_C and (_touched(course, found.start, peak, 60.0) or found.misfit > ILL_FIT):
        return None, (
            f"the coolant stopped climbing at {level:.0f} °C as the heater's setting or the load "
            "changed: this is a heat balance, not the thermostat"
        )
    surely = overshot and level >= COOLEST_C
    if not surely and _rate_left(course, peak) < STILL_WARMING:
        return None, (
            f"the coolant drew near {level:.0f} °C ever more slowly, without the bend that an "
            "opening thermostat makes: the thermostat never closed, or never opened"
        )
    return found, None


def _overshot(course: Course, peak: int) -> bool:
    """Whether the coolant fell back after the peak by itself, as it does past a thermostat."""
    after = course.smooth[peak : peak + course.bins(120.0)]
    fell = float(course.smooth[peak] - after.min())
    return fell >= OVERSHOOT_K and not _touched(course, peak, peak, 120.0)


def _touched(course: Course, start: int, stop: int, more_s: float) -> bool:
    """Whether the heater was set otherwise between two bins, or up to `more_s` later."""
    part = course.heater[start : stop + course.bins(more_s)]
    return float(np.ptp(part)) >= TOUCHED_PCT


def _end_of_warming(course: Course) -> int | None:
    """Index of the peak or knee that ends the warming for good, or None where it goes on."""
    smooth = course.smooth
    later = np.maximum.accumulate(smooth[::-1])[::-1]
    so_far = np.maximum.accumulate(smooth)
    near = int(np.argmax(later - so_far <= CLIMBS_ON_K))
    below = np.flatnonzero(smooth[: near + 1] <= smooth[near] - MIN_WARMING_K)
    start = int(below[-1]) if below.size else 0
    rate = (smooth[near] - smooth[start]) / max(course.time[near] - course.time[start], 1.0)
    ahead = course.bins(LOOK_AHEAD_S)
    if smooth.size - near <= ahead:
        return None
    coming = smooth[near + ahead :] - smooth[near:-ahead]
    ended = np.flatnonzero(coming < STALLED_SHARE * rate * LOOK_AHEAD_S)
    if ended.size == 0:
        return None
    stall = near + int(ended[0])
    return stall + int(np.argmax(smooth[stall : stall + ahead]))


def _load_kept(course: Course, found: Break) -> bool:
    """Whether the engine later worked as hard as while it warmed, for long enough to tell."""
    if course.load is None:
        return True
    before = float(course.load[found.start : found.peak].mean())
    after = course.load[found.peak :]
    return float((after >= KEPT_LOAD * before).sum()) * course.step >= LOADED_S


def _rate_left(course: Course, peak: int) -> float:
    """Warming rate the curve leads to at the peak's temperature, over its mean before the bend.

    The rate at three levels below the bend is drawn out in a straight line against temperature:
    warming with a constant loss coefficient is a straight line there, and zero at the balance.
    """
    smooth = course.smooth[: peak + 1]
    rise = min(25.0, float(smooth[peak] - smooth.min()))
    levels = smooth[peak] - rise * np.array([1.0, 0.75, 0.5, 0.25])
    crossed = np.array([np.flatnonzero(smooth <= level)[-1] for level in levels])
    if (np.diff(crossed) <= 0).any():
        return 1.0
    rates = 0.25 * rise / (np.diff(crossed) * course.step)
    depth = np.array([0.875, 0.625, 0.375])
    mean, middle = float(rates.sum()) / rates.size, float(depth.sum()) / depth.size
    away = depth - middle
    slope = float(away @ rates) / float(away @ away)
    return (mean - slope * middle) / mean


def _held(
    course: Course, opening: Break | None, why_no_opening: str | None
) -> tuple[tuple[int, int] | None, str | None, str | None]:
    """Find where the coolant was held: bins from and to, why not, and a remark."""
    end = course.value.size
    if opening is not None:
        start = opening.peak + _settling(course, opening.peak, MAX_SETTLING_S)
        if _seconds_seen(course, start) < MIN_AFTER_PEAK_S:
            # what was seen of the plateau came soon after the peak; the rest was not comparable
            start = opening.peak
        return (start, end), None, None
    remark = f"no opening was seen: {why_no_opening}"
    for band, least_s in HELD:
        start = _flat_from(course, band)
        long_enough = _seconds_seen(course, start) >= least_s
        if long_enough and course.smooth[start:].mean() >= COOLEST_C and _varied(course, start):
            return (start + _settling(course, start, MAX_SETTLING_S), end), None, remark
    start = _flat_from(course, SETTLED_K)
    why_not = _unsettled(course, start, why_no_opening)
    if why_not is not None:
        return None, why_not, None
    return (
        (start + _settling(course, start, math.inf), end),
        None,
        f"{remark}; it may be the engine's heat balance",
    )


def _unsettled(course: Course, start: int, why_no_opening: str | None) -> str | None:
    """Why a level at the end of the log is no plateau, or None where it is one."""
    level = float(course.smooth[start:].mean())
    if level < LUKEWARM_C and level - float(course.smooth.min()) < COLD_RISE_K:
        return (
            f"the coolant never warmed (it stayed near {level:.0f} °C): the engine did not run, or "
            "the sensor is not on its hose"
        )
    if _seconds_seen(course, start) < SETTLED_S:
        return f"the coolant never settled: {why_no_opening}"
    if course.idle is not None and float(course.idle[start:].mean()) > 0.5:
        return (
            f"the coolant stayed near {level:.0f} °C while the car mostly idled: that is the heat "
            "balance of an idling engine, not the thermostat"
        )
    rate = float(np.polyfit(course.time[start:], course.smooth[start:], 1)[0])
    if abs(rate) * SETTLED_S > SETTLED_TREND_K:
        return (
            f"the coolant was still changing by {rate * 60.0:+.1f} K/min when the log ended: "
            f"{why_no_opening}"
        )
    return None


def _seconds_seen(course: Course, start: int) -> float:
    return float((~np.isnan(course.value[start:])).sum()) * course.step


def _varied(course: Course, start: int) -> bool:
    """Whether the engine's load changed from `start` on."""
    if course.load is None:
        return False
    load = course.load[start:]
    return float(load.std()) >= VARIED_LOAD * float(load.mean())


def _settling(course: Course, start: int, most_s: float) -> int:
    """Bins to leave out from `start` on, by the marginal standard error rule on blocks.

    K. P. White, Simulation 69, 1997, 323-334 (from memory). At most half of what there is.
    """
    blocks = _blocks(course, start, 20.0)
    if blocks.size < 6:
        return 0
    back = blocks[::-1] - blocks.mean()
    number = np.arange(1, back.size + 1)
    variance = np.cumsum(back**2) / number - (np.cumsum(back) / number) ** 2
    error = (np.maximum(variance, 0.0) + course.noise**2) / number
    least = max(back.size // 2, back.size - int(min(most_s / 20.0, back.size)))
    kept = least + int(np.argmin(error[least - 1 :]))
    return int(blocks.size - kept) * course.bins(20.0)


def _blocks(course: Course, start: int, seconds: float) -> Floats:
    """Means of blocks from `start` on; the rest at the end is left out."""
    width = course.bins(seconds)
    count = (course.smooth.size - start) // width
    square = course.smooth[start : start + count * width].reshape(count, width)
    return np.asarray(square.mean(axis=1))


def _flat_from(course: Course, band: float) -> int:
    """First index from which on the smoothed coolant stays within a band of the given width."""
    back = course.smooth[::-1]
    spread = np.maximum.accumulate(back) - np.minimum.accumulate(back)
    return int(course.smooth.size - np.searchsorted(spread, band, side="right"))
