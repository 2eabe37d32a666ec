"""Travel at the hot end that changes nothing."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.figures import all_figures
from analysis.measurement import Measurement
from tests.support.contexts import context_of
from tests.support.signals.lever_cars import Door, Lags, Log, lever_run, sweep
from tests.support.signals.runs import make_run

DOOR = Door("straight", 12.0, 91.0, 3.0)
AGREED = Measurement(0.0, "s", 0.3)


def test_registered_in_the_contract_s_unit():
    found = next(each for each in all_figures() if each.name == "dead_travel_hot")
    assert found.unit == "%"


def test_what_is_left_beyond_97_5_percent_of_the_span():
    run = lever_run(DOOR, Lags(), Log(), sweep(), seed=16)
    figure = context_of(run, AGREED).figure("dead_travel_hot")
    assert figure.u is not None
    assert figure.u < 1.5
    assert abs(figure.known() - (9.0 + 0.025 * 79.0)) < 3.0 * figure.u


@pytest.mark.parametrize("shift", [0.0, 10.0, 25.0])
def test_cable_that_falls_short_of_cold_shows_as_dead_travel_here(shift):
    door = Door("smooth", 0.0, 96.0 - shift, 1.0)
    run = lever_run(door, Lags(), Log(), sweep(), seed=17)
    figure = context_of(run, AGREED).figure("dead_travel_hot")
    assert abs(figure.known() - door.ends()[1]) < 3.0 * (figure.u or 0.0)


def test_sums_with_the_others_to_the_whole_travel():
    context = context_of(lever_run(DOOR, Lags(), Log(), sweep(), seed=18), AGREED)
    names = ("dead_travel_cold", "effective_travel", "dead_travel_hot")
    assert sum(context.figure(name).known() for name in names) == pytest.approx(100.0)


def test_unusable_outlet_is_a_reason():
    time = np.arange(400.0)
    run = make_run(time, {"ambient": 5.0 + 0.0 * time}, [(0.0, "temp_lever", 100.0)])
    assert context_of(run).figure("dead_travel_hot").note == "the outlet was not logged"
