"""`speed_sensitivity`: which stretches it is taken from, and from which points."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.figures.speed_sensitivity import speed_sensitivity
from analysis.measurement import Measurement
from ingest.arrays import Floats
from tests.analysis.signal.test_speed import drive
from tests.support.contexts import context_of
from tests.support.signals.runs import Event, make_run

HOT: list[Event] = [(0.0, "temp_lever", 100.0), (0.0, "blower", 3.0), (0.0, "mode", "floor")]


def channels(slope: float, seconds: float = 1200.0) -> dict[str, Floats]:
    """A warm car in traffic whose footwell answers the speed."""
    rng = np.random.default_rng(21)
    speed, rise = drive(rng, slope, lag=10.0, hold=70.0, seconds=seconds)
    return {
        "footwell": rise + 0.1 * rng.standard_normal(rise.size),
        "outlet": 60.0 + 0.1 * rng.standard_normal(rise.size),
        "ambient": np.zeros(rise.size),
        "engine_coolant": np.full(rise.size, 85.0),
        "road_speed": speed,
    }


def sensitivity(logged: dict[str, Floats], events: list[Event], **more: float) -> Measurement:
    time = np.arange(float(logged["road_speed"].size))
    return speed_sensitivity(context_of(make_run(time, logged, events, **more)))


@pytest.mark.parametrize("slope", [-0.35, 0.0, 0.1])
def test_footwell_against_speed(slope: float) -> None:
    found = sensitivity(channels(slope), HOT)
    assert found.u is not None
    assert abs(found.known() - 10.0 * slope) <= 2.0 * found.u
    assert found.unit == "K per 10 m/s"
    assert found.note is None


def test_outlet_stands_in_for_the_footwell_and_says_so() -> None:
    logged = channels(-0.3)
    logged["outlet"] = logged.pop("footwell")
    found = sensitivity(logged, HOT)
    assert found.known() == pytest.approx(-3.0, abs=2.0 * (found.u or 0.0))
    assert found.note == "from the outlet, the footwell was not logged"


def test_what_the_cabin_does_is_taken_out_above_the_air_outside() -> None:
    """Weather that changes on the way; a footwell that follows the cabin's air by eight tenths."""
    time = np.arange(1200.0)
    logged = channels(-0.3)
    air = 6.0 * np.sin(2.0 * np.pi * time / 170.0)
    cabin = 4.0 * np.sin(2.0 * np.pi * time / 90.0 + 1.0)
    logged["ambient"] = air
    logged["cabin"] = air + 10.0 + cabin
    logged["footwell"] = logged["footwell"] + air + 0.8 * cabin
    logged["outlet"], logged["engine_coolant"] = (
        logged["outlet"] + air,
        logged["engine_coolant"] + air,
    )
    found = sensitivity(logged, HOT)
    assert found.u is not None
    assert found.u < 0.7
    assert abs(found.known() + 3.0) <= 2.0 * found.u


def test_what_the_coolant_does_is_taken_out() -> None:
    """A thermostat that cycles by 8 K moves the footwell by six tenths of that at any speed."""
    time = np.arange(1200.0)
    cycle = 8.0 * np.sin(2.0 * np.pi * time / 75.0)
    logged = channels(-0.3)
    logged["engine_coolant"] = logged["engine_coolant"] + cycle
    logged["footwell"] = logged["footwell"] + 0.6 * cycle
    found = sensitivity(logged, HOT)
    assert found.u is not None
    assert abs(found.known() + 3.0) <= 2.0 * found.u
    blind = sensitivity(logged | {"engine_coolant": np.full(time.size, 85.0)}, HOT)
    assert blind.u is not None
    assert found.u < 0.8 * blind.u


def test_sensor_offsets_cancel() -> None:
    """A slope knows nothing of a thermocouple that reads 2 K high."""
    logged = channels(-0.3)
    found = sensitivity(logged, HOT)
    logged["footwell"] = logged["footwell"] + 2.0
    moved = sensitivity(logged, HOT, tolerance=1.4)
    assert moved.known() == pytest.approx(found.known(), abs=1e-6)
    assert set(moved.shared) == {"tolerance of road_speed"}


def test_time_with_the_lever_elsewhere_does_not_count() -> None:
    logged = channels(-0.3)
    logged["footwell"][700:] = 5.0 + 0.4 * logged["road_speed"][700:]
    found = sensitivity(logged, [*HOT, (700.0, "temp_lever", 0.0)])
    assert found.known() == pytest.approx(-3.0, abs=2.0 * (found.u or 0.0))


def test_minute_after_a_control_is_left_to_settle() -> None:
    logged = channels(-0.3)
    logged["footwell"][600:640] += 15.0
    found = sensitivity(logged, [*HOT, (600.0, "blower", 2.0), (601.0, "blower", 3.0)])
    assert found.known() == pytest.approx(-3.0, abs=2.0 * (found.u or 0.0))


def test_minute_after_the_lever_is_left_to_settle_whatever_tells_that_the_engine_is_warm() -> None:
    """A hose's coolant only says so while the lever is at hot: from the move on, that is."""
    for point in ("engine_coolant", "coolant_in"):
        logged = channels(-0.3)
        logged[point] = logged.pop("engine_coolant")
        logged["footwell"][300:340] += 0.5 * logged["road_speed"][300:340] - 10.0
        moves: list[Event] = [(0.0, "temp_lever", 0.0), *HOT[1:], (300.0, "temp_lever", 100.0)]
        found = sensitivity(logged, moves)
        assert found.window is not None
        assert found.window[0] >= 340.0
        assert found.known() == pytest.approx(-3.0, abs=2.0 * (found.u or 0.0))


def test_an_engine_that_becomes_warm_is_no_control_that_was_moved() -> None:
    logged = channels(-0.3)
    time = np.arange(logged["road_speed"].size)
    logged["engine_coolant"] = np.minimum(25.0 + 0.2 * time, 85.0)
    ctx = context_of(make_run(time.astype(float), logged, HOT))
    warm = float(ctx.grid.time[np.argmax(ctx.engine_warm)])
    assert warm > 200.0
    found = speed_sensitivity(ctx)
    assert found.window is not None
    assert found.window[0] == pytest.approx(warm, abs=2.0)


def test_reasons() -> None:
    logged = channels(-0.3)
    standing = {**logged, "road_speed": np.zeros(1200)}
    no_air = {point: logged[point] for point in ("footwell", "outlet", "road_speed")}
    no_body = {point: logged[point] for point in ("ambient", "road_speed", "engine_coolant")}
    cases = [
        (sensitivity(standing, HOT), "hardly changed"),
        (sensitivity(no_air, HOT), "neither outside nor inlet air"),
        (sensitivity(no_body, HOT), "neither footwell nor outlet"),
        (sensitivity(logged, [(0.0, "temp_lever", 50.0)]), "never at the hot end"),
    ]
    for found, reason in cases:
        assert found.value is None
        assert found.note is not None
        assert reason in found.note


def test_no_speed_logged() -> None:
    logged = channels(-0.3)
    time = np.arange(1200.0)
    del logged["road_speed"]
    found = speed_sensitivity(context_of(make_run(time, logged, HOT)))
    assert found.note == "the road speed was not logged"


def test_cabin_air_is_no_reference() -> None:
    """With recirculation the inlet air is the cabin's: no rise can be counted from it."""
    logged = channels(-0.3)
    logged["inlet_air"] = logged.pop("ambient")
    events: list[Event] = [*HOT[:2], (0.0, "mode", "recirculate")]
    found = sensitivity(logged, events)
    assert found.note == "cabin air was drawn in again and the outside air was not logged"
