"""A reading that stands still, or has none, against what the channel itself used to do.

Readings with noise differ from one to the next. How often they are the same by chance depends on
the noise and the step of the numbers, and so does how often they turn back: a channel that turns
back often enough cannot give a long row of equal readings. One that hardly ever does has no such
noise (whole degrees, a calm sensor); of it is only said that it stopped in mid-movement.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from analysis.watch.bins import Seconds, Track
from analysis.watch.drop import AHEAD, LINE, largest_before, masked_bins, surprises
from analysis.watch.places import RELATED
from ingest.arrays import Bools, Floats

LONGER: Final = 2.0
"""Times the longest row of equal readings so far. Where normal noise of 0.4 to 1.5 steps about one
level that never moves is rounded, once or twice a second, a dozen channels then give 0.6 false
alarms in ten hours; with 1.5 it is 1.3 (simulated, 1200 hours of a channel)."""

ENOUGH: Final = 60
"""Readings before anything is said of the noise."""

BY_CHANCE: Final = 1e-6
"""So rarely may as long a row come about by chance within a second, whatever the logger's rate: ten
hours of a dozen channels then hold less than half a false alarm."""

MIN_EVERY_S: Final = 0.01
"""Readings that came at one and the same time are taken to lie this far apart."""

SIGMAS: Final = 2.0
"""So many standard deviations the share of turns must lie above what it is taken for: between two
steps of the numbers the least noise turns back a quarter of the time, as a coin does."""

TURNING: Final = (0.255, 0.26, 0.28, 0.31, 0.38, 0.42, 0.49, 0.54)
SAME: Final = (0.82, 0.65, 0.52, 0.43, 0.33, 0.27, 0.19, 0.14)
"""Share of readings at which a noisy signal turns back, and how often at most two readings are the
same, wherever between two steps of the numbers the signal lies: normal noise of 0.3, 0.4, 0.5, 0.6,
0.8, 1, 1.5 and 2 steps, rounded (simulated; ``tests/analysis/watch`` does it again)."""

STEPS: Final = 6.0
"""A reading that moved, and now stands still this many steps of its numbers off its way, stands
still whatever its noise."""

OWN_TIMES: Final = 1.5
LATELY: Final = 60
"""... and this many times as far off as it was in the last minute, in bins."""

NOT_AT_REST: Final[dict[str, float]] = {
    "road_speed": 0.5,
    "engine_speed": 100.0,
    "blower_voltage": 0.3,
    "vacuum_source": 1.0,
    "vacuum_actuator": 1.0,
}
"""Below this a car at rest holds the reading still, stored unit."""

SILENT_S: Final = 3.0
SILENT_TIMES: Final = 3.0
"""No reading for this long, and this many times the channel's longest silence so far."""


def still_bins(track: Track, point: str) -> Bools:
    """Bins at whose end a point has stood still for longer than its noise allows."""
    still = track.stood.copy()
    if not still.any():
        return still
    before = track.count - track.still_n
    count = np.maximum(before, 1.0)
    turning = track.turns() / count
    turning -= SIGMAS * np.sqrt(turning * np.clip(1.0 - turning, 0.0, 1.0) / count)
    still &= (before >= ENOUGH) & (turning >= TURNING[0])
    if not still.any():  # as where there is no noise to go by
        return still
    every_s = track.still_s / np.maximum(track.still_n - 1.0, 1.0)
    chance = np.log(BY_CHANCE * np.clip(every_s, MIN_EVERY_S, 1.0))
    needed = chance / np.log(np.interp(turning, TURNING, SAME))
    needed = np.maximum(needed, LONGER * track.longest())
    level = np.abs(track.means)
    with np.errstate(invalid="ignore"):
        at_work = level > NOT_AT_REST[point] if point in NOT_AT_REST else ~np.isnan(level)
    return np.asarray(still & at_work & (track.still_n >= needed))


def halted_bins(seconds: Seconds, point: str) -> Bools:
    """Bins at whose end a temperature that was moving stands dead still, and no other like it."""
    track = seconds.tracks[point]
    still = track.stood.copy()
    if still.any():
        still &= ~masked_bins(seconds, point)
    if not still.any():
        return still
    off = np.abs(surprises(seconds, point)[-1])
    with np.errstate(invalid="ignore"):
        still &= _moved_before(track.means) >= off
    if not still.any():
        return still
    usual = largest_before(off, still, LATELY)
    for other in RELATED[point]:
        if other in seconds.tracks:
            with np.errstate(invalid="ignore"):
                still &= ~(np.abs(surprises(seconds, other)[-1]) > 0.5 * off)
    with np.errstate(invalid="ignore"):
        return np.asarray(still & (off >= STEPS * track.step()) & (off >= OWN_TIMES * usual))


def _moved_before(means: Floats) -> Floats:
    """How far a point went along the line that ends nine bins before each bin."""
    result = np.full(means.size, np.nan)
    whole = LINE + AHEAD[-1]
    if means.size > whole:
        result[whole:] = np.abs(means[LINE : -AHEAD[-1]] - means[:-whole])
    return result


def lasting(track: Track, marked: Bools) -> Bools:
    """The marked bins and those after them in which the reading has still not changed."""
    result = marked.copy()
    for place in np.flatnonzero(marked[:-1] & ~marked[1:]):
        for after in range(int(place) + 1, marked.size):
            if marked[after] or track.still_n[after] < track.still_n[after - 1]:
                break
            result[after] = True
    return result


def silent_bins(seconds: Seconds, point: str) -> Bools:
    """Bins at whose end a point has had no reading for long while others have."""
    track = seconds.tracks[point]
    silent: Bools = (track.count > 0) & (track.silent_s >= SILENT_S)
    if not silent.any():
        return silent
    others = [each.silent_s for name, each in seconds.tracks.items() if name != point]
    heard = np.min(others, axis=0) <= seconds.width if others else np.zeros(1, dtype=bool)
    usual = np.where(np.isfinite(track.usual_s), track.usual_s, 0.0)
    return np.asarray(silent & heard & (track.silent_s >= SILENT_TIMES * usual))
