"""Effective sample sizes against their definition, written out lag by lag."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.uncertainty import effective_size, mean_random, mean_variance


def by_definition(values: NDArray[np.float64]) -> float:
    """Geyer's initial positive sequence (Statist. Sci. 7, 1992, 473), every lag a plain sum."""
    n = values.size
    centered = values - values.mean()
    correlation = [float(centered[: n - lag] @ centered[lag:]) for lag in range(2 * (n // 2))]
    total = 0.0
    for lag in range(0, len(correlation), 2):
        pair = (correlation[lag] + correlation[lag + 1]) / correlation[0]
        if pair <= 0.0 and lag > 0:
            break
        total += pair
    return min(n, max(min(2.0, n), n / max(1.0, 2.0 * total - 1.0)))


@pytest.mark.parametrize("keep", [-0.5, 0.0, 0.8, 0.99])
@pytest.mark.parametrize("size", [4, 5, 23, 24, 25, 26, 27, 60, 400])
def test_effective_size_is_what_its_definition_says(keep: float, size: int) -> None:
    random = np.random.default_rng(size)
    values = np.zeros(size)
    for place in range(1, size):
        values[place] = keep * values[place - 1] + random.normal()
    assert effective_size(values + 40.0) == pytest.approx(by_definition(values), rel=1e-9)


@pytest.mark.parametrize("period", [30, 90, 300])
def test_swings_longer_than_the_lags_summed_first(period: int) -> None:
    values = np.sin(2.0 * np.pi * np.arange(700) / period)
    assert effective_size(values) == pytest.approx(by_definition(values), rel=1e-6)


def test_a_constant_is_as_good_as_independent() -> None:
    assert effective_size(np.full(50, 21.5)) == 50.0


def test_variance_of_the_mean_of_white_noise_is_the_variance_over_n() -> None:
    random = np.random.default_rng(5)
    found = np.mean([mean_variance(random.normal(size=64)) for _ in range(2000)])
    # Student's t with 8 degrees of freedom has 8/6 the variance of a normal one
    assert found == pytest.approx(8.0 / 6.0 / 64.0, rel=0.05)


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        # s^2 / n times f / (f - 2), JCGM 101:2008, 6.4.9.4, f = n - 1
        ([1.0, 2.0, 4.0, 5.0, 8.0], 7.5 / 5.0 * 4.0 / 2.0),
        ([1.0, 2.0, 4.0, 5.0], 10.0 / 3.0 / 4.0 * 3.0 / 1.0),
        # of two or three readings the variance of t does not exist: no more than five times
        ([1.0, 3.0], 2.0 / 2.0 * 5.0),
        ([1.0, 2.0, 6.0], 7.0 / 3.0 * 5.0),
    ],
)
def test_variance_of_the_mean_of_few_readings(values: list[float], expected: float) -> None:
    assert mean_variance(np.array(values)) == pytest.approx(expected)


@pytest.mark.parametrize("size", [6, 9, 10, 16])
def test_few_readings_state_what_student_s_t_says(size: int) -> None:
    """Monte Carlo (JCGM 101): over many small samples, the variance of t on the same freedom.

    Nine readings and fewer have n - 1 degrees of freedom; from ten on the four lowest ordinates of
    the periodogram have eight.
    """
    random = np.random.default_rng(size)
    found = np.mean([mean_variance(random.normal(size=size)) for _ in range(4000)])
    freedom = size - 1 if size < 10 else 8
    assert found == pytest.approx(freedom / (freedom - 2.0) / size, rel=0.05)


def test_one_reading_and_none() -> None:
    assert mean_random(np.array([4.0]), 0.2) == pytest.approx(0.2 / np.sqrt(12.0))
    assert np.isinf(mean_random(np.zeros(0)))


def test_rounding_does_not_average_down_where_the_readings_stand_still() -> None:
    # JCGM 100:2008, F.2.2.1: a rectangle of width d has d / sqrt(12)
    assert mean_random(np.full(100, 20.0), 1.0) == pytest.approx(1.0 / np.sqrt(12.0))


def test_rounding_averages_down_where_they_scatter_over_several_steps() -> None:
    values = np.random.default_rng(7).normal(0.0, 3.0, 400).round()
    assert mean_random(values, 1.0) < 0.3
