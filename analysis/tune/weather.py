"""What the weather does to a figure, from good cars of the same family on different days."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Floats
from ingest.values import dataclass

FEWEST: Final = 10
"""Good cars needed before the weather is looked at."""

MIN_SPREAD_K: Final = 2.0
"""Ambient must differ by this standard deviation at the least."""


@dataclass(frozen=True, slots=True)
class Slope:
    """Change of a score with the ambient temperature.

    Parameters
    ----------
    per_k
        Per kelvin, shrunk by how surely it differs from none; 0 where nothing is known.
    se
        Standard error of the slope before that; NaN where it was not looked at.
    reference
        Mean ambient that scores are brought to, °C; NaN where no run has one.
    spread
        Standard deviation of the ambient, K.
    """

    per_k: float
    se: float
    reference: float
    spread: float


def ambient_slope(score: Floats, ambient: Floats, group: NDArray[np.intp]) -> Slope:
    """Fit the slope within groups.

    Parameters
    ----------
    score
        Of good cars, shape (n,).
    ambient
        °C, NaN where not logged, shape (n,).
    group
        Cars that may be compared (family), shape (n,).
    """
    known = np.isfinite(ambient)
    if not known.any():
        return Slope(0.0, math.nan, math.nan, 0.0)
    score, ambient, group = score[known], ambient[known], group[known]
    reference, spread = float(ambient.mean()), float(ambient.std())
    _, group = np.unique(group, return_inverse=True)
    count = np.bincount(group)
    x = ambient - (np.bincount(group, ambient) / count)[group]
    y = score - (np.bincount(group, score) / count)[group]
    left = score.size - count.size - 1
    square = float(x @ x)
    if left < FEWEST or math.sqrt(square / score.size) < MIN_SPREAD_K:
        return Slope(0.0, math.nan, reference, spread)
    slope = float(x @ y) / square
    se = math.sqrt(float(((y - slope * x) ** 2).sum()) / left / square)
    certainty = max(0.0, 1.0 - (se / slope) ** 2) if slope != 0.0 else 0.0
    return Slope(slope * certainty, se, reference, spread)
