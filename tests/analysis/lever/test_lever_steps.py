"""One response to a step of the lever, and the steps of a run."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.lever.path import lever_path
from analysis.lever.response import outlet_response, read_outlet
from analysis.lever.steps.approach import NOTHING_LATE, Late, settle_responses
from analysis.lever.steps.step import StepWindow, _level, measure_steps, without_sensor
from analysis.lever.steps.steps import step_responses
from tests.support.signals.lever_cars import Door, Lags, Log, lever_run

STEP = StepWindow(before=0.0, onset=50.0, stop=200.0, margin=1.0)


@pytest.mark.parametrize("tau", [0.5, 2.0, 3.0, 20.0])
@pytest.mark.parametrize("lag", [1.0, 3.0])
def test_sensor_is_taken_out_of_two_lags_in_series(tau, lag):
    # 63 % time of the two in series, from their closed form on a fine time axis
    time = np.linspace(0.0, 10.0 * (tau + lag), 400_001)
    if tau == lag:
        gone = (1.0 + time / tau) * np.exp(-time / tau)
    else:
        gone = (tau * np.exp(-time / tau) - lag * np.exp(-time / lag)) / (tau - lag)
    read = float(time[int(np.argmax(gone <= math.exp(-1.0)))])
    own, gain = without_sensor(read, lag)
    assert own == pytest.approx(tau, rel=0.01, abs=0.01)
    assert gain >= 0.8


def test_settled_response_of_an_unfinished_approach():
    time = np.arange(0.0, 40.0, 1.0)
    noise = np.random.default_rng(0).normal(0.0, 0.1, time.size)
    [(settled, u, _)] = settle_responses([(time, 30.0 * -np.expm1(-time / 15.0) + noise)])
    assert abs(settled - 30.0) < 3.0 * u
    assert 0.1 < u < 4.0


def test_settled_response_of_a_finished_one_is_its_level():
    time = np.arange(0.0, 60.0, 1.0)
    noise = np.random.default_rng(1).normal(0.0, 0.1, time.size)
    [(settled, u, scatter)] = settle_responses([(time, 30.0 * -np.expm1(-time / 2.0) + noise)])
    assert settled == pytest.approx(30.0, abs=0.3)
    assert u < 0.4
    assert scatter == pytest.approx(0.1, rel=0.4)


def test_known_late_share_is_added_to_a_short_hold():
    time = np.arange(0.0, 25.0, 0.5)
    fraction = 1.0 - 0.8 * np.exp(-time / 2.0) - 0.2 * np.exp(-time / 100.0)
    [(blind, u_blind, _)] = settle_responses([(time, 40.0 * fraction)])
    [(told, _, _)] = settle_responses([(time, 40.0 * fraction)], Late(0.2, 100.0))
    assert told == pytest.approx(40.0, abs=0.6)
    assert blind < 38.0 or u_blind > 1.0


def test_responses_of_unlike_lengths_do_not_touch_each_other():
    rng = np.random.default_rng(5)
    records = []
    for size, tau, height in ((12, 1.0, 30.0), (160, 20.0, -25.0), (50, 4.0, 8.0)):
        time = np.arange(size) * 0.7
        records.append((time, height * -np.expm1(-time / tau) + rng.normal(0.0, 0.1, size)))
    alone = [settle_responses([record], Late(0.1, 50.0))[0] for record in records]
    np.testing.assert_allclose(settle_responses(records, Late(0.1, 50.0)), alone, rtol=1e-6)


@pytest.mark.parametrize(("tau", "interval"), [(1.5, 1.0), (2.5, 0.2), (12.0, 2.0), (25.0, 1.0)])
def test_time_of_a_first_order_response(tau, interval):
    rng = np.random.default_rng(3)
    time = np.arange(0.3, 200.0, interval)
    response = np.where(time > 50.0, -np.expm1(-(time - 50.0) / tau), 0.0)
    outlet = 15.0 + 40.0 * response + rng.normal(0.0, 0.1, time.size)
    [found] = measure_steps(time, outlet, [STEP], 0.0, NOTHING_LATE)
    assert found is not None
    size, seconds, u, swept = found
    assert not swept
    assert size == pytest.approx(40.0, abs=0.5)
    assert abs(seconds - tau) < 3.0 * u
    assert u < 0.12 * tau + 0.3 * interval


def test_response_that_does_not_stand_out_is_none():
    rng = np.random.default_rng(4)
    time = np.arange(0.0, 200.0, 1.0)
    outlet = 15.0 + 2.0 * (time > 50.0) + rng.normal(0.0, 1.0, time.size)
    assert measure_steps(time, outlet, [STEP], 0.0, NOTHING_LATE) == [None]


@pytest.mark.parametrize(("dwell", "measured"), [(1.3, False), (2.5, True)])
def test_a_response_cut_short_may_settle_anywhere(dwell, measured):
    """Of an exponential approach 73 % are seen in 1.3 time constants, 92 % in 2.5."""
    tau = 60.0
    time = np.arange(0.0, 400.0, 1.0)
    outlet = 60.0 - 40.0 * (1.0 - np.exp(-np.maximum(time - 50.0, 0.0) / tau))
    outlet += np.random.default_rng(6).normal(0.0, 0.05, time.size)
    window = StepWindow(before=0.0, onset=50.0, stop=50.0 + dwell * tau, margin=1.0)
    (found,) = measure_steps(time, outlet, [window], 0.0, NOTHING_LATE)
    assert (found is not None) == measured


def steps_of(moves, *, log=None, lags=None):
    run = lever_run(Door(backlash=0.0), lags or Lags(), log or Log(interval=0.5), moves, rest=120.0)
    response = outlet_response(read_outlet(run), run.controls)
    return step_responses(run, lever_path(run), response, 0.3)


def test_small_steps_do_not_count():
    moves = [(0.0, 100.0), (100.0, 85.0), (200.0, 40.0), (300.0, 100.0)]
    assert [step.change for step in steps_of(moves)] == [-45.0, 60.0]


def test_quick_moves_in_one_direction_are_one_step():
    moves = [(0.0, 100.0), (100.0, 60.0), (101.5, 30.0), (200.0, 90.0)]
    first, second = steps_of(moves)
    assert first.change == -70.0
    assert first.time == pytest.approx(100.0 + 1.5 * 30.0 / 70.0)
    assert second.change == 60.0


def test_step_cut_short_by_another_control_ends_there():
    log = Log(interval=0.5, events=((205.0, "blower", 1.0),))
    moves = [(0.0, 100.0), (100.0, 0.0), (200.0, 100.0)]
    assert [step.change for step in steps_of(moves, log=log)] == [-100.0]


@pytest.mark.parametrize("size", [3, 5, 16, 40])
def test_the_level_before_a_step_is_known_as_well_as_it_scatters(size: int) -> None:
    """Monte Carlo (JCGM 101): of white noise about a level the mean has sigma over root n."""
    rng = np.random.default_rng(1)
    when = np.arange(-size, 0.0) * 0.5
    found = np.array([_level(when, 20.0 + rng.normal(0.0, 0.5, size)) for _ in range(1500)])
    assert found[:, 0].mean() == pytest.approx(20.0, abs=0.02)
    assert np.sqrt(np.mean(found[:, 1] ** 2)) == pytest.approx(found[:, 0].std(), rel=0.15)


def test_a_level_that_still_moves_is_drawn_on_to_the_step() -> None:
    rng = np.random.default_rng(2)
    when = np.arange(-40, 0.0) * 0.5
    found = np.array([_level(when, 20.0 + when + rng.normal(0.0, 0.3, 40)) for _ in range(300)])
    assert found[:, 0].mean() == pytest.approx(20.0, abs=0.1)
    assert np.mean(np.abs(found[:, 0] - 20.0) <= 2.0 * found[:, 1]) > 0.9


@pytest.mark.parametrize(("tau", "interval"), [(2.5, 0.2), (12.0, 2.0), (25.0, 1.0)])
def test_the_time_of_a_response_is_known_as_well_as_it_scatters(
    tau: float, interval: float
) -> None:
    """Monte Carlo: 2 u holds nineteen in twenty, and is no more than four times the scatter."""
    rng = np.random.default_rng(2)
    times = []
    for _ in range(100):
        time = np.arange(rng.uniform(0.0, interval), 200.0, interval)
        response = np.where(time > 50.0, -np.expm1(-(time - 50.0) / tau), 0.0)
        outlet = 15.0 + 40.0 * response + rng.normal(0.0, 0.5, time.size)
        (found,) = measure_steps(time, outlet, [STEP], 0.0, NOTHING_LATE)
        assert found is not None
        times.append((found.seconds, found.u))
    seconds, u = np.array(times).T
    assert np.mean(np.abs(seconds - tau) <= 2.0 * u) >= 0.95
    assert np.sqrt(np.mean(u**2)) < 4.0 * seconds.std()
