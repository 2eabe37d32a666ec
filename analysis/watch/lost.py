"""Gauges and speeds that fall to nothing at once: a hose pulled off, a plug out."""

from __future__ import annotations

from typing import Final

import numpy as np

from analysis.watch.bins import Seconds
from analysis.watch.drop import masked_bins
from analysis.watch.still import NOT_AT_REST
from ingest.arrays import Bools

FALLEN_S: Final = 5
"""Bins at nothing before it is reported."""

FROM: Final[dict[str, float]] = {
    "vacuum_source": 20.0,
    "vacuum_actuator": 20.0,
    "road_speed": 6.0,
    "engine_speed": 500.0,
    "blower_voltage": 2.0,
}
"""The level they fall from, stored unit: kPa, m/s, rpm, V."""

ROLLS: Final = 3.0
"""An engine does not stand in a car that goes this fast, m/s."""

WITHIN: Final = 2
"""Bins in which they fall."""

HARDEST: Final = 10.0
"""Braking, m/s²; dry tires hold about one g (common practice, no source)."""

PULLING: Final = 0.5
"""Acceleration from which on an open throttle may take the vacuum away, m/s²."""


def lost_bins(seconds: Seconds, point: str) -> Bools:
    """Bins in which a gauge has been at nothing for a while after a fall no car makes."""
    means = seconds.tracks[point].means
    size = means.size
    found = np.zeros(size, dtype=bool)
    nothing = np.abs(means) <= NOT_AT_REST[point]
    reach = FALLEN_S + WITHIN
    if size <= reach:
        return found
    run = np.convolve(nothing, np.ones(FALLEN_S), mode="valid")[WITHIN + 1 :] == FALLEN_S
    least = FROM[point]
    if point == "road_speed":
        least = max(least, HARDEST * WITHIN * seconds.width)
    with np.errstate(invalid="ignore"):
        found[reach:] = run & ~nothing[WITHIN : size - FALLEN_S] & (means[:-reach] >= least)
    if not found.any():
        return found
    found &= ~masked_bins(seconds, point)
    if point == "engine_speed":
        found &= _rolls(seconds)
    if point in ("vacuum_source", "vacuum_actuator"):
        found &= ~_pulls(seconds) & ~_stands(seconds)
    if point == "blower_voltage":
        found &= ~_just_blown(seconds)
    return found


def _pulls(seconds: Seconds) -> Bools:
    """Bins in which the car gains speed."""
    result = np.zeros(seconds.ends.size, dtype=bool)
    if "road_speed" in seconds.tracks:
        speed = seconds.tracks["road_speed"].means
        over = FALLEN_S + WITHIN
        gained = np.nan_to_num(speed[over:] - speed[:-over])
        result[over:] = gained > PULLING * over * seconds.width
    return result


def _rolls(seconds: Seconds) -> Bools:
    track = seconds.tracks.get("road_speed")
    if track is None:
        return np.zeros(seconds.ends.size, dtype=bool)
    return np.asarray(np.nan_to_num(track.means) > ROLLS)


def _stands(seconds: Seconds) -> Bools:
    """Bins in which the engine does not turn."""
    track = seconds.tracks.get("engine_speed")
    if track is None:
        return np.zeros(seconds.ends.size, dtype=bool)
    return np.asarray(np.nan_to_num(track.means, nan=1e9) < NOT_AT_REST["engine_speed"])


def _just_blown(seconds: Seconds) -> Bools:
    """Bins soon after the blower was moved, or the engine started or stopped."""
    result = np.zeros(seconds.ends.size, dtype=bool)
    for at, name in seconds.moves:
        if name in ("blower", "engine"):
            low, high = np.searchsorted(seconds.ends, [at - 5.0, at + 15.0])
            result[low : high + 1] = True
    return result
