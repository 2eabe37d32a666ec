"""Share of the lever's travel over which the temperature changes."""

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
    found = next(each for each in all_figures() if each.name == "effective_travel")
    assert found.unit == "%"


def test_straight_door_acts_over_95_percent_of_its_own_travel():
    run = lever_run(DOOR, Lags(), Log(), sweep(), seed=11)
    figure = context_of(run, AGREED).figure("effective_travel")
    # between 2.5 % and 97.5 % of 79 % of travel: 75.05 %
    assert figure.u is not None
    assert figure.u < 2.0
    assert abs(figure.known() - 0.95 * 79.0) < 3.0 * figure.u


def test_reason_is_a_sentence_where_the_lever_was_not_moved():
    time = np.arange(400.0)
    run = make_run(time, {"outlet": 50.0 + 0.0 * time}, [(0.0, "temp_lever", 100.0)])
    figure = context_of(run).figure("effective_travel")
    assert figure.value is None
    assert "not moved" in (figure.note or "")


def test_steps_too_coarse_for_the_curve_are_said():
    moves = [(0.0, 100.0), (100.0, 66.0), (160.0, 33.0), (220.0, 0.0), (280.0, 33.0)]
    moves += [(340.0, 66.0), (400.0, 100.0)]
    run = lever_run(Door("equal percentage", 20.0, 80.0, 0.0), Lags(), Log(), moves, seed=1)
    figure = context_of(run, AGREED).figure("effective_travel")
    assert figure.value is None or (figure.u or 0.0) > 3.0


def test_recirculated_air_without_its_own_sensor_is_no_reference():
    run = lever_run(DOOR, Lags(), Log(events=((-50.0, "mode", "recirculate"),)), sweep())
    sensors = {point: each for point, each in run.sensors.items() if point != "inlet_air"}
    figure = context_of(run.with_(sensors=sensors), AGREED).figure("effective_travel")
    assert "recirculated" in (figure.note or "")


@pytest.mark.parametrize("point", ["coolant_in", "inlet_air"])
def test_lever_alone_is_enough_with_a_note(point):
    run = lever_run(DOOR, Lags(), Log(), sweep(), seed=12)
    sensors = {name: each for name, each in run.sensors.items() if name != point}
    figure = context_of(run.with_(sensors=sensors), AGREED).figure("effective_travel")
    assert abs(figure.known() - 75.05) < 3.0 * (figure.u or 0.0)
    assert figure.note
