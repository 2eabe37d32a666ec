"""Readings on an even grid without inventing any across a gap."""

from __future__ import annotations

from typing import Final

import numpy as np

from ingest.arrays import Floats

SHORTEST_MAX_GAP_S: Final = 10.0
"""Interpolation across this is always allowed: no heater temperature changes unseen in it."""

MAX_GAP_INTERVALS: Final = 4.0
"""... and across this many of the channel's own sampling intervals."""


def max_gap(time: Floats) -> float:
    """Longest gap of a channel that may be bridged by interpolation, s."""
    if time.size < 2:
        return SHORTEST_MAX_GAP_S
    return max(SHORTEST_MAX_GAP_S, MAX_GAP_INTERVALS * float(np.median(np.diff(time))))


def on_grid(time: Floats, value: Floats, centers: Floats) -> Floats:
    """One channel on an even grid.

    A bin holds the mean of the samples in it. A bin without a sample is interpolated between its
    neighbors in time where these are at most `max_gap` apart; else, and beyond the channel's
    ends, it is NaN.

    Parameters
    ----------
    time
        Shape (n,): times of valid readings, s, increasing.
    value
        Shape (n,): the readings.
    centers
        Shape (m,): evenly spaced bin centers, s; a bin is half open, ``[center - step/2, ...)``.

    Returns
    -------
    ndarray
        Shape (m,).
    """
    result = np.full(centers.size, np.nan)
    if time.size == 0 or centers.size == 0:
        return result
    half = (centers[1] - centers[0]) / 2 if centers.size > 1 else 0.5
    edges = np.append(centers - half, centers[-1] + half)
    bins = np.searchsorted(edges, time, side="right") - 1
    inside = (bins >= 0) & (bins < centers.size)
    if inside.any():
        own = bins[inside]
        starts = np.flatnonzero(np.diff(own, prepend=-1))
        counts = np.diff(starts, append=own.size)
        result[own[starts]] = np.add.reduceat(value[inside], starts) / counts
    empty = np.flatnonzero(np.isnan(result))
    after = np.searchsorted(time, centers[empty])
    between = (after > 0) & (after < time.size)
    empty, after = empty[between], after[between]
    gap = time[after] - time[after - 1]
    near = gap <= max_gap(time)
    empty, after, gap = empty[near], after[near], gap[near]
    share = (centers[empty] - time[after - 1]) / gap
    result[empty] = value[after - 1] + share * (value[after] - value[after - 1])
    return result
