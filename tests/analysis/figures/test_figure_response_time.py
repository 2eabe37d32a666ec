"""How fast the outlet answers a step of the lever."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.figures import all_figures
from analysis.lever.steps.steps import step_responses
from analysis.measurement import Measurement
from tests.support.contexts import context_of
from tests.support.signals.lever_cars import Door, Lags, Log, lever_run, sweep
from tests.support.signals.runs import make_run

DOOR = Door("straight", 12.0, 91.0, 3.0)
AGREED = Measurement(0.0, "s", 0.3)


def test_registered_in_the_contract_s_unit():
    found = next(each for each in all_figures() if each.name == "response_time")
    assert found.unit == "s"


THROWS = [(0.0, 100.0), (150.0, 0.0), (300.0, 100.0), (450.0, 0.0), (600.0, 100.0)]


@pytest.mark.parametrize(
    ("tau", "interval", "at_most"), [(2.0, 1.0, 0.6), (3.0, 0.2, 0.6), (15.0, 1.0, 1.5)]
)
def test_first_order_response_takes_its_time_constant(tau, interval, at_most):
    run = lever_run(DOOR, Lags(tau, tau), Log(interval=interval), THROWS, seed=24, rest=150.0)
    figure = context_of(run, AGREED).figure("response_time")
    assert figure.u is not None
    assert figure.u < at_most
    assert abs(figure.known() - tau) < 3.0 * figure.u
    assert "median of 4 steps" in (figure.note or "")


def test_sensor_lag_is_taken_out_only_where_it_is_known():
    lags = Lags(4.0, 4.0, sensor=3.0)
    known = lever_run(DOOR, lags, Log(), THROWS, seed=25, rest=150.0)
    unknown = lever_run(DOOR, lags, Log(known_lag=False), THROWS, seed=25, rest=150.0)
    with_lag = context_of(known, AGREED).figure("response_time")
    without = context_of(unknown, AGREED).figure("response_time")
    assert abs(with_lag.known() - 4.0) < 3.0 * (with_lag.u or 0.0)
    # two lags of 4 and 3 s in series: 63 % at 7.4 s (closed form)
    assert without.known() == pytest.approx(7.4, abs=0.6)
    assert "not taken out" in (without.note or "")


def test_median_over_both_directions():
    lags = Lags(closed=40.0, open=8.0, sensor=2.0)
    moves = [(0.0, 100.0), (300.0, 0.0), (700.0, 100.0)]
    run = lever_run(DOOR, lags, Log(), moves, seed=26, rest=200.0, heater="water-valve")
    context = context_of(run, AGREED)
    study = context.lever_study
    assert study.path is not None
    assert study.response is not None
    steps = step_responses(run, study.path, study.response, 0.3)
    opening = np.median([each.seconds for each in steps if each.change > 0.0])
    closing = np.median([each.seconds for each in steps if each.change < 0.0])
    assert closing > 2.0 * opening
    middle = 0.5 * (closing + opening)
    assert context.figure("response_time").known() == pytest.approx(middle, rel=0.05)


def test_sweep_steps_of_ten_percent_are_not_eligible():
    figure = context_of(lever_run(DOOR, Lags(), Log(), sweep(), seed=27), AGREED).figure(
        "response_time"
    )
    assert figure.value is None
    assert "no single step of the lever of 20 %" in (figure.note or "")


def test_clock_that_was_never_compared_is_in_the_uncertainty():
    run = lever_run(DOOR, Lags(), Log(), THROWS, seed=28, rest=150.0)
    compared = context_of(run, AGREED).figure("response_time").u or 0.0
    assert (context_of(run).figure("response_time").u or 0.0) > compared


def test_logged_lever_needs_no_clock():
    run = lever_run(
        DOOR, Lags(2.5, 2.5), Log(lever_logged=True, interval=0.5), THROWS, seed=29, rest=150.0
    )
    figure = context_of(run).figure("response_time")
    assert abs(figure.known() - 2.5) < 3.0 * (figure.u or 0.0)
    assert (figure.u or 1.0) < 0.45


def test_cold_engine_gives_no_response():
    time = np.arange(600.0)
    channels = {
        "outlet": 10.0 + 0.0 * time,
        "inlet_air": 5.0 + 0.0 * time,
        "coolant_in": 12.0 + 0.0 * time,
    }
    run = make_run(time, channels, [(0.0, "temp_lever", 100.0), (300.0, "temp_lever", 0.0)])
    assert "warm the engine up first" in (context_of(run).figure("response_time").note or "")
