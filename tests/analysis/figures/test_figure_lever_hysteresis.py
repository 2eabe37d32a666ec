"""The lever's backlash between opening and closing."""

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
    found = next(each for each in all_figures() if each.name == "lever_hysteresis")
    assert found.unit == "%"


@pytest.mark.parametrize("backlash", [0.0, 2.0, 6.0, 12.0])
def test_backlash_of_a_prompt_heater(backlash):
    door = Door("sine", 10.0 + backlash / 2, 90.0 - backlash / 2, backlash)
    run = lever_run(door, Lags(), Log(), sweep(), seed=19)
    figure = context_of(run, AGREED).figure("lever_hysteresis")
    assert figure.u is not None
    assert figure.u < 1.0
    assert abs(figure.known() - backlash) < 3.0 * figure.u


@pytest.mark.parametrize("dwell", [30.0, 60.0])
def test_lag_does_not_count_as_backlash(dwell):
    # left alone this lag would read as 8 and 2 % of travel
    run = lever_run(DOOR, Lags(22.0, 22.0), Log(), sweep(10.0, dwell), seed=20)
    figure = context_of(run, Measurement(0.0, "s", 1.0)).figure("lever_hysteresis")
    assert abs(figure.known() - 3.0) < 3.0 * (figure.u or 0.0)
    assert (figure.u or 0.0) < 2.0


def test_one_direction_shows_no_backlash():
    run = lever_run(DOOR, Lags(), Log(), sweep(back=False), seed=22)
    figure = context_of(run, AGREED).figure("lever_hysteresis")
    assert figure.value is None
    assert "sweep it both ways" in (figure.note or "")


def test_end_to_end_throws_show_no_backlash():
    moves = [(0.0, 100.0), (100.0, 0.0), (200.0, 100.0), (300.0, 0.0)]
    run = lever_run(DOOR, Lags(), Log(), moves, seed=23)
    assert context_of(run, AGREED).figure("lever_hysteresis").value is None


def test_no_lever_is_a_reason():
    time = np.arange(400.0)
    note = context_of(make_run(time, {"outlet": 50.0 + 0.0 * time})).figure("lever_hysteresis").note
    assert "neither logged nor noted" in (note or "")
