"""Medians, quantiles and trailing maxima, without the general function's cost a call.

Thousands are asked for in one run, of a few hundred numbers each: looking after axes, masks and NaN
takes numpy longer than finding the numbers. The results are numpy's own, to the last digit.
"""

from __future__ import annotations

import numpy as np

from ingest.arrays import Floats


def median(values: Floats) -> float:
    """Median of values without NaN, shape (n,), n of 1 at least."""
    half = values.size // 2
    ordered = values.copy()
    ordered.partition(half)
    upper = float(ordered[half])
    if values.size % 2:
        return upper
    return 0.5 * (float(ordered[:half].max()) + upper)


def quantiles(values: Floats, *shares: float) -> tuple[float, ...]:
    """Quantiles, interpolated linearly between the two nearest values.

    Parameters
    ----------
    values
        Without NaN, shape (n,), n of 1 at least.
    shares
        0 for the lowest value, 1 for the highest.
    """
    last = values.size - 1
    places = [last * share for share in shares]
    lower = [min(int(place), last) for place in places]
    ordered = values.copy()
    ordered.partition(sorted({*lower, *(min(each + 1, last) for each in lower)}))
    return tuple(
        _between(float(ordered[low]), float(ordered[min(low + 1, last)]), place - low)
        for low, place in zip(lower, places, strict=True)
    )


def _between(low: float, high: float, share: float) -> float:
    """Linear interpolation that is exact at both ends."""
    if share >= 0.5:
        return high - (high - low) * (1.0 - share)
    return low + (high - low) * share


def trailing_max(values: Floats, known: int) -> Floats:
    """Largest of the last `known` of some numbers, at each of them; of fewer at the beginning.

    Within blocks of `known` from the left and from the right: every window is the end of one block
    and the beginning of the next (van Herk 1992, Gil and Werman 1993).

    Parameters
    ----------
    values
        Without NaN, shape (n,).
    known
        1 at least.
    """
    count = -(-(values.size + known - 1) // known)
    padded = np.full(count * known, -np.inf)
    padded[known - 1 : known - 1 + values.size] = values
    blocks = padded.reshape(count, known)
    begun = np.maximum.accumulate(blocks, axis=1).ravel()
    ending = np.maximum.accumulate(blocks[:, ::-1], axis=1)[:, ::-1].ravel()
    return np.maximum(ending[: values.size], begun[known - 1 : known - 1 + values.size])
