"""Travel at the cold end that changes nothing."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.figures import all_figures
from analysis.measurement import Measurement
from tests.support.contexts import context_of
from tests.support.signals.lever_cars import Door, Lags, Log, lever_run, sweep

DOOR = Door("straight", 12.0, 91.0, 3.0)
AGREED = Measurement(0.0, "s", 0.3)


def test_registered_in_the_contract_s_unit():
    found = next(each for each in all_figures() if each.name == "dead_travel_cold")
    assert found.unit == "%"


def test_position_at_two_and_a_half_percent_of_the_span():
    run = lever_run(DOOR, Lags(), Log(), sweep(), seed=13)
    figure = context_of(run, AGREED).figure("dead_travel_cold")
    assert figure.u is not None
    assert figure.u < 1.5
    assert abs(figure.known() - (12.0 + 0.025 * 79.0)) < 3.0 * figure.u


def test_lag_is_taken_out():
    prompt = lever_run(DOOR, Lags(2.0, 2.0), Log(), sweep(10.0, 60.0), seed=14)
    slow = lever_run(DOOR, Lags(25.0, 15.0), Log(), sweep(10.0, 60.0), seed=14)
    figures = [context_of(each, AGREED).figure("dead_travel_cold") for each in (prompt, slow)]
    difference = abs(figures[0].known() - figures[1].known())
    assert difference < 2.0 * np.hypot(figures[0].u or 0.0, figures[1].u or 0.0)


@pytest.mark.parametrize("shift", [0.0, 10.0, 25.0])
def test_cable_that_falls_short_of_hot_shows_as_dead_travel_here(shift):
    door = Door("smooth", 4.0 + shift, 100.0, 1.0)
    run = lever_run(door, Lags(), Log(), sweep(), seed=15)
    figure = context_of(run, AGREED).figure("dead_travel_cold")
    assert abs(figure.known() - door.ends()[0]) < 3.0 * (figure.u or 0.0)
