"""The sensor watch on signals whose fault and moment are known by construction.

The air about a car is invented; that a sensor which changes its surroundings follows them at first
order with its own time constant is the lumped-capacity solution of any heat-transfer text.
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.watch.bins import Junction, make_seconds, width_for
from analysis.watch.judge import (
    CAME_LOOSE,
    COPIES,
    LOST,
    SILENT,
    STANDS_STILL,
    Alarm,
    judge,
)
from analysis.watch.live import Watch
from analysis.watch.places import speed_factor
from analysis.watch.still import SAME, TURNING
from ingest.arrays import Floats
from ingest.sensors.thermocouple import emf, temperature

TIME = np.arange(0.0, 700.0, 0.5)
OFF = 500.0
SIGMA = 0.1
Moves = list[tuple[float, str]]


def noisy(signal: Floats, seed: int = 0) -> Floats:
    chance = np.random.default_rng(seed)
    return np.round(signal + chance.normal(0.0, SIGMA, signal.size), 2)


def car() -> dict[str, Floats]:
    """A warming car at full hot."""
    warm = 1.0 - np.exp(-TIME / 200.0)
    return {
        "outlet": noisy(-5.0 + 60.0 * warm, 1),
        "footwell": noisy(-5.0 + 40.0 * warm, 2),
        "ambient": noisy(np.full(TIME.size, -5.0), 3),
        "coolant_in": noisy(-5.0 + 90.0 * warm, 4),
        "vacuum_source": noisy(np.full(TIME.size, 55.0), 5),
        "road_speed": np.zeros(TIME.size),
    }


def fallen(reading: Floats, to: float, lag: float, at: float = OFF) -> Floats:
    after = np.maximum(TIME - at, 0.0)
    return noisy(to + (reading - to) * np.exp(-after / lag), 9)


def alarms(
    values: dict[str, Floats], moves: Moves | None = None, **junctions: Junction
) -> list[Alarm]:
    width = width_for(TIME)
    assert width is not None
    return judge(make_seconds(TIME, values, moves or [], junctions, width))


def test_a_good_car_is_left_alone() -> None:
    assert alarms(car()) == []


@pytest.mark.parametrize(
    ("point", "to", "lag"),
    [
        ("outlet", 12.0, 3.0),
        ("coolant_in", 25.0, 8.0),
        ("footwell", 8.0, 5.0),
        ("ambient", 20.0, 6.0),
    ],
)
def test_a_sensor_that_comes_off_is_told_within_ten_seconds(
    point: str, to: float, lag: float
) -> None:
    values = car()
    values[point] = fallen(values[point], to, lag)
    found = alarms(values)
    assert [(each.point, each.kind) for each in found] == [(point, CAME_LOOSE)]
    assert OFF < found[0].told_s <= OFF + 10.0
    assert abs(found[0].since_s - OFF) <= 4.0
    assert found[0].until_s is None


def test_two_sensors_at_fault_at_once_are_both_told() -> None:
    """One falls off as the other's wire opens: neither hides the other."""
    values = car()
    values["footwell"] = fallen(values["footwell"], 8.0, 5.0)
    values["coolant_in"] = np.where(TIME >= OFF + 3.0, np.nan, values["coolant_in"])
    found = alarms(values)
    assert {(each.point, each.kind) for each in found} == {
        ("footwell", CAME_LOOSE),
        ("coolant_in", SILENT),
    }
    assert len(found) == 2


@pytest.mark.parametrize(("kind", "held"), [(SILENT, np.nan), (STANDS_STILL, -5.0)])
def test_what_stopped_is_said_to_have_stopped_when_it_did(kind: str, held: float) -> None:
    """Told some time after the last new reading, and that time is not part of the sound run."""
    values = car()
    values["ambient"] = np.where(TIME >= OFF, held, values["ambient"])
    (found,) = alarms(values)
    assert (found.point, found.kind) == ("ambient", kind)
    assert found.since_s == pytest.approx(OFF, abs=2.0)
    assert found.told_s >= OFF + 3.0
    assert found.until_s is None


def test_a_sensor_put_back_ends_its_alarm() -> None:
    values = car()
    gone = (TIME >= OFF) & (TIME < OFF + 60.0)
    values["outlet"] = np.where(gone, fallen(values["outlet"], 12.0, 3.0), values["outlet"])
    (found,) = alarms(values)
    assert found.until_s == pytest.approx(OFF + 60.0, abs=3.0)


@pytest.mark.parametrize("late", [-3.0, 0.0, 3.0])
def test_a_lever_that_was_moved_explains_a_fall(late: float) -> None:
    values = car()
    values["outlet"] = fallen(values["outlet"], 0.0, 8.0)
    assert alarms(values, [(OFF + late, "temp_lever")]) == []


