"""Engines that stop with the car at every light, in a log without engine speed.

With the engine stand the coolant pump and mostly the blower: the outlet falls to the outside air
within seconds, and is warm again as soon as the car moves. A core that gets too little coolant at
idle cools as well, but not in the time that the air in a duct takes.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from analysis.signal.blocks import runs_of
from analysis.timeline.grid import Grid
from ingest.arrays import Bools, Floats
from ingest.findings import finding
from ingest.run import Finding

STOPS_WITH_THE_CAR: Final = finding(
    "stops_with_the_car",
    "The outlet fell to the outside air at {count} stops and was warm again when the car moved:"
    " the engine is taken to have stood for {stood:.0f s} in all.",
    do="Switch the automatic stop off for the test, or log the engine's speed. Where the engine ran"
    " on, the coolant pump or the blower fails at idle.",
)

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
    told, fell = 0, []
    for start, stop in runs_of(speed < STANDS_M_S):
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


def stop_findings(grid: Grid, stopped: Bools) -> list[Finding]:
    """That the engine is taken to have stopped with the car, where it is."""
    stops = runs_of(stopped)
    if not stops:
        return []
    begin, end = float(grid.time[stops[0][0]]), float(grid.time[stops[-1][1] - 1])
    stood = float(stopped.sum()) * grid.step
    return [STOPS_WITH_THE_CAR.found(None, begin, end, count=len(stops), stood=stood)]


def _rise(grid: Grid) -> Floats:
    """The outlet over the outside air, else over its own lowest."""
    outlet = grid.value("outlet")
    for point in ("ambient", "inlet_air"):
        if grid.has(point):
            return np.asarray(outlet - grid.value(point))
    return np.asarray(outlet - np.fmin.reduce(outlet))


def _highest(values: Floats) -> float:
    return float(np.fmax.reduce(values, initial=-np.inf))
