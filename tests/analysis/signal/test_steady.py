"""Where a signal settles: truth by construction, coverage over many cheap signals."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from analysis.signal.approach import approach
from analysis.signal.steady import mean_level, settle
from analysis.uncertainty import mean_random, mean_variance
from ingest.arrays import Floats
from tests.support.signals.hold_runs import correlated


def drawn(
    length: float,
    step: float,
    *,
    lag: float,
    deviation: float,
    amplitude: float = 0.0,
    tau: float = 1.0,
    count: int = 60,
) -> list[Floats]:
    """Signals that settle to 40 from `amplitude` off, with correlated noise."""
    rng = np.random.default_rng(7)
    time = np.arange(0.0, length, step)
    return [
        40.0 + amplitude * np.exp(-time / tau) + correlated(rng, time.size, step, lag, deviation)
        for _ in range(count)
    ]


def covered(signals: list[Floats], step: float, truth: float = 40.0) -> float:
    """Share of the signals whose level ± 2 u holds the truth."""
    levels = [settle(signal, step) for signal in signals]
    return float(
        np.mean([abs(level.value - truth) <= 2.0 * level.random for level in levels if level])
    )


@pytest.mark.parametrize("step", [0.5, 1.0, 5.0])
@pytest.mark.parametrize(
    ("length", "lag", "deviation", "amplitude", "tau"),
    [
        (600, 0.0, 0.3, 0.0, 1.0),
        (600, 10.0, 0.3, 0.0, 1.0),
        (600, 10.0, 0.3, -40.0, 15.0),
        (600, 5.0, 0.3, -8.0, 60.0),
        (300, 5.0, 0.2, -8.0, 60.0),
        (300, 0.0, 0.2, -3.0, 150.0),
        (120, 0.0, 0.2, -20.0, 10.0),
        (1200, 30.0, 0.5, -3.0, 150.0),
    ],
)
def test_two_u_covers_the_level_it_settles_to(
    step: float, length: float, lag: float, deviation: float, amplitude: float, tau: float
) -> None:
    signals = drawn(length, step, lag=lag, deviation=deviation, amplitude=amplitude, tau=tau)
    assert covered(signals, step) >= 0.9


def test_a_settled_signal_is_known_about_as_well_as_its_mean() -> None:
    signals = drawn(600.0, 1.0, lag=0.0, deviation=0.3)
    levels = [level for signal in signals if (level := settle(signal, 1.0))]
    errors = np.array([level.value - 40.0 for level in levels])
    stated = np.array([level.random for level in levels])
    assert np.median(stated) < 0.05
    assert 0.7 < np.median(stated) / errors.std() < 3.0


def test_strong_swings_are_steady_in_the_mean() -> None:
    """A reversed hose swings the outlet by 8 K every 40 s; the mean is known far better."""
    rng = np.random.default_rng(3)
    time = np.arange(0.0, 600.0)
    for _ in range(20):
        swing = 8.0 * np.sin(2.0 * np.pi * (time / 40.0 + rng.uniform()))
        level = settle(40.0 + swing + 0.2 * rng.standard_normal(time.size), 1.0)
        assert level is not None
        assert level.random < 0.6
        assert abs(level.value - 40.0) <= 2.0 * level.random


def test_a_thermostat_that_cycles_over_minutes_is_covered() -> None:
    rng = np.random.default_rng(4)
    time = np.arange(0.0, 900.0)
    inside = []
    for _ in range(30):
        cycle = 2.0 * np.sin(2.0 * np.pi * (time / 240.0 + rng.uniform()))
        level = settle(40.0 + cycle + 0.1 * rng.standard_normal(time.size), 1.0)
        assert level is not None
        inside.append(abs(level.value - 40.0) <= 2.0 * level.random)
    assert np.mean(inside) >= 0.9


def test_a_signal_still_climbing_says_so() -> None:
    time = np.arange(0.0, 120.0)
    level = settle(0.05 * time, 1.0)
    assert level is not None
    assert level.to_come > 2.0
    assert level.random > 2.0
    assert level.rate == pytest.approx(0.05, rel=0.2)


def test_gaps_are_left_out_and_the_tail_keeps_its_place() -> None:
    rng = np.random.default_rng(5)
    time = np.arange(0.0, 600.0)
    signal = 40.0 - 30.0 * np.exp(-time / 20.0) + 0.1 * rng.standard_normal(time.size)
    signal[250:300] = np.nan
    level = settle(signal, 1.0)
    assert level is not None
    assert level.value == pytest.approx(40.0, abs=0.1)
    assert level.stop == 600
    assert 60 <= level.start <= 250


def test_too_few_samples_have_no_level() -> None:
    assert settle(np.array([1.0, np.nan, 2.0, 3.0]), 1.0) is None
    assert mean_level(np.full(50, np.nan), 1.0) is None


def test_coarse_readings_do_not_claim_more_than_their_step() -> None:
    level = settle(np.full(300, 40.0), 1.0, resolution=0.5)
    assert level is not None
    assert level.random == pytest.approx(0.5 / np.sqrt(12.0), rel=0.1)


def test_a_short_hold_is_extrapolated_to_what_it_tends_to() -> None:
    """Two approaches at once, one of them slower than half the hold."""
    rng = np.random.default_rng(6)
    time = np.arange(0.0, 120.0)
    clean = 2.0 + 40.0 * np.exp(-time / 8.0) + 4.0 * np.exp(-time / 50.0)
    inside = []
    for _ in range(40):
        noisy = clean + 0.05 * rng.standard_normal(time.size)
        level = settle(noisy, 1.0, least_s=20.0, extrapolate=True, least=0.0)
        assert level is not None
        inside.append(abs(level.value - 2.0) <= 2.0 * level.random)
    assert np.mean(inside) >= 0.9


def test_nothing_settles_below_its_floor() -> None:
    """A slow fall that would end far below the entering air is not believed to."""
    time = np.arange(0.0, 60.0)
    falling = 1.5 - 0.02 * time + 0.02 * np.random.default_rng(8).standard_normal(time.size)
    free = approach(time, falling)
    held = approach(time, falling, least=0.0)
    assert free.mean + free.ahead < -0.8
    assert held.mean + held.ahead > free.mean + free.ahead + 0.1


@pytest.mark.parametrize("tau", [20.0, 40.0, 60.0, 90.0])
def test_a_noiseless_exponential_leads_near_its_asymptote(tau: float) -> None:
    """Closed form: 40 - 5 exp(-t / tau) over 180 s."""
    time = np.arange(0.0, 180.0, 2.0)
    found = approach(time, 40.0 - 5.0 * np.exp(-time / tau))
    assert found.mean + found.ahead == pytest.approx(40.0, abs=0.6)
    left = 5.0 * np.exp(-time[-1] / tau)
    assert found.rate == pytest.approx(left / tau, abs=0.002)


def test_a_mean_that_drifts_carries_the_drift() -> None:
    """A straight line of 6 K over the window: rectangular, 6 / sqrt(12) K."""
    level = mean_level(np.linspace(20.0, 26.0, 300), 1.0)
    assert level is not None
    assert level.mean == pytest.approx(23.0)
    assert level.random == pytest.approx(6.0 / np.sqrt(12.0), rel=0.02)


def test_blocks_do_not_change_a_mean() -> None:
    values = np.random.default_rng(9).standard_normal(1000)
    level = mean_level(values, 0.5)
    assert level is not None
    assert level.mean == pytest.approx(values[-(values.size // 8 * 8) :].mean(), abs=1e-12)


def averaged(make: Callable[[np.random.Generator], Floats], count: int = 400) -> float:
    rng = np.random.default_rng(10)
    return float(np.mean([mean_variance(make(rng)) for _ in range(count)]))


def test_variance_of_the_mean_of_white_noise() -> None:
    """Sigma^2 / n, times 8/6 for Student's t with eight degrees of freedom."""
    found = averaged(lambda rng: rng.standard_normal(300))
    assert found == pytest.approx(8.0 / 6.0 / 300.0, rel=0.1)


def test_variance_of_the_mean_of_correlated_noise() -> None:
    """Sigma^2 / n (1 + r) / (1 - r) for a first-order process of lag-one correlation r."""
    r = np.exp(-1.0 / 10.0)
    found = averaged(lambda rng: correlated(rng, 1000, 1.0, 10.0, 1.0), 150)
    assert found == pytest.approx(8.0 / 6.0 / 1000.0 * (1 + r) / (1 - r), rel=0.2)


def test_rounding_counts_where_nothing_else_scatters() -> None:
    """JCGM 100:2008, F.2.2.1: a step of d is rectangular, d / sqrt(12)."""
    assert mean_random(np.full(100, 3.0), 0.1) == pytest.approx(0.1 / np.sqrt(12.0))
    assert mean_random(np.array([3.0]), 0.1) == pytest.approx(0.1 / np.sqrt(12.0))
    assert mean_random(np.zeros(0), 0.1) == np.inf