def test_cold_coolant_is_no_sensor_that_fell_off() -> None:
    """A slug of cold water shows in the hose, and in the outlet behind it."""
    values = car()
    slug = 25.0 * np.exp(-(((TIME - OFF) / 10.0) ** 2))
    values["coolant_in"] = values["coolant_in"] - slug
    values["outlet"] = values["outlet"] - np.interp(TIME - 3.0, TIME, 0.7 * slug)
    assert alarms(values) == []


def test_an_outlet_that_fluctuates_is_no_sensor_that_fell_off() -> None:
    values = car()
    swing = 4.0 * np.clip(TIME / 200.0, 0.0, 1.0) * np.sin(2.0 * np.pi * TIME / 25.0)
    values["outlet"] = values["outlet"] + swing
    assert alarms(values) == []


def test_while_the_car_speeds_up_more_is_asked_for() -> None:
    """From a stand to 15 m/s, half a meter a second faster every second: none of it in one bin."""
    values = car() | {"road_speed": np.interp(TIME, [400.0, 430.0], [0.0, 15.0])}
    width = width_for(TIME)
    assert width is not None
    seconds = make_seconds(TIME, values, [], {}, width)
    faster = (seconds.ends > 410.0) & (seconds.ends < 430.0)
    steady = (seconds.ends < 400.0) | (seconds.ends > 460.0)
    for point in ("footwell", "outlet"):
        factor = speed_factor(seconds, point)
        assert (factor[faster] > 1.5).all()
        assert (factor[steady] == 1.0).all()
    assert (speed_factor(seconds, "ambient") == 1.0).all()
    # where nobody logged it the car may have been driven at any time
    del values["road_speed"]
    unknown = make_seconds(TIME, values, [], {}, width)
    assert (speed_factor(unknown, "footwell") > 1.5).all()
    assert (speed_factor(unknown, "coolant_in") == 1.0).all()


def test_a_return_hose_that_cools_as_the_engine_slows_down_is_no_loose_sensor() -> None:
    """Less water flows and gives off more of its heat (effectiveness by transfer units)."""
    warm = 1.0 - np.exp(-TIME / 200.0)
    slower = np.interp(TIME, [OFF, OFF + 10.0], [0.0, 1.0])
    speed = noisy(1700.0 - 900.0 * slower, 11)
    back = 65.0 * warm - 6.5 * (1.0 - np.exp(-np.maximum(TIME - OFF - 4.0, 0.0) / 4.0))
    values = car() | {"engine_speed": speed, "coolant_out": noisy(back, 12)}
    assert alarms(values) == []
    # the same fall while the pump turns as before
    values["engine_speed"] = noisy(np.full(TIME.size, 1700.0), 11)
    assert [(each.point, each.kind) for each in alarms(values)] == [("coolant_out", CAME_LOOSE)]
    # and one that falls off meanwhile falls further
    values["engine_speed"] = speed
    values["coolant_out"] = fallen(noisy(65.0 * warm, 12), 15.0, 7.0)
    (found,) = alarms(values)
    assert (found.point, found.kind) == ("coolant_out", CAME_LOOSE)
    assert found.told_s <= OFF + 10.0
    # whoever logs neither speed is asked for as much at any time
    seconds = make_seconds(TIME, {"coolant_out": values["coolant_out"]}, [], {}, 1.0)
    assert (speed_factor(seconds, "coolant_out") > 1.5).all()


def test_an_open_wire_is_told() -> None:
    values = car()
    values["footwell"] = np.where(TIME < OFF, values["footwell"], np.nan)
    (found,) = alarms(values)
    assert (found.point, found.kind) == ("footwell", SILENT)
    assert OFF < found.told_s <= OFF + 6.0


def test_a_logger_that_pauses_is_no_open_wire() -> None:
    kept = (TIME < OFF) | (TIME > OFF + 8.0)
    values = {point: each[kept] for point, each in car().items()}
    assert judge(make_seconds(TIME[kept], values, [], {}, 1.0)) == []


def test_a_channel_that_sticks_is_told() -> None:
    values = car()
    values["coolant_in"] = np.where(TIME < OFF, values["coolant_in"], 80.0)
    (found,) = alarms(values)
    assert (found.point, found.kind) == ("coolant_in", STANDS_STILL)
    assert OFF < found.told_s <= OFF + 10.0


def test_whole_degrees_and_calm_channels_may_stand_still() -> None:
    values = car()
    values["footwell"] = np.round(values["footwell"])
    values["ambient"] = np.full(TIME.size, -5.0)
    assert alarms(values) == []


