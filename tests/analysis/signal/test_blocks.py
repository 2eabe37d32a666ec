"""Block means against numpy's, row by row."""

from __future__ import annotations

from itertools import groupby

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.signal.blocks import block_sums, known_block_means, like_neighbors

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


@given(st.lists(st.integers(0, 3), min_size=1, max_size=40))
def test_neighbors_alike_are_those_the_standard_library_groups(numbers: list[int]) -> None:
    starts, counts = like_neighbors(np.array(numbers))
    sizes = [len(list(group)) for _, group in groupby(numbers)]
    assert counts.tolist() == sizes
    assert starts.tolist() == [sum(sizes[:at]) for at in range(len(sizes))]
