"""Running means over a few samples, those not read left out."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from ingest.arrays import Floats


def smooth(values: Floats, width: int) -> Floats:
    """Centered mean over `width` samples; NaN are left out, and stay where all are NaN."""
    if width <= 1:
        return values
    valid = ~np.isnan(values)
    if valid.all():
        return np.asarray(_window_sums(values, width) / _window_sizes(values.size, width))
    number = _window_sums(valid.astype(float), width)
    total = _window_sums(np.where(valid, values, 0.0), width)
    return np.where(number > 0.0, total / np.maximum(number, 1.0), np.nan)


@lru_cache(maxsize=8)  # the channels of one run are smoothed over the same few widths
def _window_sizes(size: int, width: int) -> Floats:
    """How many samples lie in each window; shared, not to be written to."""
    return _window_sums(np.ones(size), width)


def _window_sums(values: Floats, width: int) -> Floats:
    """Sums over `width` samples about each one, those beyond the ends left out."""
    size, before = values.size, width // 2
    # the running total stands still before the first sample and after the last
    total = np.zeros(size + width + 1)
    np.cumsum(values, out=total[before + 1 : before + 1 + size])
    total[before + 1 + size :] = total[before + size]
    return np.asarray(total[width : width + size] - total[:size])
