"""Step of logged numbers: what the logger's converter, bus or number of decimals rounds to."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

SAMPLES: Final = 2048
"""How many readings, evenly taken, are looked at."""

FEW_LEVELS: Final = 0.25
"""Fewer distinct values than this share of the readings are levels of a coarse step."""

TRIED: Final = 3
"""So many of the smallest differences are tried: one stray number makes two."""

WILD: Final = 1e3
"""So many times larger than nine in ten of the readings, a number says nothing of their step."""


def resolution(values: NDArray[np.float64]) -> float:
    """Step between neighbouring values, 0 where none shows; what most readings do decides.

    The smallest difference of two values is the step where nine in ten of the others are whole
    multiples of it; a wild number, which lies between no two of them, may make the first
    differences smaller (the next are tried) or stand far off (it is left out). Where none is the
    step (whole degrees Fahrenheit written in tenths of a degree Celsius are 0.5 and 0.6 apart) and
    the values are few, it is their median.

    Parameters
    ----------
    values
        As logged, shape (n,); NaN are left out.

    Returns
    -------
    float
        In the unit of `values`.
    """
    few = _usual(np.sort(values[:: max(1, values.size // SAMPLES)]))
    if few.size < 3:
        return 0.0
    steps = few[1:] - few[:-1]
    levels = 1 + int(np.count_nonzero(steps))
    steps = steps[steps > 1e-9 * max(abs(float(few[0])), abs(float(few[-1])))]
    if not steps.size:
        return 0.0
    candidates = np.partition(steps, min(TRIED, steps.size) - 1)[:TRIED]
    for smallest in np.sort(candidates).tolist():
        multiples = steps / smallest
        # numbers of a few decimals are multiples of their step; those of a converter are not
        even = np.abs(multiples - np.rint(multiples)) < 0.02 * np.maximum(1.0, multiples / 10.0)
        if np.count_nonzero(even) / even.size >= 0.9:
            return float(smallest)
    return float(np.median(steps)) if levels < FEW_LEVELS * few.size else 0.0


def _usual(ordered: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sorted readings without those that are not finite or many times larger than most."""
    if ordered.size and not (np.isfinite(ordered[0]) and np.isfinite(ordered[-1])):
        ordered = ordered[np.isfinite(ordered)]
    if not ordered.size:
        return ordered
    edge = ordered.size // 20
    large = WILD * max(abs(float(ordered[edge])), abs(float(ordered[-1 - edge])))
    if large == 0.0 or (ordered[0] >= -large and ordered[-1] <= large):
        return ordered
    return ordered[np.abs(ordered) <= large]
