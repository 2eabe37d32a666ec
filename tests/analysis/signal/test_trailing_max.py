"""The largest of the last few numbers, against polars' own rolling maximum."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from analysis.signal.order_statistics import trailing_max


@pytest.mark.parametrize("count", [1, 2, 5, 59, 60, 61, 1500])
@pytest.mark.parametrize("known", [1, 2, 7, 60, 300])
def test_it_is_the_rolling_maximum(count: int, known: int) -> None:
    draw = np.random.default_rng(count * 1000 + known)
    values = np.where(draw.random(count) < 0.2, 0.0, draw.normal(size=count))
    reference = pl.Series(values).rolling_max(known, min_samples=1).to_numpy()
    assert np.array_equal(trailing_max(values, known), reference)
