"""The break in a warming curve: truth by construction."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.coolant.course import Course, heater_as_before
from analysis.coolant.opening import _after_gap, fit_break
from analysis.coolant.plateau import find_held
from analysis.coolant.study import best_opening
from analysis.signal.smoothing import smooth
from ingest.arrays import Floats
from tests.support.signals.hold_runs import correlated

STEP = 2.0


def warming(
    opens: float, rate: float, *, gain: float, lag: float, seconds: float = 700.0
) -> tuple[Floats, Floats, float]:
    """Coolant that warms at a constant rate until a wax that lags it opens a valve.

    Returns times, temperatures and the coolant's temperature as the valve leaves its seat.
    """
    dt = 0.25
    time = np.arange(0.0, seconds, dt)
    value = np.empty(time.size)
    coolant = wax = opens - 300.0 * rate
    at_break = np.nan
    for i in range(time.size):
        wax += dt / lag * (coolant - wax)
        lift = max(wax - opens, 0.0)
        if lift > 0.0 and np.isnan(at_break):
            at_break = coolant
        coolant += dt * (rate - gain * lift)
        value[i] = coolant
    every = round(STEP / dt)
    count = time.size // every * every
    means = [column[:count].reshape(-1, every).mean(axis=1) for column in (time, value)]
    return means[0], means[1], at_break


def fitted(
    time: Floats, value: Floats, noise: float, load: Floats | None = None
) -> tuple[float, float]:
    calm = smooth(value, 5)
    found = fit_break(time, value, calm, int(np.argmax(calm)), noise, load)
    assert found is not None
    return found.temperature, found.u


@pytest.mark.parametrize("rate", [0.05, 0.1, 0.2])
@pytest.mark.parametrize("lag", [8.0, 20.0])
@pytest.mark.parametrize("gain", [0.1, 0.2])
def test_break_is_where_the_valve_leaves_its_seat(rate: float, lag: float, gain: float) -> None:
    time, value, truth = warming(84.0, rate, gain=gain, lag=lag)
    rng = np.random.default_rng(1)
    temperature, u = fitted(time, value + 0.1 * rng.standard_normal(value.size), 0.1)
    assert abs(temperature - truth) <= 2.0 * u
    assert u < 2.0


def test_uncertainty_is_honest_and_not_inflated() -> None:
    """Over cars that differ: 2 u covers nine in ten at least, and errors are of the size of u."""
    rng = np.random.default_rng(7)
    errors, us = [], []
    for _ in range(120):
        time, value, truth = warming(
            rng.uniform(70.0, 92.0),
            rng.uniform(0.04, 0.2),
            gain=rng.uniform(0.1, 0.3),
            lag=rng.uniform(8.0, 25.0),
        )
        noise = rng.uniform(0.05, 0.3)
        temperature, u = fitted(time, value + noise * rng.standard_normal(value.size), noise)
        errors.append(temperature - truth)
        us.append(u)
    scaled = np.abs(errors) / np.array(us)
    assert np.mean(scaled <= 2.0) >= 0.9
    assert 0.2 < np.sqrt(np.mean(scaled**2)) < 1.3
    assert np.median(us) < 1.0


def test_uncertainty_from_noise_is_its_scatter_over_many_logs() -> None:
    """Monte Carlo (JCGM 101): one warming line, 200 logs of it that differ by their noise alone.

    The line is short and its end the only break there can be, so that nothing but noise makes the
    levels differ. First-order noise whose neighbors correlate by 1/3 is worth half as many
    independent readings, (1 + r) / (1 - r) = 2.
    """
    time, rate, noise = np.arange(0.0, 120.0, STEP), 0.05, 2.0
    peak = 23
    line = 80.0 + rate * (np.minimum(time, time[peak]) - time[peak])
    rng = np.random.default_rng(11)
    found = [
        fit_break(
            time,
            line + correlated(rng, time.size, STEP, STEP / np.log(3.0), noise),
            line,
            peak,
            noise,
            np.ones(time.size),
        )
        for _ in range(200)
    ]
    level = np.array([each.temperature for each in found if each])
    u = np.array([each.u for each in found if each])
    assert level.size == 200
    assert abs(level.mean() - 80.0) < 0.3
    # what is not noise: the shape about the break and its rounding, 0.34 K
    assert np.sqrt(np.mean(u**2) - 0.34**2) == pytest.approx(level.std(), rel=0.35)


def test_the_level_held_afterwards_says_where_about_it_opened() -> None:
    """A valve opens somewhat below the level it then holds: of two like warm-ups with much noise
    the one that comes to rest 5 K below its peak opened earlier."""
    time = np.arange(0.0, 400.0, STEP)
    rising = np.minimum(60.0 + 0.1 * time, 84.0)
    peak = int(np.argmax(rising))
    noisy = rising + np.random.default_rng(4).normal(0.0, 0.8, time.size)
    found = []
    for below in (0.0, 5.0):
        settled = np.where(np.arange(time.size) > peak + 5, 84.0 - below, rising)
        value = np.where(np.arange(time.size) > peak + 5, settled, noisy)
        each = fit_break(time, value, settled, peak, 0.8)
        assert each is not None
        found.append(each.temperature)
    assert found[1] < found[0] - 0.5


def test_whole_degrees_are_as_good_as_their_rounding() -> None:
    time, value, truth = warming(88.0, 0.2, gain=0.1, lag=10.0)
    temperature, u = fitted(time, np.round(value), 1.0 / np.sqrt(12.0))
    assert abs(temperature - truth) <= 2.0 * u


def test_known_change_of_load_is_no_break() -> None:
    """The engine works half as hard from 6 K below the opening on: without the load that bends the
    curve as an opening thermostat would; with it, the break stays where the valve opens."""
    time = np.arange(0.0, 300.0, STEP)
    slows, opens = 180.0, 240.0
    value = (
        60.0 + 0.15 * np.minimum(time, slows) + 0.075 * np.clip(time - slows, 0.0, opens - slows)
    )
    value = value - np.clip(0.15 * (time - opens), 0.0, 2.0)
    load = np.where(time < slows, 2.0, 1.0)
    truth = float(value.max())
    noisy = value + 0.1 * np.random.default_rng(3).standard_normal(value.size)
    temperature, u = fitted(time, noisy, 0.1, load)
    assert abs(temperature - truth) <= 2.0 * u
    assert temperature > truth - 1.5


def test_an_early_break_may_be_the_load_s_unless_that_is_known_to_be_steady() -> None:
    """A valve that hardly cools: for two minutes the coolant rises on by a quarter of its rate."""
    time, opens = np.arange(0.0, 400.0, STEP), 200.0
    value = 60.0 + 0.12 * np.minimum(time, opens) + 0.03 * np.clip(time - opens, 0.0, 120.0)
    value -= 0.03 * np.clip(time - opens - 120.0, 0.0, 60.0)
    noisy = value + 0.05 * np.random.default_rng(9).standard_normal(value.size)
    ripple = np.where(np.arange(time.size) % 2, 1.3, 0.7)  # as much work, but not steadily
    (_, unknown), (level, steady), (_, restless) = (
        fitted(time, noisy, 0.05, load) for load in (None, np.ones(time.size), ripple)
    )
    assert abs(level - 84.0) <= 2.0 * steady
    assert steady < 0.6 * min(unknown, restless)


def test_gap_before_the_peak_shortens_the_fit() -> None:
    time, value, truth = warming(84.0, 0.1, gain=0.1, lag=10.0)
    gapped = value.copy()
    peak = int(np.argmax(value))
    gapped[peak - 42 : peak - 32] = np.nan
    calm = smooth(value, 5)
    found = fit_break(time, gapped, calm, int(np.argmax(calm)), 0.05)
    assert found is not None
    assert found.start >= peak - 32
    assert abs(found.temperature - truth) <= 2.0 * found.u


def test_too_little_warming_gives_nothing() -> None:
    time = np.arange(0.0, 60.0, STEP)
    value = np.concatenate([np.full(3, 80.0), np.full(time.size - 3, 80.2)])
    assert fit_break(time, value, value, 3, 0.05) is None


@pytest.mark.parametrize(("idle", "balance", "held"), [
    (True, 66.0, False),
    (None, 66.0, False),
    (False, 66.0, True),
    (True, 80.0, True),
])  # fmt: skip
def test_what_an_idling_engine_falls_to_is_no_level_of_the_thermostat(
    *, idle: bool | None, balance: float, held: bool
) -> None:
    """Opened at 84 degC, then the heater is turned on: Newton's cooling to the heat balance.

    A thermostat is shut again some kelvin below where it opened: common practice, no source.
    """
    time, value, _ = warming(84.0, 0.1, gain=0.2, lag=15.0)
    after = np.arange(STEP, 1500.0, STEP)
    cooled = balance + (value[-1] - balance) * np.exp(-after / 200.0)
    rng = np.random.default_rng(3)
    whole = np.concatenate((value, cooled))
    whole = whole + 0.1 * rng.standard_normal(whole.size)
    when = np.concatenate((time, time[-1] + after))
    calm = smooth(whole, 5)
    found = fit_break(when, whole, calm, int(np.argmax(calm)), 0.1)
    assert found is not None
    stood = None if idle is None else np.full(when.size, idle)
    course = Course(STEP, when, whole, calm, 0.1, None, stood, np.zeros(when.size))
    level, why, _ = find_held(course, found, None)
    assert (level is not None) == held
    assert (why is not None and "heat balance" in why) == (not held)


IDLE_S = 1.0
"""Load of an engine that idles, as an index."""


def idling(controls: Floats, balance: Floats, seconds: float) -> Course:
    """A car that idles: Newton's law of heating toward the balance of each moment, no thermostat.

    Its engine and heater take about seven minutes, whole degrees are logged.
    """
    when = np.arange(0.0, seconds, STEP)
    value = np.empty(when.size)
    coolant = -5.0
    for i in range(when.size):
        coolant += STEP / 420.0 * (balance[i] - coolant)
        value[i] = round(coolant)
    stood = np.ones(when.size, dtype=bool)
    calm = smooth(value, 5)
    return Course(STEP, when, value, calm, 0.3, np.full(when.size, IDLE_S), stood, controls)


@pytest.mark.parametrize("balance", [55.0, 66.0, 74.0, 82.0])
def test_the_balance_of_an_idling_engine_is_no_thermostat_s(balance: float) -> None:
    count = round(2400.0 / STEP)
    course = idling(np.full(count, 100.0), np.full(count, balance), 2400.0)
    found, missing = best_opening(course, heater_as_before(course))
    assert found is None
    assert missing is not None
    # and a thermostat that is sound need not have opened below it
    assert not missing.had_to_show


@pytest.mark.parametrize("up_at", [1300.0, 1500.0, 1700.0])
def test_a_heater_turned_up_while_idling_is_no_thermostat(up_at: float) -> None:
    """Warmed with the heater at hot, turned to cold for some minutes, and to hot again."""
    when = np.arange(0.0, 2400.0, STEP)
    cold = (when > 1000.0) & (when < up_at)
    course = idling(np.where(cold, 0.0, 100.0), np.where(cold, 110.0, 58.0), 2400.0)
    assert course.smooth.max() > 65.0
    found, missing = best_opening(course, heater_as_before(course))
    assert found is None
    level, why, _ = find_held(course, found, missing)
    assert level is None
    assert why is not None


@pytest.mark.parametrize(("opens", "is_told"), [(78.0, True), (88.0, True), (71.0, False)])
def test_an_opening_seen_with_less_heat_taken_counts_only_above_any_balance(
    opens: float, *, is_told: bool
) -> None:
    """The heater is turned off while the coolant warms, and only then does the thermostat open:
    above `SURELY_C` nothing but a thermostat holds a coolant, below it a heat balance may."""
    when = np.arange(0.0, 2400.0, STEP)
    off = when > 500.0
    rng = np.random.default_rng(8)
    value = np.empty(when.size)
    coolant = -5.0
    for i, taken_off in enumerate(off):
        coolant = min(coolant + STEP / 420.0 * ((120.0 if taken_off else 95.0) - coolant), opens)
        value[i] = coolant
    value = value + 0.1 * rng.standard_normal(when.size)
    stood = np.zeros(when.size, dtype=bool)
    controls = np.where(off, 0.0, 100.0)
    course = Course(STEP, when, value, smooth(value, 5), 0.1, None, stood, controls)
    found, missing = best_opening(course, heater_as_before(course))
    assert (found is not None) == is_told
    if found is not None:
        assert course.smooth[found.peak] == pytest.approx(opens, abs=1.0)
    else:
        assert missing is not None


@pytest.mark.parametrize(("keeps", "opens"), [(0.0, True), (6.0, False)])
def test_on_the_road_a_heater_turned_up_is_a_thermostat_only_where_the_level_is_kept(
    *, keeps: float, opens: bool
) -> None:
    """A thermostat gives the radiator less and the heater more; what falls had not opened."""
    _, value, _ = warming(84.0, 0.1, gain=0.3, lag=15.0)
    top = int(np.argmax(value))
    after = np.arange(STEP, 900.0, STEP)
    rest = float(value[top - 1]) - keeps * (1.0 - np.exp(-after / 150.0))
    rng = np.random.default_rng(6)
    whole = np.concatenate((value[:top], rest))
    whole = whole + 0.1 * rng.standard_normal(whole.size)
    when = STEP * np.arange(whole.size)
    up = np.where(when < when[top] - 30.0, 0.0, 100.0)
    moving = np.zeros(when.size, dtype=bool)
    calm = smooth(whole, 5)
    course = Course(STEP, when, whole, calm, 0.1, np.full(when.size, 2.0), moving, up)
    found, missing = best_opening(course, None)
    assert (found is not None) == opens
    assert (missing is not None and "turned up" in missing.why) == (not opens)


@pytest.mark.parametrize(
    ("missing", "start", "first"),
    [
        ([(200, 260)], 0, 260),
        ([(200, 260), (300, 340)], 0, 340),  # the last long one
        ([(200, 260), (300, 310)], 0, 260),  # ten seconds are none
        ([], 40, 40),
        ([(300, 310)], 40, 40),
    ],
)
def test_what_lies_before_a_long_gap_says_nothing_of_the_opening(
    missing: list[tuple[int, int]], start: int, first: int
) -> None:
    time = np.arange(0.0, 400.0)
    value = 20.0 + 0.1 * time
    for begin, end in missing:
        value[begin:end] = np.nan
    found = _after_gap(time, value, start, 390)
    assert found == first
