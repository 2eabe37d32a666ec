"""The common grid of the analysis: every channel and every control on one time axis.

Readings keep their own times in the `Run`; figures that need several channels at once take them
from here. A bin holds the mean of the samples in it. A bin without a sample is interpolated only
between two samples no further apart than the channel's longest allowed gap; beyond that it is NaN.
Controls are joined as-of: a position holds until the same control's next event.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.gridding import max_gap
from ingest.points import MODES
from ingest.run import Run

Floats = NDArray[np.float64]

STEPS: Final = (1.0, 2.0, 5.0, 10.0)
"""Grid steps to choose from, s. What needs finer times (a step of the lever) reads the run."""

POSITIONS: Final = ("temp_lever", "blower", "air_door", "defrost", "vacuum_isolated", "engine")
"""Controls with a number for a position."""


@dataclass(frozen=True)
class Grid:
    """All channels and controls on one time axis.

    Parameters
    ----------
    step
        Bin width, s.
    time
        Bin centers, s from engine start, evenly spaced.
    values
        By measuring point: bin means, NaN where there is no valid reading.
    controls
        By control: the position in force at the bin's center, NaN before it is first known.
        A control never noted is absent.
    mode
        Index into `MODES` of the mode in force; -1 where it is not known.
    """

    step: float
    time: Floats
    values: Mapping[str, Floats]
    controls: Mapping[str, Floats]
    mode: NDArray[np.int8]

    def value(self, point: str) -> Floats:
        """Bin means of a point; all NaN where it is not logged."""
        found = self.values.get(point)
        return np.full(self.time.size, np.nan) if found is None else found

    def control(self, name: str) -> Floats:
        """Positions of a control; all NaN where it was never noted."""
        found = self.controls.get(name)
        return np.full(self.time.size, np.nan) if found is None else found

    def index(self, seconds: float) -> int:
        """First bin at or after a time."""
        return int(np.searchsorted(self.time, seconds))


def choose_step(run: Run) -> float:
    """Smallest step of `STEPS` that holds at least about one sample of the outlet.

    The outlet decides because it answers fastest; without it, the densest channel does.
    """
    order = ["outlet", *run.sensors]
    for point in order:
        if run.has(point):
            time, _ = run.series(point)
            if time.size > 1:
                typical = float(np.median(np.diff(time)))
                return next((step for step in STEPS if step >= 0.9 * typical), STEPS[-1])
    return 1.0


def build_grid(run: Run, step: float | None = None) -> Grid:
    """Put a run on the common grid.

    Parameters
    ----------
    run
        The run, with invalid readings already null.
    step
        Bin width, s; chosen from the outlet's sampling where None.
    """
    if run.readings.height == 0:
        nothing = np.zeros(0)
        return Grid(1.0, nothing, {}, {}, np.zeros(0, dtype=np.int8))
    step = choose_step(run) if step is None else step
    times = run.readings["time_s"].to_numpy()
    first = np.floor(times[0] / step)
    count = int(np.floor(times[-1] / step) - first) + 1
    centers = (first + 0.5 + np.arange(count)) * step
    rows = _filled_bins(times, first, step)
    values = {}
    for point in run.sensors:
        if run.has(point):
            time, value = run.series(point)
            # a channel without nulls has a reading in every row
            bins = rows if time.size == times.size else _filled_bins(time, first, step)
            values[point] = _on_grid(time, value, bins, centers)
    controls, mode = controls_on(run.controls, centers)
    if "temp_lever" in values:  # a logged position wins over what was noted
        logged = values["temp_lever"]
        noted = controls.get("temp_lever")
        controls["temp_lever"] = (
            logged if noted is None else np.where(np.isnan(logged), noted, logged)
        )
    return Grid(step, centers, values, controls, mode)


class _Bins(NamedTuple):
    """Bins that hold samples: their numbers, first sample and number of samples."""

    filled: NDArray[np.intp]
    starts: NDArray[np.intp]
    counts: NDArray[np.intp]


def _filled_bins(time: Floats, first: float, step: float) -> _Bins:
    bins = (np.floor(time / step) - first).astype(np.intp)
    starts = np.flatnonzero(np.diff(bins, prepend=-1))
    return _Bins(bins[starts], starts, np.diff(starts, append=time.size))


def _on_grid(time: Floats, value: Floats, bins: _Bins, centers: Floats) -> Floats:
    result = np.full(centers.size, np.nan)
    result[bins.filled] = np.add.reduceat(value, bins.starts) / bins.counts
    empty = np.flatnonzero(np.isnan(result))
    if empty.size:
        after = np.searchsorted(time, centers[empty])
        inside = (after > 0) & (after < time.size)
        empty, after = empty[inside], after[inside]
        gap = time[after] - time[after - 1]
        near = gap <= max_gap(time)
        empty, after, gap = empty[near], after[near], gap[near]
        share = (centers[empty] - time[after - 1]) / gap
        result[empty] = value[after - 1] + share * (value[after] - value[after - 1])
    return result


def controls_on(controls: pl.DataFrame, at: Floats) -> tuple[dict[str, Floats], NDArray[np.int8]]:
    """Positions of every noted control at given times, as-of backward.

    Parameters
    ----------
    controls
        As in `Run.controls`.
    at
        Sorted times, s from engine start.

    Returns
    -------
    tuple
        Numeric controls by name, and the mode's index into `MODES` (-1 unknown).
    """
    result: dict[str, Floats] = {}
    mode = np.full(at.size, -1, dtype=np.int8)
    names = controls["control"].to_numpy()
    times = controls["time_s"].to_numpy()
    numbers = controls["value"].to_numpy()
    for name in POSITIONS:
        mine = names == name
        if mine.any():
            result[name] = _as_of(times[mine], numbers[mine], at)
    mine = names == "mode"
    if mine.any():
        words = controls["position"].to_numpy()[mine]
        codes = np.array([MODES.index(word) if word in MODES else -1 for word in words], float)
        held = _as_of(times[mine], codes, at)
        mode = np.where(np.isnan(held), -1, held).astype(np.int8)
    return result, mode


def _as_of(times: Floats, values: Floats, at: Floats) -> Floats:
    begins = np.searchsorted(at, times)
    counts = np.diff(begins, prepend=0, append=at.size)
    return np.repeat(np.concatenate(([np.nan], values)), counts)
