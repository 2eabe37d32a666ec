"""What the coolant was held at once it was warm, and whether a thermostat held it."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np

from analysis.coolant.course import Course
from analysis.coolant.opening import Break
from analysis.signal.blocks import block_means
from analysis.signal.line import fit_line
from ingest.saying import Said, say

CLIMBS_ON_K: Final = 3.0
"""Where the coolant later climbs this far above a bend, the bend was not the thermostat's."""

MIN_AFTER_PEAK_S: Final = 60.0

SHUTS_BELOW_K: Final = 8.0
"""A sound thermostat is shut again so far below where it opened (common practice, no source): what
an idling engine keeps below that, nothing but the heat that it gives and the heater takes holds."""

COOLEST_C: Final = 68.0
"""The coolest thermostats in use open at 160 °F, 71 °C, less a tolerance of 3 K (common practice,
no source). Below this a bend needs better evidence."""

SURELY_C: Final = 74.0
"""Warmer than this no heater turned down makes a heat balance look like a thermostat."""

SETTLED_S: Final = 300.0

HELD: Final = ((6.0, 600.0), (4.5, 400.0), (3.0, 240.0))
"""Bands, K, and how long, s, a warm engine's coolant must stay within one though its load varies
to be called held by the thermostat, where its opening was not seen."""

VARIED_LOAD: Final = 0.10

LUKEWARM_C: Final = 45.0

COLD_RISE_K: Final = 15.0
"""A coolant below the first that gained less than the second was not warmed by an engine."""

SETTLED_K: Final = 4.0

SETTLED_TREND_K: Final = 1.5

MAX_SETTLING_S: Final = 240.0
"""A thermostat that has opened settles within this; slower changes belong to the plateau."""


FALLS_STANDING_K: Final = 2.0
"""A thermostat regulates within a kelvin or two; a fall by more in a car that stands is no doing of
its own."""


class NoOpening(NamedTuple):
    """Why no opening was seen.

    Parameters
    ----------
    why
        The reason, for a reader.
    had_to_show
        Whether a sound thermostat would have shown its opening here: the coolant came to rest with
        the engine's load kept, long enough, and without a bend. Anything else (a log that ended too
        soon, a warm start, a load that fell) tells nothing of the thermostat.
    """

    why: str
    had_to_show: bool = False


def find_held(
    course: Course, opening: Break | None, missing: NoOpening | None
) -> tuple[tuple[int, int] | None, str | None, str | None]:
    """Find where the coolant was held: bins from and to, why not, and a remark."""
    end = course.value.size
    if opening is not None or missing is None:
        assert opening is not None  # noqa: S101 - a missing opening has its reason
        start = opening.peak + _settling(course, opening.peak, MAX_SETTLING_S)
        if seconds_seen(course, start) < MIN_AFTER_PEAK_S:
            # what was seen of the plateau came soon after the peak; the rest was not comparable
            start = opening.peak
        start, stop = _while_driven(course, opening.peak, start, _while_held(course, start))
        level = float(course.smooth[start:stop].mean())
        shuts = opening.temperature - SHUTS_BELOW_K - 2.0 * opening.u
        if level < shuts and _idled(course, start):
            return None, _fell_to_balance(level), None
        return (start, stop), None, None
    remark = say("no opening was seen: {why}", why=missing.why)
    for band, least_s in HELD:
        start = _flat_from(course, band)
        long_enough = seconds_seen(course, start) >= least_s
        if long_enough and _thermostat_may_hold(course, start) and _varied(course, start):
            return (start + _settling(course, start, MAX_SETTLING_S), end), None, remark
    start = _flat_from(course, SETTLED_K)
    why_not = _unsettled(course, start, missing)
    if why_not is not None:
        return None, why_not, None
    return (
        (start + _settling(course, start, math.inf), end),
        None,
        say("{remark}; it may be the engine's heat balance", remark=remark),
    )


def _fell_to_balance(level: float) -> Said:
    return say(
        "the coolant fell to {level:.0f degC} after the thermostat had opened, while the car "
        "mostly idled: that is a heat balance, with the thermostat shut again",
        level=level,
    )


