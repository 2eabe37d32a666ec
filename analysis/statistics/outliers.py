"""Values foreign to the rest of a normal sample (Rosner, Technometrics 25, 1983, 165)."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Floats

SIGNIFICANCE: Final = 0.01
"""Strict: a good sample of any size loses a value once in a hundred times."""


def critical_deviation(n: int, place: int, significance: float = SIGNIFICANCE) -> float:
    """Largest studentized deviate to be expected with `place - 1` values already put aside.

    Parameters
    ----------
    n
        Size of the whole sample.
    place
        1 for the farthest value, 2 for the next.
    significance
        Two-sided, of the whole sample.
    """
    from scipy.special import stdtrit

    left = n - place + 1
    t = float(stdtrit(left - 2, 1.0 - significance / (2.0 * left)))
    return (left - 1) * t / math.sqrt((left - 2 + t * t) * left)


def outliers(values: Floats, most: int, significance: float = SIGNIFICANCE) -> NDArray[np.intp]:
    """Indices of the outliers, at most `most`, by the generalized extreme studentized deviate.

    Testing up to `most` at once keeps two outliers from hiding each other.
    """
    left = np.arange(values.size)
    removed: list[int] = []
    found = 0
    for place in range(1, most + 1):
        if left.size < 3:
            break
        part = values[left]
        spread = float(part.std(ddof=1))
        if spread == 0.0:
            break
        deviation = np.abs(part - part.mean())
        farthest = int(deviation.argmax())
        removed.append(int(left[farthest]))
        if float(deviation[farthest]) / spread > critical_deviation(
            values.size, place, significance
        ):
            found = place
        left = np.delete(left, farthest)
    return np.array(removed[:found], dtype=np.intp)
