"""A straight line that a logger or a program drew where it had no readings, given away by its end.

A sensor's readings scatter about whatever they follow; a drawn line does not, to the last digit.
Where a channel that otherwise scatters runs straight and then leaps, faster than any sensor in a
car can follow, the line was drawn from the last reading towards nothing, and none of it was read.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.view import CAR_TEMPERATURES, Hit, View
from ingest.arrays import Bools, Floats
from ingest.findings import finding

INTERPOLATED: Final = finding(
    "interpolated",
    "{point} runs straight as a line from {begin:.1f s} to {end:.1f s} and then leaps by"
    " {leap:.0f K}: these are no readings but were filled in, and were left out.",
    do="Turn off what fills in missing values in the logger or the program that wrote the log.",
    forbids=True,
    doubts_sensor=True,
)

LEAP_K: Final = 4.0
LEAP_K_PER_S: Final = 40.0
"""No sensor in a car's air or coolant moves as fast: 60 K within its time constant of 1 s or more
(common practice, no source) are 60 K/s at the very first, and no door opens at once."""

MIN_READINGS: Final = 20
MIN_S: Final = 10.0
"""So long a line."""

SCATTER: Final = 0.25
"""The channel's own noise, in steps of its numbers, that a line is told from."""

ROUNDED: Final = 0.75
"""A line that was rounded lies within this of itself, in steps of its numbers."""

SMOOTHER: Final = 0.2
"""... and this much closer to a line than the channel's noise lets it."""

SLOPES: Final = 10.0
"""A line that rises or falls by less than this, in steps of the numbers, is a value held."""


@detector("interpolated", order=28)
def detect(view: View) -> Iterator[Hit]:
    """Find straight lines before a leap."""
    for point in view.present(*CAR_TEMPERATURES):
        if view.largest_step(point) < LEAP_K:
            continue
        step = view.sensor(point).resolution
        allowed = max(ROUNDED * step, SMOOTHER * view.noise(point))
        if view.noise(point) <= SCATTER * step or view.noise(point) == 0.0:
            continue
        known = np.flatnonzero(~np.isnan(view.values(point)))
        readings, times = view.values(point)[known], view.time[known]
        for last in _leaps(readings, times):
            first = _line(readings, times, last, allowed)
            if first is None or abs(readings[last] - readings[first]) < SLOPES * step:
                continue
            rows: Bools = np.zeros(view.time.size, dtype=bool)
            rows[known[first + 1 : last + 1]] = True
            begin, end = view.seconds(rows)
            leap = abs(float(readings[last + 1] - readings[last]))
            yield Hit(
                INTERPOLATED.found(
                    point,
                    begin,
                    end,
                    point=point,
                    begin=begin,
                    end=end,
                    leap=leap,
                    evidence={"count": float(last - first), "of": float(known.size)},
                ),
                rows,
            )


def _leaps(readings: Floats, times: Floats) -> list[int]:
    """The last reading before every leap."""
    moved, taken = np.abs(np.diff(readings)), np.diff(times)
    return [int(at) for at in np.flatnonzero((moved >= LEAP_K) & (moved >= LEAP_K_PER_S * taken))]


def _line(readings: Floats, times: Floats, last: int, allowed: float) -> int | None:
    """First reading of the straight line that ends at `last`; None where none is long enough."""
    first = _fits(readings, times, last, MIN_READINGS, MIN_S)
    if first is None or _off(readings, times, first, last) > allowed:
        return None
    length = last - first
    while first > 0:  # twice as long as long as that fits, then back by halves
        longer = max(0, first - length)
        if _off(readings, times, longer, last) > allowed:
            length //= 2
            if length == 0:
                break
            continue
        first, length = longer, length * 2
    return first


def _fits(readings: Floats, times: Floats, last: int, count: int, seconds: float) -> int | None:
    """First reading of the shortest stretch that ends at `last` and is long enough."""
    first = min(last - count + 1, int(np.searchsorted(times, times[last] - seconds, "right")) - 1)
    return first if first >= 0 else None


def _off(readings: Floats, times: Floats, first: int, last: int) -> float:
    """How far readings are off the line from the first to the last, at most."""
    part, at = readings[first : last + 1], times[first : last + 1]
    share = (at - at[0]) / (at[-1] - at[0])
    return float(np.abs(part - part[0] - share * (part[-1] - part[0])).max())
