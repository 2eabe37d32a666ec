"""The outlet as the lever's response: what it is compared with and where it may be used."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.lever.data import gather
from analysis.lever.path import LeverPath, NotMeasurable
from analysis.lever.response import Response, outlet_response, read_outlet
from ingest.run import Run
from tests.support.signals.runs import Event, make_run

TIME = np.arange(0.0, 600.0, 1.0)
WARM = np.full(TIME.size, 80.0)
HALF = np.full(TIME.size, 45.0)
OUTSIDE = np.full(TIME.size, 10.0)
BLOWING: list[Event] = [(-10.0, "blower", 2.0), (-10.0, "mode", "floor")]


def response(run: Run, shift: float = 0.0):
    return outlet_response(read_outlet(run), run.controls, shift)


def test_mix_fraction_where_the_coolant_is_logged():
    run = make_run(TIME, {"outlet": HALF, "inlet_air": OUTSIDE, "coolant_in": WARM}, BLOWING)
    found = response(run)
    assert found.normalized
    np.testing.assert_allclose(found.value, 0.5)
    assert found.rise_k == pytest.approx(70.0)
    assert found.notes == ()


def test_stand_ins_are_said():
    run = make_run(TIME, {"outlet": HALF, "ambient": OUTSIDE, "engine_coolant": WARM}, BLOWING)
    assert response(run).notes == (
        "ambient stands in for inlet_air",
        "engine_coolant stands in for coolant_in",
    )


def test_without_coolant_the_rise_counts_once_the_outlet_is_warm():
    outlet = np.where(TIME < 300.0, 10.0 + TIME / 6.0, 60.0)
    found = response(make_run(TIME, {"outlet": outlet, "inlet_air": OUTSIDE}, BLOWING))
    assert not found.normalized
    assert not found.usable[:200].any()
    assert found.usable[350:].all()


def test_cold_engine_does_not_count():
    coolant = np.clip(10.0 + TIME / 4.0, 10.0, 80.0)
    run = make_run(TIME, {"outlet": HALF, "inlet_air": OUTSIDE, "coolant_in": coolant}, BLOWING)
    assert not response(run).usable[: int(0.8 * 280) - 20].any()


def test_blower_off_and_engine_stopped_do_not_count():
    events: list[Event] = [*BLOWING, (100.0, "blower", 0.0), (200.0, "blower", 2.0)]
    events.append((400.0, "engine", "stop"))
    run = make_run(TIME, {"outlet": HALF, "inlet_air": OUTSIDE, "coolant_in": WARM}, events)
    usable = response(run).usable
    assert usable[50]
    assert not usable[150]
    assert usable[300]
    assert not usable[500]


def test_controls_are_read_at_the_shifted_time():
    events: list[Event] = [*BLOWING, (100.0, "blower", 0.0)]
    run = make_run(TIME, {"outlet": HALF, "inlet_air": OUTSIDE, "coolant_in": WARM}, events)
    assert not response(run).usable[105]
    assert response(run, shift=10.0).usable[105]


def test_recirculated_air_needs_its_own_sensor():
    events: list[Event] = [(-10.0, "blower", 2.0), (-10.0, "mode", "recirculate")]
    outside = {"outlet": HALF, "ambient": OUTSIDE, "coolant_in": WARM}
    with pytest.raises(NotMeasurable, match="recirculated"):
        response(make_run(TIME, outside, events))
    entering = {"outlet": HALF, "inlet_air": OUTSIDE, "coolant_in": WARM}
    assert response(make_run(TIME, entering, events)).usable.all()


def test_coolant_that_was_never_warm_is_said():
    run = make_run(
        TIME, {"outlet": HALF, "inlet_air": OUTSIDE, "coolant_in": OUTSIDE + 9.0}, BLOWING
    )
    with pytest.raises(NotMeasurable, match="never more than 15 K warmer"):
        response(run)


def test_hose_that_cools_behind_a_closed_valve_is_no_reference():
    open_valve = np.sin(TIME / 40.0) > 0.0
    outlet = np.where(open_valve, 60.0, 15.0)
    hose = np.where(open_valve, 80.0, 60.0)
    channels = {"outlet": outlet, "inlet_air": OUTSIDE, "coolant_in": hose}
    found = response(make_run(TIME, channels, BLOWING))
    assert not found.normalized
    assert "coolant_in cools when the lever is closed" in found.notes
    with_engine = response(make_run(TIME, channels | {"engine_coolant": WARM}, BLOWING))
    assert with_engine.normalized


def test_gap_of_the_coolant_is_not_bridged():
    coolant = WARM.copy()
    coolant[100:200] = np.nan
    run = make_run(TIME, {"outlet": HALF, "inlet_air": OUTSIDE, "coolant_in": coolant}, BLOWING)
    usable = response(run).usable
    assert not usable[110:190].any()
    assert usable[50]


def test_no_outlet_is_said_in_words():
    with pytest.raises(NotMeasurable, match="outlet was not logged"):
        read_outlet(make_run(TIME, {"ambient": OUTSIDE}, BLOWING))


def test_a_move_at_the_very_last_reading_of_a_state_is_a_move() -> None:
    """The lever moves where the mode does, one reading later: then only that reading shows it."""
    time = np.arange(0.0, 100.0)
    mode = (time > 60.0).astype(float)
    warm = Response(time, np.full(100, 0.5), mode[None, :], np.ones(100, bool), 70.0, True, ())
    path = LeverPath(np.array([-60.0, 60.0]), np.array([100.0, 80.0]), logged=False)
    found = gather(warm, path)
    assert found.time[-1] <= 60.0
    assert {100.0, 80.0} <= set(path.at(found.time).tolist())


def test_a_warm_up_in_which_both_climb_is_no_valve() -> None:
    """Outlet and hose climb together while the engine warms, at an open lever throughout."""
    coolant = np.clip(10.0 + TIME / 4.0, 10.0, 80.0)
    outlet = OUTSIDE + 0.5 * (coolant - OUTSIDE)
    found = response(
        make_run(TIME, {"outlet": outlet, "inlet_air": OUTSIDE, "coolant_in": coolant}, BLOWING)
    )
    assert found.normalized
    assert found.notes == ()
    np.testing.assert_allclose(found.value[found.usable], 0.5)


def test_air_recirculated_whenever_there_was_air_is_said() -> None:
    """The blower stood still for a while: that no air came then does not tell what entered."""
    events: list[Event] = [(-10.0, "blower", 2.0), (-10.0, "mode", "recirculate")]
    events += [(100.0, "blower", 0.0), (200.0, "blower", 2.0)]
    run = make_run(TIME, {"outlet": HALF, "ambient": OUTSIDE, "coolant_in": WARM}, events)
    with pytest.raises(NotMeasurable, match="recirculated"):
        response(run)
