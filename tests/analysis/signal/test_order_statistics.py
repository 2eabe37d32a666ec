"""Medians and quantiles are numpy's."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from analysis.signal.order_statistics import median, quantiles

NUMBERS = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60)


@given(NUMBERS)
def test_median(numbers: list[float]) -> None:
    values = np.array(numbers)
    assert median(values) == np.median(values)
    assert values.tolist() == numbers  # left as they were


@given(NUMBERS, st.lists(st.floats(0.0, 1.0), min_size=1, max_size=4))
def test_quantiles(numbers: list[float], shares: list[float]) -> None:
    values = np.array(numbers)
    assert quantiles(values, *shares) == tuple(np.quantile(values, shares))
    assert values.tolist() == numbers
