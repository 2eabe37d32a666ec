"""Engines that stop with the car at every light, in a log without engine speed.

With the engine stand the coolant pump and mostly the blower: the outlet falls to the outside air
within seconds, and is warm again as soon as the car moves. A core that gets too little coolant at
idle cools as well, but not in the time that the air in a duct takes.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from analysis.timeline.grid import Grid
from ingest.arrays import Bools, Floats

STANDS_M_S: Final = 0.5
MIN_STOP_S: Final = 15.0
BEFORE_S: Final = 10.0
FALLS_S: Final = 40.0
BACK_S: Final = 60.0

MIN_RISE_K: Final = 15.0
FALLEN_SHARE: Final = 0.4
BACK_SHARE: Final = 0.7
"""Within `FALLS_S` of a stop an outlet at least so warm has less than this share of its rise, and
`BACK_S` after it again more than that (common practice, no source)."""

MIN_STOPS: Final = 2
MOST: Final = 0.5


def stopped_with_the_car(grid: Grid) -> Bools:
    """Bins in which the engine stood because the car did, as the outlet tells.

    Nowhere where engine speed is logged, which tells it better, or where the outlet or road speed
    is not; nowhere unless most stops did so.
    """
    off = np.zeros(grid.time.size, dtype=bool)
    if grid.has("engine_speed") or not (grid.has("road_speed") and grid.has("outlet")):
        return off
    rise = _rise(grid)
    speed, bins = grid.value("road_speed"), 1.0 / grid.step
    edges = np.diff(np.concatenate(([False], speed < STANDS_M_S, [False])).astype(int))
    stops = list(zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True))
    told, fell = 0, []
    for start, stop in stops:
        if stop - start < MIN_STOP_S * bins:
            continue
        before = _highest(rise[max(0, start - round(BEFORE_S * bins)) : start])
        if not before >= MIN_RISE_K:
            continue
        told += 1
        low = -_highest(-rise[start : min(stop, start + round(FALLS_S * bins))])
        back = _highest(rise[stop : stop + round(BACK_S * bins)])
        at_end = stop == rise.size
        if low < FALLEN_SHARE * before and (at_end or back > BACK_SHARE * before):
            fell.append((start, stop))
    if len(fell) < max(MIN_STOPS, MOST * told):
        return off
    for start, stop in fell:
        off[start:stop] = True
    return off


def _rise(grid: Grid) -> Floats:
    """The outlet over the outside air, else over its own lowest."""
    outlet = grid.value("outlet")
    for point in ("ambient", "inlet_air"):
        if grid.has(point):
            return np.asarray(outlet - grid.value(point))
    return np.asarray(outlet - np.fmin.reduce(outlet))


def _highest(values: Floats) -> float:
    return float(np.fmax.reduce(values, initial=-np.inf))
