"""Which part of a run the heater is fitted to: all of it at full hot, warm-up and all."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.signal.smoothing import smooth
from analysis.timeline.states import CONDITIONS
from ingest.arrays import Bools
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.timeline.timeline import Timeline
    from ingest.arrays import Floats

SETTLING_S: Final = 90.0
"""After lever, blower or mode were moved core and duct are not yet what the model knows, s."""

MIN_LEAD_K: Final = 10.0
"""With the coolant less than this above the entering air a share of it says nothing, K."""

MIN_S: Final = 60.0
"""So much is fitted at least, s."""

LEVEL_S: Final = 120.0
"""Without a steady window the fit is stated for the last of it, s."""

VOLTAGE_V: Final = 0.8
"""A blower within this of its voltage in the steady window is at the same step, V."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """The bins at full hot under one set of the other controls.

    Parameters
    ----------
    used
        By bin, whether it is fitted.
    level
        Indices of the bins whose engine speed and warmth the result is stated for.
    settled
        Whether those are a steady window.
    air
        Measuring point of the entering air.
    note
        What stands in for what.
    """

    used: Bools
    level: slice
    settled: bool
    air: str
    note: str


def hot_stretch(timeline: Timeline) -> Stretch | str:
    """Find the stretch, or say why there is none, in a sentence for a technician."""
    if not timeline.has("outlet"):
        return "the outlet temperature was not logged"
    if not timeline.has("coolant_in"):
        return "coolant in was not logged"
    running = timeline.engine_on & timeline.blowing & timeline.at_hot
    running &= ~(timeline.grid.control("vacuum_isolated") > 0.5)
    if not running.any():
        return "the lever was never at the hot end with engine and blower running"
    chosen = timeline.hot.chosen
    last = int(np.flatnonzero(running)[-1]) + 1
    late = max(0, last - round(LEVEL_S / timeline.grid.step))
    level = slice(chosen.start, chosen.stop) if chosen else slice(late, last)
    alike = running & _alike(timeline, level)
    air = timeline.reference_air(prefer="inlet_air")
    if air is None:
        return "neither inlet air nor ambient was logged"
    if air == "ambient" and timeline.recirculating(level.start, level.stop):
        return "inlet air was not logged, and outside air does not enter while recirculating"
    lead = timeline.values("coolant_in") - timeline.values(air)
    used = (
        _settled(alike, timeline.grid.step)
        & (lead >= MIN_LEAD_K)
        & ~np.isnan(timeline.values("outlet"))
    )
    if used.sum() * timeline.grid.step < MIN_S:
        return "too little time at full hot with the coolant clearly warmer than the entering air"
    if chosen is None:
        place = np.flatnonzero(used)
        first = place[max(0, place.size - round(LEVEL_S / timeline.grid.step))]
        level = slice(int(first), int(place[-1]) + 1)
    note = "" if air == "inlet_air" else "from ambient, because inlet air was not logged"
    return Stretch(used, level, chosen is not None, air, note)


def _alike(timeline: Timeline, level: slice) -> Bools:
    """Bins with blower, doors and mode as in the level's last bin, as far as they are known."""
    grid, at = timeline.grid, level.stop - 1
    same = np.ones(grid.time.size, dtype=bool)
    for name in CONDITIONS:
        if name in grid.controls:
            held = np.nan_to_num(grid.controls[name], nan=-1.0)
            same &= (held == held[at]) | (held < 0.0) | (held[at] < 0.0)
    same &= (grid.mode == grid.mode[at]) | (grid.mode < 0) | (grid.mode[at] < 0)
    if timeline.has("blower_voltage"):
        volts = smooth(timeline.values("blower_voltage"), max(1, round(10.0 / grid.step)))
        usual = np.nanmedian(volts[level]) if not np.isnan(volts[level]).all() else np.nan
        same &= ~(np.abs(volts - usual) > VOLTAGE_V)
    return same


def _settled(alike: Bools, step: float) -> Bools:
    """Without the first of every stretch but one that the run began with."""
    wait = round(SETTLING_S / step)
    place = np.arange(alike.size)
    broken = np.where(alike, -wait - 1, place)
    since = place - np.maximum.accumulate(broken)
    return np.asarray(alike & (since > wait))


def held_over(values: Floats) -> Floats:
    """Values with their gaps bridged by straight lines, so that a lag can be run over them."""
    valid = ~np.isnan(values)
    if valid.all() or not valid.any():
        return values
    place = np.arange(values.size)
    return np.asarray(np.interp(place, place[valid], values[valid]))
