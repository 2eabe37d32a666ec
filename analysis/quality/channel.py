"""One channel as the detectors ask for it: each number worked out once, on first use.

Most runs have nothing wrong with them, and most channels a reading in every row: what the detectors
ask first (the extremes, the largest step, the noise) is had without looking for gaps there.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.signal.blocks import like_neighbors
from analysis.signal.order_statistics import median
from ingest.arrays import Floats
from ingest.values import dataclass

FEW: Final = 1500
"""How many readings, evenly taken, stand for a channel where its noise is estimated."""

MIN_BINS: Final = 10


@dataclass(frozen=True, slots=True, eq=False)
class Bins:
    """The bins all channels of a run share.

    Parameters
    ----------
    starts
        First row of each bin that has rows.
    numbers
        The number of that bin.
    counts
        How many rows it has.
    size
        Number of bins, those without rows included.
    """

    starts: NDArray[np.intp]
    numbers: NDArray[np.intp]
    counts: Floats
    size: int

    @classmethod
    def of(cls, numbers: NDArray[np.intp]) -> Bins:
        """From the number of every row's bin, in rising order."""
        starts, counts = like_neighbors(numbers)
        return cls(starts, numbers[starts], counts.astype(np.float64), int(numbers[-1]) + 1)


class Channel:
    """The readings of one point.

    Parameters
    ----------
    values
        All rows, NaN where there is no valid reading.
    whole
        Whether there is one in every row.
    bins
        Tells where the rows lie, once the means are asked for.
    """

    def __init__(self, values: Floats, *, whole: bool, bins: Callable[[], Bins]) -> None:
        self.values = values
        self.whole = whole
        self._bins = bins

    @cached_property
    def has(self) -> bool:
        """Whether there is a valid reading."""
        return self.whole or not bool(np.isnan(self.values).all())

    @cached_property
    def means(self) -> Floats:
        """Bin means, NaN where there is no valid reading."""
        bins = self._bins()
        with np.errstate(invalid="ignore"):
            if self.whole:
                filled = np.add.reduceat(self.values, bins.starts) / bins.counts
            else:
                missing = np.isnan(self.values)
                sums = np.add.reduceat(np.where(missing, 0.0, self.values), bins.starts)
                counts = bins.counts - np.add.reduceat(missing, bins.starts, dtype=np.float64)
                filled = np.where(counts > 0.0, sums / np.maximum(counts, 1.0), np.nan)
        if bins.numbers.size == bins.size:
            return np.asarray(filled)
        result = np.full(bins.size, np.nan)
        result[bins.numbers] = filled
        return result

    @cached_property
    def known(self) -> Floats:
        """The bin means that are not NaN."""
        means = self.means
        bins = self._bins()
        if self.whole and bins.numbers.size == bins.size:
            return means
        return means[~np.isnan(means)]

    @cached_property
    def usual(self) -> float:
        """Median of the bin means, NaN where there is no valid reading."""
        return median(self.known) if self.known.size else float("nan")

    @cached_property
    def rise(self) -> float:
        """How much the point is higher at its highest than when it began, by its bins; 0 for few.

        The highest is what all but the highest fiftieth of the bins stay below.
        """
        known = self.known
        if known.size < MIN_BINS:
            return 0.0
        top = known.size - 1 - known.size // 50
        ordered = known.copy()
        ordered.partition(top)
        return float(ordered[top]) - median(known[: max(3, known.size // 100)])

    @cached_property
    def extremes(self) -> tuple[float, float]:
        """Lowest and highest valid reading, NaN where there is none."""
        if self.whole:
            return float(self.values.min()), float(self.values.max())
        return float(np.fmin.reduce(self.values)), float(np.fmax.reduce(self.values))

    @property
    def readings(self) -> Floats:
        """The valid readings; not kept, they are as many as the log has rows."""
        return self.values if self.whole else self.values[~np.isnan(self.values)]

    @cached_property
    def largest_step(self) -> float:
        """Largest change from one valid reading to the next, 0 for fewer than two."""
        readings = self.readings
        steps = readings[1:] - readings[:-1]
        return max(float(steps.max()), -float(steps.min())) if steps.size else 0.0

    @cached_property
    def noise(self) -> float:
        """Standard deviation of a reading's own noise, from second differences; 0 for few.

        The median of their size, so that spikes and steps do not count; the second difference of a
        ramp is 0, and that of white noise has six times its variance.
        """
        start = max(0, (self.values.size - FEW) // 2)
        few = self.values[start : start + FEW]
        if not self.whole:
            few = few[~np.isnan(few)]
        if few.size < 8:
            return 0.0
        steps = few[1:] - few[:-1]
        return median(np.abs(steps[1:] - steps[:-1])) / (0.6745 * float(np.sqrt(6.0)))
