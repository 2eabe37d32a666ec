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

EVEN: Final = 0.9
"""At least this share must be whole multiples of a step."""

WILD: Final = 1e3
"""So many times larger than nine in ten of the readings, a number says nothing of their step."""


def resolution(values: NDArray[np.float64]) -> float:
    """Step between neighbouring values, 0 where none shows; what most readings do decides.

    The usual difference of two values is the step where nine in ten of the others are whole
    multiples of it, each counted as often as the rarer of its two values was read: one value beside
    the levels (19.3 where readings are 17.6, 19.4, 21.2) leaves the step what it is. Else it is the
    smallest difference of which nine in ten are whole multiples; a wild number, which lies between
    no two of them, may make the first differences smaller (the next are tried) or stand far off (it
    is left out). Where none is the step (whole degrees Fahrenheit written in tenths of a degree
    Celsius are 0.5 and 0.6 apart) and the values are few, it is their median.

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
    (places,) = (steps > 1e-9 * max(abs(float(few[0])), abs(float(few[-1])))).nonzero()
    if not places.size:
        return 0.0
    steps = steps[places]
    readings = np.empty(places.size + 1, dtype=np.intp)
    readings[0], readings[-1] = places[0] + 1, few.size - 1 - places[-1]
    np.subtract(places[1:], places[:-1], out=readings[1:-1])
    usual = _usual_step(steps, readings)
    if usual is not None:
        return usual
    candidates = np.partition(steps, min(TRIED, steps.size) - 1)[:TRIED]
    for smallest in np.sort(candidates).tolist():
        even = _whole_multiples(steps, smallest)
        if np.count_nonzero(even) >= EVEN * even.size:
            return float(smallest)
    return float(np.median(steps)) if levels < FEW_LEVELS * few.size else 0.0


def _usual_step(steps: NDArray[np.float64], readings: NDArray[np.intp]) -> float | None:
    """The middle one of the steps where most are multiples of it.

    `readings` says how often each of the values was read, one more than there are steps.
    """
    weight = np.minimum(readings[:-1], readings[1:])
    # repeating is quicker than sorting, as nearly all weights are small
    counted = np.repeat(steps, weight)
    place = (counted.size + 1) // 2 - 1
    middle = float(np.partition(counted, place)[place])
    even = _whole_multiples(steps, middle)
    return middle if weight[even].sum() >= EVEN * counted.size else None


def _whole_multiples(steps: NDArray[np.float64], step: float) -> NDArray[np.bool_]:
    multiples = steps / step
    # numbers of a few decimals are multiples of their step; those of a converter are not
    away = np.rint(multiples)
    away -= multiples
    even = np.abs(away, out=away) < 0.02 * np.maximum(1.0, multiples / 10.0)
    even &= multiples > 0.5
    return np.asarray(even)


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
