"""The story of the coolant in a run: warming, opening of the thermostat, what it was held at.

Flat is not thermostat: an engine that idles in the cold comes to rest at its heat balance, well
below the thermostat. An opening is recognized by the bend it makes (the warming falls off while the
engine still gives the heat that warmed it before) and by what follows: the temperature does not
climb on, though load and speed change. Where there is no such bend, a level that is held long
enough may still be reported, with what is known of it in the note.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.coolant.course import TOUCHED_PCT, Course, course_of, heater_as_before
from analysis.coolant.opening import Break, fit_break
from analysis.coolant.plateau import (
    CLIMBS_ON_K,
    COOLEST_C,
    MIN_AFTER_PEAK_S,
    SETTLED_S,
    SURELY_C,
    NoOpening,
    find_held,
    seconds_seen,
)
from analysis.signal.order_statistics import trailing_max
from analysis.timeline.timeline import Timeline
from ingest.arrays import Floats
from ingest.saying import say
from ingest.setup.model import has_no_thermostat
from ingest.values import dataclass

LOOK_AHEAD_S: Final = 40.0
STALLED_SHARE: Final = 0.25
"""The warming has ended where the next 40 s bring less than this share of the rate before."""

MIN_WARMING_K: Final = 5.0
MIN_AFTER_S: Final = 150.0
OVERSHOOT_K: Final = 1.5

KEPT_LOAD: Final = 0.8
"""A bend is the thermostat's only if the engine still worked at this share of its load before."""

LOADED_S: Final = 60.0

STILL_WARMING: Final = 0.2
"""Warming rate that the curve before the bend leads to at the peak, as a share of its mean there:
an engine coming to its heat balance has lost it all, one held back by its thermostat has not."""

STILL_WARMING_IDLE: Final = 0.4
"""The same of an engine that only idled: its balance with the heater is what is to be expected, and
whole degrees leave the rate uncertain by a quarter of itself."""

TURNED_UP_S: Final = (150.0, 60.0)
"""So long before and after the peak a heater turned up bends the coolant's curve by itself, s."""

KEPT_S: Final = (60.0, 360.0)
KEPT_K: Final = 2.0
"""A thermostat that opened in just that moment then keeps what it opened at, this closely."""


FIRST_HELD_S: Final = 900.0
"""A level that is warm enough and kept for this long was held; a later climb is another matter."""

SEEN_AFTER_S: Final = 60.0

MIN_AFTER_COOL_S: Final = 300.0
ILL_FIT: Final = 1.5
"""... so much more of the log, and a model of a bend that describes it."""


REVERSED_K: Final = 3.0
MIN_REVERSED_S: Final = 60.0
"""A return hotter than the supply by more than this for this long is the supply: two sensors
clipped to hoses differ by less."""


@dataclass(frozen=True)
class CoolantStudy:
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
    had_to_show
        Whether an opening is missing where a sound thermostat would have shown it.
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
    had_to_show: bool = False


def study_coolant(timeline: Timeline) -> CoolantStudy:
    """Read the coolant's story from a run."""
    point = _source(timeline)
    nothing = np.zeros(0)
    if point is None:
        why = "no coolant temperature was logged"
        return CoolantStudy(None, 1.0, nothing, nothing, None, why, None, why)
    if has_no_thermostat(timeline.run.setup.run):
        why = "a coolant heater warms the coolant, so that there is no thermostat"
        return CoolantStudy(point, 1.0, nothing, nothing, None, why, None, why)
    course = course_of(timeline, point)
    if course is None:
        why = f"{point} has too few readings with the engine running"
        if point != "engine_coolant":
            why += " and coolant flowing through the heater"
        return CoolantStudy(point, 1.0, nothing, nothing, None, why, None, why)
    alike = heater_as_before(course)
    opening, missing = best_opening(course, alike)
    # what the heater's setting did is no doing of the thermostat, where enough is left without it
    last = course if alike is None or not _enough_left(alike, opening) else alike
    held, why_not_held, remark = find_held(last, opening, missing)
    if held is None and last is not course:
        last = course
        held, why_not_held, remark = find_held(last, opening, missing)
    otherwise = None if held is None else float(np.nanmean(course.value[held[0] :]))
    return CoolantStudy(
        point,
        last.step,
        last.time,
        last.value,
        opening,
        None if missing is None else missing.why,
        held,
        why_not_held,
        remark,
        otherwise,
        missing is not None and missing.had_to_show,
    )