def test_a_voltage_that_sticks_under_a_moving_cold_junction_is_told() -> None:
    """The temperature goes on moving, with the junction; the voltage behind it does not."""
    values = car()
    junction = np.round(18.0 + 0.01 * TIME, 2)
    volts = np.round(emf("K", values["outlet"]) - emf("K", junction), 4)
    volts = np.where(TIME < OFF, volts, volts[np.argmax(TIME >= OFF)])
    values["outlet"] = temperature("K", volts, junction)
    values["cold_junction"] = junction
    after = values["outlet"][TIME >= OFF]
    assert np.unique(after).size > 100
    found = alarms(values, outlet=Junction("K", "cold_junction"))
    assert [(each.point, each.kind) for each in found] == [("outlet", STANDS_STILL)]
    assert found[0].told_s <= OFF + 10.0


def test_a_thermocouple_shorted_at_the_logger_copies_its_cold_junction() -> None:
    values = car()
    junction = noisy(np.full(TIME.size, 19.0), 6)
    values["outlet"] = np.where(TIME < OFF, values["outlet"], junction)
    values["cold_junction"] = junction
    found = alarms(values)
    assert ("outlet", COPIES) in [(each.point, each.kind) for each in found]


def test_a_gauge_whose_hose_comes_off_is_told() -> None:
    values = car()
    values["vacuum_source"] = noisy(np.where(TIME < OFF, 55.0, 0.0), 7)
    (found,) = alarms(values)
    assert (found.point, found.kind) == ("vacuum_source", LOST)
    assert found.told_s <= OFF + 10.0
    assert alarms(values, [(OFF - 1.0, "vacuum_isolated")]) == []


def test_nothing_is_judged_by_what_came_later() -> None:
    values = car()
    values["outlet"] = fallen(values["outlet"], 12.0, 3.0)
    whole = alarms(values)
    for end in (OFF + 2.0, OFF + 6.0, OFF + 12.0, OFF + 60.0):
        rows = end > TIME
        cut = {point: each[rows] for point, each in values.items()}
        found = judge(make_seconds(TIME[rows], cut, [], {}, 1.0))
        told = [each for each in whole if each.told_s <= end]
        assert [(each.point, each.told_s) for each in found] == [
            (each.point, each.told_s) for each in told
        ]


@pytest.mark.parametrize(("turning", "same"), list(zip(TURNING, SAME, strict=True))[1:])
def test_rounded_noise_repeats_no_more_often_than_its_turns_allow(
    turning: float, same: float
) -> None:
    """Normal noise on every place between two steps: who turns back this often repeats so rarely.

    By simulation; the shares of rounded normal noise have no simple closed form.
    """
    chance = np.random.default_rng(1)
    for sigma in np.linspace(0.2, 2.5, 24):
        for place in (0.0, 0.25, 0.5):
            steps = np.diff(np.round(place + sigma * chance.standard_normal(40_000)))
            if np.mean(steps[1:] * steps[:-1] < 0) >= turning + 0.01:
                assert np.mean(steps == 0) <= same + 0.02, (sigma, place)


def watched(values: dict[str, Floats], moves: Moves, until: float) -> Watch:
    watch = Watch(tuple(values), {})
    for row in np.flatnonzero(until > TIME):
        now = float(TIME[row])
        watch.moved(move for move in moves if move[0] <= now)
        watch.add(now, {point: (float(each[row]), now) for point, each in values.items()})
        if row % 4 == 0:
            watch.alarms(now)
    return watch


def test_the_watch_beside_a_recording_tells_and_takes_back() -> None:
    values = car()
    values["outlet"] = fallen(values["outlet"], 12.0, 3.0)
    watch = watched(values, [], OFF + 10.0)
    assert [each.point for each in watch.alarms(OFF + 10.0)] == ["outlet"]
    watch.moved([(OFF - 1.0, "temp_lever")])  # noted late: it was the lever
    assert watch.alarms(OFF + 12.0) == []


def test_an_alarm_that_was_looked_into_does_not_come_back() -> None:
    values = car()
    values["outlet"] = fallen(values["outlet"], 12.0, 3.0)
    watch = watched(values, [], OFF + 10.0)
    assert watch.dismiss() == 1
    assert watch.alarms(OFF + 12.0) == []


def test_a_sensor_put_back_beside_a_recording_is_good_again() -> None:
    values = car()
    gone = (TIME >= OFF) & (TIME < OFF + 40.0)
    values["outlet"] = np.where(gone, fallen(values["outlet"], 12.0, 3.0), values["outlet"])
    watch = watched(values, [], OFF + 30.0)
    assert len(watch.alarms(OFF + 30.0)) == 1
    watch = watched(values, [], OFF + 60.0)
    assert watch.alarms(OFF + 60.0) == []
