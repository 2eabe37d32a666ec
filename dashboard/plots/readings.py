"""A run's readings as plots need them: any stretch of a million rows, thinned, extremes kept."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Floats
from ingest.export.readings import CONTROL_COLUMNS
from ingest.points import POINTS, QUANTITIES, Quantity, column_name

if TYPE_CHECKING:
    import polars as pl

    from ingest.run import Run


MAX_POINTS: Final = 1600
"""A line with more points than this is thinned: twice the pixels of a wide screen's plot."""

GAP_S: Final = 10.0
GAP_INTERVALS: Final = 4.0
"""A line breaks where readings are further apart than both of these."""


class Channel(NamedTuple):
    """Where a measuring point stands in the table and what it measures."""

    column: str
    quantity: Quantity


class LineData(NamedTuple):
    """A line to draw: times, s, and values; NaN parts it at gaps."""

    time: Floats
    value: Floats
    thinned: bool


class Readings:
    """Readings in stored units with the controls joined, as `convert` writes them.

    Parameters
    ----------
    frame
        ``time_s`` and one column a measuring point.
    """

    def __init__(self, frame: pl.DataFrame) -> None:
        self.frame = frame
        self._gaps: dict[str, tuple[Floats, Floats, NDArray[np.intp]]] = {}

    @classmethod
    def of(cls, run: Run) -> Readings:
        """The readings of a loaded run."""
        from ingest.export.readings import readings_with_controls

        return cls(readings_with_controls(run))

    @cached_property
    def channels(self) -> Mapping[str, Channel]:
        """Measuring points that have at least one reading, in the table's order."""
        found = {}
        for column in self.frame.columns:
            told = channel_of(column)
            if told and self.frame[column].null_count() < self.frame.height:
                found[told[0]] = Channel(column, told[1])
        return found

    @property
    def rows(self) -> int:
        """How many readings there are."""
        return self.frame.height

    def line(
        self,
        point: str,
        from_s: float | None = None,
        to_s: float | None = None,
        most: int = MAX_POINTS,
    ) -> LineData:
        """A stretch of one point's readings.

        The lowest and highest reading of every piece of the stretch are kept, so that an extreme
        that is there is drawn wherever one zooms.

        Parameters
        ----------
        point
            One of `channels`.
        from_s, to_s
            The stretch, s from engine start; None is the end of the log. One reading beyond each
            end is taken along, so that the line leaves the picture.
        most
            Points from which on the line is thinned.
        """
        time, value, breaks = self._parts(point)
        first = 0 if from_s is None else max(0, int(np.searchsorted(time, from_s, "left")) - 1)
        last = time.size
        if to_s is not None:
            last = min(last, int(np.searchsorted(time, to_s, "right")) + 1)
        time, value = time[first:last], value[first:last]
        breaks = breaks[(breaks > first) & (breaks < last)] - first
        kept = extremes(time, value, most)
        thinned = kept.size < time.size
        breaks = _longest(time, breaks, most // 4)
        if breaks.size == 0:
            return LineData(time[kept], value[kept], thinned)
        # an empty point at each gap keeps the two sides of it apart, each drawn to its end
        kept = np.union1d(kept, np.concatenate([breaks - 1, breaks]))
        at = np.searchsorted(kept, breaks, "left")
        middle = (time[breaks - 1] + time[breaks]) / 2.0
        return LineData(
            np.insert(time[kept], at, middle), np.insert(value[kept], at, np.nan), thinned
        )

    def _parts(self, point: str) -> tuple[Floats, Floats, NDArray[np.intp]]:
        """Times and values without nulls, and where the gaps are; worked out once a point."""
        if point not in self._gaps:
            column = self.channels[point].column
            pair = self.frame.select("time_s", column)
            if self.frame[column].null_count():
                pair = pair.drop_nulls()
            time, value = (np.ascontiguousarray(each.to_numpy()) for each in pair)
            breaks = np.zeros(0, dtype=np.intp)
            if time.size > 1:
                spacing = np.diff(time)
                limit = max(GAP_S, GAP_INTERVALS * float(np.median(spacing)))
                breaks = np.flatnonzero(spacing > limit) + 1
            self._gaps[point] = time, value, breaks
        return self._gaps[point]


def _longest(time: Floats, breaks: NDArray[np.intp], most: int) -> NDArray[np.intp]:
    """The longest gaps: a log full of gaps must not make a picture without end."""
    if breaks.size <= most:
        return breaks
    length = time[breaks] - time[breaks - 1]
    return np.sort(breaks[np.argpartition(length, -most)[-most:]])


def channel_of(column: str) -> tuple[str, Quantity] | None:
    """The measuring point and quantity a readings column stands for; None for time and controls."""
    for point, quantity in POINTS.items():
        if column == column_name(point, quantity):
            return point, quantity
    if column == "time_s" or column in CONTROL_COLUMNS.values():
        return None
    for quantity in QUANTITIES.values():
        ending = f"_{quantity.suffix}"
        if column.endswith(ending):
            return column.removesuffix(ending), quantity
    return None


def extremes(time: Floats, value: Floats, most: int) -> NDArray[np.intp]:
    """Indices of at most `most` points: lowest and highest of equal pieces, first and last."""
    if time.size <= most:
        return np.arange(time.size, dtype=np.intp)
    from tsdownsample import MinMaxDownsampler

    sampler = MinMaxDownsampler()  # type: ignore[no-untyped-call]
    kept: NDArray[Any] = sampler.downsample(value, n_out=(most - 2) // 2 * 2)
    ends = np.array([0, time.size - 1])
    return np.unique(np.concatenate([ends, kept.astype(np.intp)]))
