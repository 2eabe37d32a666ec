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

from analysis.order_statistics import median
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
                typical = median(time[1:] - time[:-1])
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
    """Bin means of every point with a reading; those read in every row in one go."""
    columns = {
        point: run.readings[sensor.column].to_numpy() for point, sensor in run.sensors.items()
    }
    rows = np.array(list(columns.values())).reshape(-1, times.size)
    missing = np.isnan(rows)
    lacking = missing.any(axis=1)
    whole = iter(_on_grid(times, rows[~lacking], axis))
    values = {}
    for place, (point, lacks) in enumerate(zip(columns, lacking.tolist(), strict=True)):
        if not lacks:
            values[point] = next(whole)
            continue
        known = ~missing[place]
        if known.any():
            values[point] = _on_grid(times[known], rows[None, place, known], axis)[0]
    return values


def _on_grid(time: Floats, values: Floats, axis: _Axis) -> Floats:
    """Bin means of readings taken at the same times, shape (points, n), NaN in long gaps."""
    centers = axis.centers
    bins = (np.floor(time / axis.step) - axis.first).astype(np.intp)
    starts = np.flatnonzero(np.concatenate(([True], bins[1:] != bins[:-1])))
    counts = np.append(starts[1:], time.size) - starts
    result = np.full((values.shape[0], centers.size), np.nan)
    filled = bins[starts]
    result[:, filled] = np.add.reduceat(values, starts, axis=1) / counts
    if filled.size == centers.size:
        return result
    vacant = np.ones(centers.size, dtype=bool)
    vacant[filled] = False
    empty = np.flatnonzero(vacant)
    after = np.searchsorted(time, centers[empty])
    inside = (after > 0) & (after < time.size)
    empty, after = empty[inside], after[inside]
    gap = time[after] - time[after - 1]
    near = gap <= max_gap(time)
    empty, after, gap = empty[near], after[near], gap[near]
    share = (centers[empty] - time[after - 1]) / gap
    before = values[:, after - 1]
    result[:, empty] = before + share * (values[:, after] - before)
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
    words = controls["position"].gather(noted["mode"]).to_list()
    codes = np.array([MODES.index(word) if word in MODES else -1 for word in words], float)
    return result, _held(begins[noted["mode"]], codes, at.size, unknown=-1.0).astype(np.int8)


def _held(begins: NDArray[np.intp], values: Floats, size: int, unknown: float = np.nan) -> Floats:
    """Values that hold from their own beginning to the next one's; `unknown` before the first."""
    edges = np.concatenate(([0], begins, [size]))
    return np.repeat(np.concatenate(([unknown], values)), edges[1:] - edges[:-1])
