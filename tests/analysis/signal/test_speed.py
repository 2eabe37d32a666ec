"""The slope of a rise against road speed: truth by construction."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.signal.speed import SpeedStretch, fit_slope
from ingest.arrays import Floats


def lagged(values: Floats, lag: float) -> Floats:
    """First-order lag, second by second."""
    out, state = np.empty_like(values), values[0]
    for i, value in enumerate(values):
        state += (value - state) * (1.0 - np.exp(-1.0 / lag))
        out[i] = state
    return out


def drive(
    rng: np.random.Generator, slope: float, *, lag: float, hold: float, seconds: float = 1200.0
) -> tuple[Floats, Floats]:
    """Speed in holds, and a rise that answers it while the cabin warms through."""
    time = np.arange(seconds)
    held = rng.choice([0.0, 8.0, 15.0, 25.0], int(seconds / hold) + 1)
    speed = lagged(np.repeat(held, int(hold))[: time.size], 6.0)
    warming = 8.0 * (1.0 - np.exp(-time / rng.uniform(250.0, 600.0)))
    return speed, 30.0 + warming + slope * lagged(speed, lag)


def correlated(rng: np.random.Generator, size: int) -> Floats:
    """Scatter of the air at the feet: correlated over half a minute, plus a sensor's noise."""
    air, state = np.empty(size), 0.0
    for i in range(size):
        state = 0.97 * state + 0.06 * rng.standard_normal()
        air[i] = state
    return air + 0.15 * rng.standard_normal(size)


@pytest.mark.parametrize("lag", [2.0, 15.0, 60.0])
@pytest.mark.parametrize("slope", [-0.3, 0.0, 0.15])
def test_slope_is_found_whatever_the_lag(slope: float, lag: float) -> None:
    rng = np.random.default_rng(2)
    speed, rise = drive(rng, slope, lag=lag, hold=90.0)
    found = fit_slope([SpeedStretch(speed, rise + correlated(rng, rise.size))], 1.0)
    assert found is not None
    assert abs(found.slope - slope) <= 2.0 * found.u
    assert found.u < 0.1


def test_uncertainty_is_honest() -> None:
    rng = np.random.default_rng(12)
    scaled = []
    for _ in range(60):
        slope = rng.uniform(-0.5, 0.2)
        speed, rise = drive(rng, slope, lag=rng.uniform(2.0, 60.0), hold=rng.choice([60.0, 120.0]))
        found = fit_slope([SpeedStretch(speed, rise + correlated(rng, rise.size))], 1.0)
        assert found is not None
        scaled.append((found.slope - slope) / found.u)
    assert np.mean(np.abs(scaled) <= 2.0) >= 0.9


def test_slow_warming_is_not_laid_to_the_speed() -> None:
    """A car that drives off once and goes on warming: the plain slope would be far too large."""
    time = np.arange(900.0)
    speed = np.where(time < 450.0, 0.0, 15.0)
    rise = 20.0 + 20.0 * (1.0 - np.exp(-time / 400.0)) - 0.2 * lagged(speed, 10.0)
    plain = np.polyfit(speed, rise, 1)[0]
    found = fit_slope([SpeedStretch(speed, rise)], 1.0)
    assert plain > 0.2
    assert found is not None
    assert found.slope == pytest.approx(-0.2, abs=0.05)


def test_coolant_that_moves_with_speed_is_told_apart() -> None:
    rng = np.random.default_rng(5)
    speed, rise = drive(rng, -0.1, lag=10.0, hold=80.0)
    coolant = 85.0 + 0.25 * lagged(speed, 15.0) + 3.0 * np.sin(np.arange(speed.size) / 9.0)
    rise = rise + 0.7 * lagged(coolant - 85.0, 8.0) + 0.1 * rng.standard_normal(rise.size)
    blind = fit_slope([SpeedStretch(speed, rise)], 1.0)
    told = fit_slope([SpeedStretch(speed, rise, coolant)], 1.0)
    assert blind is not None
    assert told is not None
    assert told.slope == pytest.approx(-0.1, abs=2.0 * told.u)
    assert abs(told.slope + 0.1) < abs(blind.slope + 0.1)


def test_gaps_and_several_stretches() -> None:
    rng = np.random.default_rng(9)
    pieces = []
    for _ in range(3):
        speed, rise = drive(rng, -0.2, lag=10.0, hold=60.0, seconds=400.0)
        rise[100:130] = np.nan
        speed[200:205] = np.nan
        pieces.append(SpeedStretch(speed, rise + 0.1 * rng.standard_normal(rise.size)))
    found = fit_slope(pieces, 1.0)
    assert found is not None
    assert abs(found.slope + 0.2) <= 2.0 * found.u


@pytest.mark.parametrize("speed", [0.0, 20.0])
def test_unchanged_speed_tells_nothing(speed: float) -> None:
    time = np.arange(600.0)
    wobble = 0.1 * np.sin(time)
    assert fit_slope([SpeedStretch(speed + wobble, 30.0 + 0.0 * time)], 1.0) is None


def test_too_little_logged() -> None:
    time = np.arange(12.0)
    assert fit_slope([SpeedStretch(time, time)], 1.0) is None
    assert fit_slope([SpeedStretch(np.full(600, np.nan), np.arange(600.0))], 1.0) is None
