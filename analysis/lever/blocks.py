"""Readings averaged in short blocks at their own mean times.

The common grid puts every reading at the middle of its bin; half a second of that matters to a
blend-air heater, which responds in one or two.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.signal.blocks import like_neighbors, run_means
from ingest.arrays import Floats
from ingest.load.gridding import max_gap
from ingest.run import Run


def blocks(time: Floats, value: Floats, step: float) -> tuple[NDArray[np.intp], Floats, Floats]:
    """Average samples in bins of `step` seconds.

    Returns
    -------
    tuple
        First sample, mean time and mean value of every bin that holds one.
    """
    if not time.size:
        return np.zeros(0, int), time, value
    first, size = like_neighbors(np.floor(time / step))
    if first.size == time.size:
        return first, time, value
    return first, np.add.reduceat(time, first) / size, np.add.reduceat(value, first) / size


class Blocks:
    """Channels of a run in blocks of `step` seconds, at the mean times of one of them.

    Parameters
    ----------
    run
        The run.
    lead
        The point whose times are kept.
    step
        Length of a block, s.
    """

    def __init__(self, run: Run, lead: str, step: float) -> None:
        self.run, self.step = run, step
        times, values = run.series(lead)
        self.first, self.time, self.lead = blocks(times, values, step)
        self.rows = times.size

    def value(self, point: str) -> Floats:
        """Readings of a point at these times; NaN across gaps that are too long to bridge."""
        raw, values = self.run.series(point)
        if raw.size == self.rows == self.run.readings.height:  # no nulls in either: the same rows
            return run_means(self.first, values)
        return _bridged(raw, values, self.time, self.step)


def _bridged(raw: Floats, values: Floats, at: Floats, step: float) -> Floats:
    allowed = max_gap(raw)
    _, time, value = blocks(raw, values, step)
    result: Floats = np.interp(at, time, value)
    after = np.clip(np.searchsorted(time, at), 1, max(time.size - 1, 1))
    if time.size > 1:
        gap = time[after] - time[after - 1]
        result[(gap > allowed) & (at > time[after - 1]) & (at < time[after])] = np.nan
    result[(at < time[0] - allowed) | (at > time[-1] + allowed)] = np.nan
    return result