def _source(timeline: Timeline) -> str | None:
    """The point that tells the engine's coolant: of two hoses the hotter, where they are reversed.

    What leaves the heater is cooler than what enters it, whatever the hoses are called.
    """
    if timeline.has("engine_coolant"):
        return "engine_coolant"
    if not timeline.has("coolant_in"):
        return None
    if timeline.has("coolant_out"):
        warm = timeline.engine_warm
        above = timeline.values("coolant_out")[warm] - timeline.values("coolant_in")[warm]
        above = above[~np.isnan(above)]
        if above.size * timeline.grid.step >= MIN_REVERSED_S and np.median(above) > REVERSED_K:
            return "coolant_out"
    return "coolant_in"


def best_opening(course: Course, alike: Course | None) -> tuple[Break | None, NoOpening | None]:
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
        return None, why_not_again or NoOpening(
            "the coolant was not read for long enough after it stopped climbing, with the heater "
            "set as it was"
        )
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
    return seconds_seen(course, start) >= (MIN_AFTER_S if opening is not None else SETTLED_S)


def _opening(course: Course) -> tuple[Break | None, NoOpening | None]:
    """Find the bend of the opening thermostat, or the reason why there is none to be seen."""
    peak = _peak(course)
    if peak is None:
        return None, NoOpening("the coolant was still warming up when the log ended")
    if float(course.smooth[peak] - course.smooth[: peak + 1].min()) < MIN_WARMING_K:
        return None, NoOpening("the engine was warm already when the log began")
    overshot = _overshot(course, peak)
    if (too_soon := _ended_too_soon(course, peak, overshot=overshot)) is not None:
        return None, too_soon
    found = fit_break(course.time, course.value, course.smooth, peak, course.noise, course.load)
    if found is None:
        return None, NoOpening(
            "too little of the warming was logged before the coolant stopped climbing"
        )
    if (balance := _heat_balance(course, found, peak, overshot=overshot)) is not None:
        return None, balance
    return found, None


def _peak(course: Course) -> int | None:
    """Where the warming ends; None where it goes on to the end of the log."""
    peak = _end_of_warming(course)
    first = _end_of_warming(course, FIRST_HELD_S)
    if first is not None and course.smooth[first] >= SURELY_C:
        # held for long at a thermostat's temperature: what the log climbs to later is no warming
        later = math.inf if peak is None else float(course.smooth[peak] - course.smooth[first])
        peak = first if later > CLIMBS_ON_K else peak
    return peak


def _ended_too_soon(course: Course, peak: int, *, overshot: bool) -> NoOpening | None:
    """Why the log ended too soon after the peak for a thermostat to show; None where not."""
    level = float(course.smooth[peak])
    # a gap bridged by a straight line shows no rest
    after_s = min(float(course.time[-1] - course.time[peak]), seconds_seen(course, peak))
    needed = MIN_AFTER_PEAK_S if overshot else MIN_AFTER_S
    if level < COOLEST_C:
        needed = MIN_AFTER_COOL_S
    if after_s >= needed:
        return None
    if level < COOLEST_C:
        return NoOpening(
            say(
                "the coolant stopped warming at {level:.0f degC}, below any thermostat in use, and "
                "was read for {after:.0f s} after that: a heat balance, no thermostat that opened",
                level=level,
                after=after_s,
            )
        )
    return NoOpening(
        f"the coolant was read for {after_s:.0f} s after it stopped warming, too short to tell an "
        "open thermostat from a heat balance"
    )


