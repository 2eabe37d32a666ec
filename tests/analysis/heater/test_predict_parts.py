"""The parts of the prediction, each against its closed form: draws, rates, the fitted share.

Draws against the moments of the distributions they are drawn from (JCGM 101); the fit against the
same least squares solved by `numpy.linalg.lstsq` with the priors as further rows.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.context import Context
from analysis.heater.predict import (
    BALANCE_TAU_S,
    DRAWS,
    HELD_C,
    LAG_S,
    LIKE_S,
    LOW_C,
    LOW_SHARE,
    OVERSHOOT_K,
    PLATEAU_U_K,
    RATE_FLOOR_K_S,
    RATE_S,
    RATE_U,
    SCATTER_K,
    SEEN_S,
    SETTLING_S,
    SLOWING_U,
    _fit,
    _Now,
    _plateau,
    _rate,
    _slowing,
    _stretch,
    _taus,
)
from ingest.arrays import Floats
from tests.support.contexts import context_of
from tests.support.signals.runs import Event, make_run

FULL: list[Event] = [
    (-20.0, "temp_lever", 100.0), (-20.0, "blower", 2.0), (-20.0, "mode", "floor"),
    (0.0, "engine", "start"),
]  # fmt: skip


def rng() -> np.random.Generator:
    return np.random.default_rng(2)


def test_an_engine_far_from_its_balance_ends_at_its_thermostat_s_level() -> None:
    """Mean and variance of a mixture: of normal levels and of low ones, all alike probable."""
    found = _plateau(LOW_C[0] - 5.0, 0.0, (10.0, 0.0), None, rng())
    low = sum(LOW_C) / 2.0
    mean = (1.0 - LOW_SHARE) * HELD_C[0] + LOW_SHARE * low
    variance = (
        (1.0 - LOW_SHARE) * (HELD_C[1] ** 2 + (HELD_C[0] - mean) ** 2)
        + LOW_SHARE * ((LOW_C[1] - LOW_C[0]) ** 2 / 12.0 + (low - mean) ** 2)
        + PLATEAU_U_K**2
    )
    assert found.size == DRAWS
    assert found.mean() == pytest.approx(mean, abs=3.0 * math.sqrt(variance / DRAWS))
    assert found.std() == pytest.approx(math.sqrt(variance), rel=0.1)


def test_a_thermostat_whose_level_was_passed_is_not_this_one_s() -> None:
    found = _plateau(HELD_C[0], 0.0, (10.0, 0.0), None, rng())
    assert found.min() > HELD_C[0] - OVERSHOOT_K - 4.0 * PLATEAU_U_K
    # the upper part of a normal distribution, above its mean less 0.8 standard deviations
    cut = -OVERSHOOT_K / HELD_C[1]
    density = math.exp(-0.5 * cut**2) / math.sqrt(2.0 * math.pi)
    above = 0.5 * math.erfc(cut / math.sqrt(2.0))
    assert found.mean() == pytest.approx(HELD_C[0] + HELD_C[1] * density / above, abs=0.4)
    # hotter than any thermostat: about where it is
    found = _plateau(130.0, 0.0, (10.0, 0.0), None, rng())
    assert found.mean() == pytest.approx(130.0, abs=0.5)
    assert found.std() == pytest.approx(math.hypot(OVERSHOOT_K, PLATEAU_U_K), rel=0.1)


def test_an_engine_that_slows_down_ends_at_its_heat_balance() -> None:
    """What it still gains is rate times time constant; far below what a thermostat holds."""
    tau, rate, level, air = 900.0, 0.02, 40.0, 10.0
    found = _plateau(level, air, (rate, 0.0), (5.0 * tau, 5.0), rng())
    assert np.median(found) == pytest.approx(level + rate * tau, abs=2.0)
    # more load, more heat, in proportion to what the coolant is above the air
    spread = (np.percentile(found, 84.0) - np.percentile(found, 50.0)) / (level + rate * tau - air)
    assert spread == pytest.approx(0.12, abs=0.03)


def test_time_constants_are_log_normal() -> None:
    found = np.log(_taus(None, rng()))
    assert found.mean() == pytest.approx(math.log(BALANCE_TAU_S[0]), abs=0.05)
    assert found.std() == pytest.approx(BALANCE_TAU_S[1], rel=0.06)


@pytest.mark.parametrize(("elapsed", "logarithm"), [(300.0, 0.1), (300.0, 0.6), (900.0, 3.0)])
def test_a_warming_that_slows_tells_its_time_constant(elapsed: float, logarithm: float) -> None:
    """Bayes on a fine grid: log-normal before, normal error of the logarithm of two rates."""
    axis = np.linspace(-4.0, 4.0, 4001)
    tau = BALANCE_TAU_S[0] * np.exp(BALANCE_TAU_S[1] * axis)
    weight = np.exp(-0.5 * axis**2 - 0.5 * ((elapsed / tau - logarithm) / SLOWING_U) ** 2)
    mean = float((weight * np.log(tau)).sum() / weight.sum())
    spread = math.sqrt(float((weight * (np.log(tau) - mean) ** 2).sum() / weight.sum()))
    found = np.log(_taus((elapsed, logarithm), rng()))
    assert found.mean() == pytest.approx(mean, abs=0.12 * max(spread, 0.5))
    assert found.std() == pytest.approx(spread, rel=0.15)


@pytest.mark.parametrize("step", [1.0, 5.0, 60.0])
def test_the_share_is_that_of_least_squares_with_its_priors(step: float) -> None:
    """Without noise the scatter is the least allowed, and each `LIKE_S` counts as one reading."""
    time = np.arange(0.0, 240.0, min(step, 5.0))
    lift, slope = 30.0 + 0.1 * time + 0.001 * time**2, 0.1 + 0.002 * time
    share, offset_u = 0.7, 1.5
    rise = share * (lift - LAG_S[0] * slope)
    means, covariance = _fit(rise, lift, slope, step, offset_u)
    scatter = SCATTER_K * math.sqrt(max(1.0, LIKE_S / step))
    late_u = share * LAG_S[1]
    rows = np.column_stack([lift, -slope, np.ones_like(lift)]) / scatter
    priors = np.array([[0.0, 1.0 / late_u, 0.0], [0.0, 0.0, 1.0 / offset_u]])
    table = np.vstack((rows, priors))
    right = np.concatenate((rise / scatter, [share * LAG_S[0] / late_u, 0.0]))
    solved = np.linalg.lstsq(table, right, rcond=None)[0]
    assert means == pytest.approx(solved[[0, 2]], abs=1e-4)
    assert means == pytest.approx([share, 0.0], abs=1e-4)
    inverse = np.linalg.inv(table.T @ table)[np.ix_([0, 2], [0, 2])]
    np.testing.assert_allclose(covariance, inverse, rtol=1e-3)


def warming(time: Floats, coolant: Floats) -> Context:
    channels = {"outlet": 0.7 * coolant, "ambient": np.zeros(time.size), "engine_coolant": coolant}
    return context_of(make_run(time, channels, FULL))


@pytest.mark.parametrize("every", [1.0, 2.0, 5.0])
@pytest.mark.parametrize(("ran", "look"), [(200.0, RATE_S), (400.0, 100.0), (1200.0, 180.0)])
def test_the_latest_rate_is_that_of_a_quarter_of_the_run(
    every: float, ran: float, look: float
) -> None:
    """A minute at least, three at most; faster from there on than before."""
    time = np.arange(0.0, ran, every)
    coolant = 0.01 * time + 0.05 * np.maximum(time - (ran - look), 0.0)
    ctx = warming(time, coolant)
    rate, u = _rate(ctx, ctx.values("engine_coolant"), np.arange(ctx.grid.time.size))
    assert rate == pytest.approx(0.06, rel=0.06)
    assert u == pytest.approx(math.hypot(RATE_U * rate, RATE_FLOOR_K_S))
    # a part of it before the bend is seen at once
    bent = 0.01 * time + 0.05 * np.maximum(time - (ran - 0.6 * look), 0.0)
    ctx = warming(time, bent)
    slower, _ = _rate(ctx, ctx.values("engine_coolant"), np.arange(ctx.grid.time.size))
    assert slower < 0.9 * rate


@pytest.mark.parametrize("every", [1.0, 2.0, 5.0])
@pytest.mark.parametrize("tau", [400.0, 900.0])
def test_an_exponential_approach_slows_by_its_time_constant(every: float, tau: float) -> None:
    time = np.arange(0.0, 800.0, every)
    coolant = 90.0 * -np.expm1(-time / tau)
    ctx = warming(time, coolant)
    values = ctx.values("engine_coolant")
    last = values.size - 1
    # the rate as it is in the middle of the last minute
    rate = 90.0 / tau * math.exp(-(800.0 - RATE_S / 2.0) / tau)
    found = _slowing(ctx, values, last, rate)
    assert found is not None
    elapsed, logarithm = found
    # to then from the middle of the earlier part: the first half without its first minute
    earlier = (RATE_S + (RATE_S + 800.0) / 2.0) / 2.0
    assert elapsed == pytest.approx(800.0 - RATE_S / 2.0 - earlier, abs=2.0 * every)
    assert elapsed / logarithm == pytest.approx(tau, rel=0.05)


def test_too_short_a_warming_does_not_slow() -> None:
    for seconds, seen in ((4.0 * RATE_S - 5.0, False), (4.0 * RATE_S + 60.0, True)):
        time = np.arange(0.0, seconds)
        ctx = warming(time, 90.0 * -np.expm1(-time / 400.0))
        values = ctx.values("engine_coolant")
        assert (_slowing(ctx, values, values.size - 1, 0.1) is not None) is seen
    # a coolant that falls slows nothing
    time = np.arange(0.0, 600.0)
    ctx = warming(time, 90.0 - 0.01 * time)
    assert _slowing(ctx, ctx.values("engine_coolant"), 599, 0.1) is None


@pytest.mark.parametrize("every", [1.0, 2.0, 5.0])
def test_the_latest_four_minutes_of_full_hot_count(every: float) -> None:
    """Duct and core have followed the last change; the air is that of the last minute."""
    time = np.arange(0.0, 600.0, every)
    air = np.where(time < 540.0, 0.0, 4.0)
    channels = {"outlet": 30.0 + air, "ambient": air}
    found = _stretch(context_of(make_run(time, channels, FULL)))
    assert isinstance(found, _Now)
    assert found.places.size == round(SEEN_S / every)
    assert found.places[-1] == time.size - 1
    assert found.air == pytest.approx(4.0, abs=0.01)
    changed = [*FULL, (450.0, "blower", 3.0)]
    found = _stretch(context_of(make_run(time, channels, changed)))
    assert isinstance(found, _Now)
    first = (450.0 + SETTLING_S) / every
    assert found.places[0] == pytest.approx(first, abs=1.0)
    late = [*FULL, (520.0, "blower", 3.0)]
    assert "too little time" in str(_stretch(context_of(make_run(time, channels, late))))
    # the same blower as now, before another one: both parts count
    back = [*FULL, (400.0, "blower", 3.0), (450.0, "blower", 2.0)]
    found = _stretch(context_of(make_run(time, channels, back)))
    assert isinstance(found, _Now)
    assert found.places.size == round(SEEN_S / every)
    assert not ((found.places >= 400.0 / every) & (found.places < 490.0 / every)).any()