def _while_held(course: Course, start: int) -> int:
    """Where the level that the thermostat held ends: a hot end of the log does not belong to it."""
    kept = course.smooth[start:] <= float(np.median(course.smooth[start:])) + CLIMBS_ON_K
    return start + int(np.flatnonzero(kept)[-1]) + 1


def _while_driven(course: Course, peak: int, start: int, stop: int) -> tuple[int, int]:
    """What was held without the end in which the car stood and the coolant fell.

    An idling engine may give less than the heater takes: its thermostat shuts, and what the coolant
    falls to is a heat balance.
    """
    if course.idle is None:
        return start, stop
    driven = np.flatnonzero(~course.idle[peak:stop])
    last = peak + int(driven[-1]) + 1 if driven.size else peak
    minute = course.bins(MIN_AFTER_PEAK_S)
    if last - peak < minute or stop - last < minute:
        return start, stop
    begin = min(start, last - minute)
    before = float(course.smooth[begin:last].mean())
    if before - float(course.smooth[stop - minute : stop].mean()) < FALLS_STANDING_K:
        return start, stop
    return begin, last


def _thermostat_may_hold(course: Course, start: int) -> bool:
    """Whether a level is warm enough for a thermostat, and for a cool one made by more than idling.

    A measured healthy car rested at 68 to 70 °C for ten minutes in slow traffic.
    """
    level = float(course.smooth[start:].mean())
    return level >= SURELY_C or (level >= COOLEST_C and not _idled(course, start))


def _idled(course: Course, start: int) -> bool:
    """Whether the car mostly idled from `start` on; not known counts as idling."""
    return course.idle is None or float(course.idle[start:].mean()) > 0.5


def _unsettled(course: Course, start: int, missing: NoOpening) -> str | None:
    """Why a level at the end of the log is no plateau, or None where it is one."""
    level = float(course.smooth[start:].mean())
    if level < LUKEWARM_C and level - float(course.smooth.min()) < COLD_RISE_K:
        return say(
            "the coolant never warmed (it stayed near {level:.0f degC}): the engine did not run, "
            "or the sensor is not on its hose",
            level=level,
        )
    if seconds_seen(course, start) < SETTLED_S:
        return say("the coolant never settled: {why}", why=missing.why)
    if course.idle is not None and float(course.idle[start:].mean()) > 0.5:
        return say(
            "the coolant stayed near {level:.0f degC} while the car mostly idled: that is the heat "
            "balance of an idling engine, not the thermostat",
            level=level,
        )
    rate = fit_line(course.time[start:], course.smooth[start:]).slope
    if abs(rate) * SETTLED_S > SETTLED_TREND_K:
        return say(
            "the coolant was still changing by {rate:+.1f K/min} when the log ended: {why}",
            rate=rate * 60.0,
            why=missing.why,
        )
    if level < SURELY_C and not missing.had_to_show:
        return say(
            "the coolant rested at {level:.0f degC}, where a heat balance looks the same as a "
            "thermostat, and {why}",
            level=level,
            why=missing.why,
        )
    return None


def seconds_seen(course: Course, start: int) -> float:
    """How long the coolant was seen from a bin on, s."""
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
    blocks = block_means(course.smooth[start:], course.bins(20.0))
    if blocks.size < 6:
        return 0
    back = blocks[::-1] - blocks.mean()
    number = np.arange(1, back.size + 1)
    variance = np.cumsum(back**2) / number - (np.cumsum(back) / number) ** 2
    error = (np.maximum(variance, 0.0) + course.noise**2) / number
    least = max(back.size // 2, back.size - int(min(most_s / 20.0, back.size)))
    kept = least + int(np.argmin(error[least - 1 :]))
    return int(blocks.size - kept) * course.bins(20.0)


def _flat_from(course: Course, band: float) -> int:
    """First index from which on the smoothed coolant stays within a band of the given width."""
    back = course.smooth[::-1]
    spread = np.maximum.accumulate(back) - np.minimum.accumulate(back)
    return int(course.smooth.size - np.searchsorted(spread, band, side="right"))
