"""Numbers spaced by equal ratios: time constants to be tried."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from ingest.arrays import Floats


def equal_ratios(first: float, last: float, count: int) -> Floats:
    """`count` numbers (two at least) from `first` to `last`, both positive, each a ratio apart."""
    return np.asarray(first * np.exp(math.log(last / first) * _shares(count)))


@lru_cache
def _shares(count: int) -> Floats:
    """0 to 1 in equal steps; shared, not to be written to."""
    return np.linspace(0.0, 1.0, count)
