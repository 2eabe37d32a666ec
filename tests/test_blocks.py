"""Block means against numpy's, row by row."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.blocks import block_sums, known_block_means

NUMBER = st.floats(-1e3, 1e3) | st.just(float("nan"))


@given(st.lists(NUMBER, max_size=40), st.integers(1, 9))
def test_means_of_what_is_known(numbers: list[float], width: int) -> None:
    values = np.array(numbers)
    means, number = known_block_means(values, width)
    rows = values[: values.size // width * width].reshape(-1, width)
    assert means.size == number.size == len(rows)
    for mean, count, row in zip(means, number, rows, strict=True):
        known = row[~np.isnan(row)]
        assert count == known.size
        assert mean == pytest.approx(known.mean() if known.size else 0.0, abs=1e-9)


def test_sums_leave_the_values_alone() -> None:
    values = np.arange(7.0)
    assert block_sums(values, 3).tolist() == [3.0, 12.0]
    assert values.tolist() == list(range(7))
