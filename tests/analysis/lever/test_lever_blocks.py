"""Samples averaged in bins of time: worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.lever.blocks import blocks


def test_bins_with_samples_are_averaged_and_empty_ones_left_out() -> None:
    time = np.array([0.0, 0.5, 1.5, 2.0, 6.1, 7.9, 8.0])
    value = np.array([1.0, 2.0, 6.0, 5.0, 10.0, 20.0, 7.0])
    first, when, mean = blocks(time, value, 2.0)
    assert first.tolist() == [0, 3, 4, 6]
    assert when == pytest.approx([2.0 / 3.0, 2.0, 7.0, 8.0])
    assert mean == pytest.approx([3.0, 5.0, 15.0, 7.0])


def test_samples_farther_apart_than_a_bin_stay_as_they_are() -> None:
    time, value = np.array([0.0, 3.0, 6.5]), np.array([1.0, 4.0, 2.0])
    first, when, mean = blocks(time, value, 2.0)
    assert first.tolist() == [0, 1, 2]
    assert when.tolist() == time.tolist()
    assert mean.tolist() == value.tolist()


def test_nothing_gives_nothing() -> None:
    assert [each.size for each in blocks(np.zeros(0), np.zeros(0), 2.0)] == [0, 0, 0]
