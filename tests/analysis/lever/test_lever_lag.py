"""First-order lags as running sums."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from analysis.lever.fit.lag import Lag, make_nodes


def even_nodes(count: int, step: float, moves: list[float]):
    time = step * np.arange(count)
    return make_nodes(time, np.array([0]), np.array(moves)), time


def test_constant_lag_is_the_textbook_filter():
    nodes, time = even_nodes(400, 0.5, [-1.0])
    rng = np.random.default_rng(0)
    wanted = rng.normal(size=time.size)
    lag = Lag(nodes, np.full(time.size, 1.0 / 3.0))
    gain = 1.0 - np.exp(-0.5 / 3.0)
    state = wanted[0] * (1.0 - gain)  # so that the first output is the first value
    expected, _ = lfilter([gain], [1.0, gain - 1.0], wanted, zi=[state])
    np.testing.assert_allclose(lag.run(lag.fresh * wanted, wanted[:1]), expected, atol=1e-12)


def test_step_response_at_a_move_between_two_samples():
    nodes, time = even_nodes(60, 1.0, [-5.0, 10.3])
    level = np.array([0.0, 1.0])[nodes.active]
    lag = Lag(nodes, np.full(level.size, 1.0 / 4.0))
    response = lag.run(lag.fresh * level, level[nodes.starts])[nodes.samples]
    expected = np.where(time > 10.3, 1.0 - np.exp(-(time - 10.3) / 4.0), 0.0)
    np.testing.assert_allclose(response, expected, atol=1e-12)


def test_rate_that_changes_is_followed_interval_by_interval():
    nodes, time = even_nodes(50, 1.0, [-1.0])
    rng = np.random.default_rng(1)
    rate, wanted = rng.uniform(0.05, 2.0, time.size), rng.normal(size=time.size)
    lag = Lag(nodes, rate)
    response = lag.run(lag.fresh * wanted, np.array([0.7]))
    state, expected = 0.7, [0.7]
    for index in range(1, time.size):
        keep = np.exp(-rate[index])
        state = keep * state + (1.0 - keep) * wanted[index]
        expected.append(state)
    np.testing.assert_allclose(response, expected, atol=1e-12)


def test_fast_lag_over_a_long_record_does_not_overflow():
    nodes, time = even_nodes(5000, 2.0, [-1.0])
    lag = Lag(nodes, np.full(time.size, 5.0))
    wanted = np.sin(time / 50.0)
    response = lag.run(lag.fresh * wanted, wanted[:1])
    np.testing.assert_allclose(response, wanted, atol=1e-3)


def test_straight_signal_is_lagged_exactly():
    nodes, time = even_nodes(200, 0.7, [-1.0])
    lag = Lag(nodes, np.full(time.size, 1.0 / 6.0))
    # a ramp is followed 6 s late once the beginning has faded: t - 6 (1 - e^(-t/6))
    expected = time - 6.0 * -np.expm1(-time / 6.0)
    np.testing.assert_allclose(lag.filter(time.copy(), np.zeros(1)), expected, atol=1e-10)


def test_every_stretch_begins_anew():
    time = np.concatenate((np.arange(10.0), np.arange(100.0, 110.0)))
    nodes = make_nodes(time, np.array([0, 10]), np.array([-1.0]))
    lag = Lag(nodes, np.full(time.size, 0.5))
    response = lag.run(np.zeros(time.size), np.array([1.0, 3.0]))
    assert response[0] == 1.0
    assert response[10] == 3.0
    assert response[9] == pytest.approx(np.exp(-4.5))


def test_moves_are_merged_at_their_own_times():
    nodes, _ = even_nodes(5, 1.0, [-3.0, 1.0, 2.5])
    assert nodes.active[nodes.samples].tolist() == [0, 0, 1, 2, 2]
    assert nodes.gap.sum() == pytest.approx(4.0)