def _heat_balance(course: Course, found: Break, peak: int, *, overshot: bool) -> NoOpening | None:
    """Why a bend is a balance of heat and no thermostat; None where it is the thermostat's."""
    level = float(course.smooth[peak])
    idled = course.idle is not None and float(course.idle[found.start :].mean()) > 0.5
    if _turned_up(course, peak) and (idled or not _kept_after(course, peak)):
        return NoOpening(
            say(
                "the coolant stopped climbing at {level:.0f degC} as the heater was turned up: "
                "this is a heat balance, not the thermostat",
                level=level,
            )
        )
    if not _load_kept(course, found):
        return NoOpening(
            say(
                "the coolant stopped climbing at {level:.0f degC} as the engine's load fell, and "
                "was not tested with more load after that: this is a heat balance, "
                "not the thermostat",
                level=level,
            )
        )
    if level < SURELY_C and (_touched(course, found.start, peak, 60.0) or found.misfit > ILL_FIT):
        return NoOpening(
            say(
                "the coolant stopped climbing at {level:.0f degC} as the heater's setting or the "
                "load changed: this is a heat balance, not the thermostat",
                level=level,
            )
        )
    surely = overshot and level >= COOLEST_C
    if not surely and _rate_left(course, peak) < (STILL_WARMING_IDLE if idled else STILL_WARMING):
        if idled:
            return NoOpening(
                say(
                    "the coolant drew near {level:.0f degC} ever more slowly while the engine "
                    "idled: this is a heat balance, and no thermostat need have opened",
                    level=level,
                )
            )
        return NoOpening(
            say(
                "the coolant drew near {level:.0f degC} ever more slowly, without the bend that an "
                "opening thermostat makes: the thermostat never closed, or never opened",
                level=level,
            ),
            had_to_show=True,
        )
    return None


def _overshot(course: Course, peak: int) -> bool:
    """Whether the coolant fell back after the peak by itself, as it does past a thermostat."""
    after = course.smooth[peak : peak + course.bins(120.0)]
    fell = float(course.smooth[peak] - after.min())
    return fell >= OVERSHOOT_K and not _touched(course, peak, peak, 120.0)


def _touched(course: Course, start: int, stop: int, more_s: float) -> bool:
    """Whether the heater was set otherwise between two bins, or up to `more_s` later."""
    part = course.heater[start : stop + course.bins(more_s)]
    return float(np.ptp(part)) >= TOUCHED_PCT


def _turned_up(course: Course, peak: int) -> bool:
    """Whether the heater was turned up about the peak, so that it took more from the coolant."""
    before, after = (course.bins(seconds) for seconds in TURNED_UP_S)
    part = course.heater[max(peak - before, 0) : peak + after]
    return float(part[-1] - part.min()) >= TOUCHED_PCT


def _kept_after(course: Course, peak: int) -> bool:
    """Whether the coolant stayed at what it had reached at the peak."""
    begin, end = (peak + course.bins(seconds) for seconds in KEPT_S)
    after = course.smooth[begin:end]
    long_enough = seconds_seen(course, begin) >= MIN_AFTER_S and after.size > 0
    return long_enough and float(np.abs(after - course.smooth[peak]).max()) <= KEPT_K


def _end_of_warming(course: Course, within_s: float = math.inf) -> int | None:
    """Index of the peak or knee that ends the warming, or None where it goes on.

    Parameters
    ----------
    course
        The coolant's course.
    within_s
        How long after it the coolant must not climb on; all the rest of the log by default.
    """
    smooth = course.smooth
    ahead = min(smooth.size, course.bins(min(within_s, float(np.ptp(course.time)) + course.step)))
    later = trailing_max(smooth[::-1], ahead)[::-1]
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
    lowest = float(smooth.min())
    rise = min(25.0, float(smooth[peak] - lowest))
    # the lowest level is reached whatever the rounding
    levels = np.maximum(smooth[peak] - rise * np.array([1.0, 0.75, 0.5, 0.25]), lowest)
    crossed = np.array([np.flatnonzero(smooth <= level)[-1] for level in levels])
    if (np.diff(crossed) <= 0).any():
        return 1.0
    rates = 0.25 * rise / (np.diff(crossed) * course.step)
    depth = np.array([0.875, 0.625, 0.375])
    mean, middle = float(rates.sum()) / rates.size, float(depth.sum()) / depth.size
    away = depth - middle
    slope = float(away @ rates) / float(away @ away)
    return (mean - slope * middle) / mean
