"""The common grid of the analysis: every channel and every control on one time axis.

Readings keep their own times in the `Run`; figures that need several channels at once take them
from here. A bin holds the mean of the samples in it. A bin without a sample is interpolated only
between two samples no further apart than the channel's longest allowed gap; beyond that it is NaN.
Controls are joined as-of: a position holds until the same control's next event.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.signal.blocks import like_neighbors
from analysis.signal.order_statistics import median
from ingest.arrays import Floats
from ingest.load.gridding import max_gap
from ingest.points import MODES
from ingest.run import Run
from ingest.values import dataclass

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

    def has(self, *points: str) -> bool:
        """Whether all these points have readings."""
        return all(point in self.values for point in points)

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
                intervals = time[1:] - time[:-1]
                return next(
                    (step for step in STEPS if _mostly_below(intervals, step / 0.9)), STEPS[-1]
                )
    return 1.0


def _mostly_below(values: Floats, limit: float) -> bool:
    """Whether the median is no more than a limit: by counting, except where half are below."""
    below = int(np.count_nonzero(values <= limit))
    return median(values) <= limit if 2 * below == values.size else 2 * below > values.size


def build_grid(run: Run) -> Grid:
    """Put a run on the common grid.

    Parameters
    ----------
    run
        The run, with invalid readings already null.
    """
    if run.readings.height == 0:
        nothing = np.zeros(0)
        return Grid(1.0, nothing, {}, {}, np.zeros(0, dtype=np.int8))
    step = choose_step(run)
    times = run.readings["time_s"].to_numpy()
    first = np.floor(times[0] / step)
    count = int(np.floor(times[-1] / step) - first) + 1
    centers = (first + 0.5 + np.arange(count)) * step
    values = _points_on_grid(run, times, _Axis(first, step, centers))
    controls, mode = controls_on(run.controls, centers)
    if "temp_lever" in values:  # a logged position wins over what was noted
        logged = values["temp_lever"]
        noted = controls.get("temp_lever")
        controls["temp_lever"] = (
            logged if noted is None else np.where(np.isnan(logged), noted, logged)
        )
    return Grid(step, centers, values, controls, mode)


class _Axis(NamedTuple):
    """The grid's time axis: number of its first bin, bin width, bin centers."""

    first: float
    step: float
    centers: Floats


def _points_on_grid(run: Run, times: Floats, axis: _Axis) -> dict[str, Floats]:
    """Bin means of every point with a reading, NaN in long gaps."""
    every_row = _Bins(times, axis)
    values = {}
    for point, sensor in run.sensors.items():
        column = run.readings[sensor.column]
        lacking = column.null_count()
        if lacking == 0:
            values[point] = every_row.means(column.to_numpy())
        elif lacking < times.size:
            reading = column.to_numpy()
            known = ~np.isnan(reading)
            values[point] = _Bins(times[known], axis).means(reading[known])
    return values


class _Bins:
    """Which bin each of some readings lies in, and what stands in for an empty one.

    Parameters
    ----------
    time
        Times of the readings, shape (n,).
    axis
        The bins.
    """

    def __init__(self, time: Floats, axis: _Axis) -> None:
        scaled = time / axis.step
        np.floor(scaled, out=scaled)
        bins = (scaled - axis.first).astype(np.intp)
        self.size = axis.centers.size
        self.starts, self.counts = like_neighbors(bins)
        self.filled = bins[self.starts]
        vacant = np.ones(self.size, dtype=bool)
        vacant[self.filled] = False
        empty = np.flatnonzero(vacant)
        if empty.size:
            after = np.searchsorted(time, axis.centers[empty])
            inside = (after > 0) & (after < time.size)
            empty, after = empty[inside], after[inside]
            gap = time[after] - time[after - 1]
            near = gap <= max_gap(time)
            empty, after, gap = empty[near], after[near], gap[near]
            self.after = after
            self.share = (axis.centers[empty] - time[after - 1]) / gap
        self.bridged = empty

    def means(self, reading: Floats) -> Floats:
        """Bin means of readings taken at these times, NaN in long gaps."""
        filled = np.asarray(np.add.reduceat(reading, self.starts) / self.counts)
        if filled.size == self.size:
            return filled
        result = np.full(self.size, np.nan)
        result[self.filled] = filled
        if self.bridged.size:
            before = reading[self.after - 1]
            result[self.bridged] = before + self.share * (reading[self.after] - before)
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
    times = controls["time_s"].to_numpy()
    numbers = controls["value"].to_numpy()
    begins = np.searchsorted(at, times)
    noted: dict[str, list[int]] = {}
    for row, name in enumerate(controls["control"].to_list()):
        noted.setdefault(name, []).append(row)
    result: dict[str, Floats] = {
        name: _held(begins[noted[name]], numbers[noted[name]], at.size)
        for name in POSITIONS
        if name in noted
    }
    if "mode" not in noted:
        return result, np.full(at.size, -1, dtype=np.int8)
    words = controls["position"].to_list()
    codes = np.array([_code(words[row]) for row in noted["mode"]], float)
    return result, _held(begins[noted["mode"]], codes, at.size, unknown=-1.0).astype(np.int8)


def _code(word: str | None) -> int:
    """Index into `MODES` of a noted mode, -1 for any other word."""
    return MODES.index(word) if word in MODES else -1


def _held(begins: NDArray[np.intp], values: Floats, size: int, unknown: float = np.nan) -> Floats:
    """Values that hold from their own beginning to the next one's; `unknown` before the first."""
    edges = np.concatenate(([0], begins, [size]))
    return np.repeat(np.concatenate(([unknown], values)), edges[1:] - edges[:-1])
