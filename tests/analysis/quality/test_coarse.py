"""Coarse, slow and held readings are good readings; a line drawn between two is none.

Whole degrees, one reading a second or a minute and values that a bus repeats until the next one
comes are what SAE J1979 (PID 05 in steps of 1 °C) and cheap loggers give; no sensor is at fault.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from analysis.quality import assess
from ingest.arrays import Floats
from ingest.run import Run
from tests.support.signals.runs import make_run, make_setup

from .test_quality import AMBIENT, EVENTS, car, found, lost, the, true_car


def held(time: Floats, values: Floats, every: float) -> Floats:
    """The newest of readings taken every so many seconds."""
    taken = np.floor((time - time[0]) / every) * every + time[0]
    return np.interp(taken, time, values)


def coarse(every_row: float, every_reading: float, noise: float, decimals: int) -> Run:
    time = np.arange(-60.0, 1500.0, every_row)
    random = np.random.default_rng(5)
    channels = {
        point: np.round(
            held(time, signal + random.normal(0.0, noise, time.size), every_reading), decimals
        )
        for point, signal in true_car(time).items()
    }
    run = make_run(time, channels, EVENTS, tolerance=1.0)
    sensors = {
        point: dataclasses.replace(sensor, resolution=10.0**-decimals)
        for point, sensor in run.sensors.items()
    }
    return run.with_(sensors=sensors)


@pytest.mark.parametrize("noise", [0.0, 0.05, 0.3, 1.0])
@pytest.mark.parametrize("decimals", [0, 1])
@pytest.mark.parametrize(
    ("every_row", "every_reading"),
    [(60.0, 60.0), (20.0, 20.0), (1.0, 60.0), (0.1, 60.0), (0.5, 15.0), (0.1, 1.0), (1.0, 5.0)],
)
def test_coarse_and_held_readings_are_not_accused(
    every_row: float, every_reading: float, noise: float, decimals: int
) -> None:
    told = {fault for fault, _ in found(coarse(every_row, every_reading, noise, decimals))}
    assert told <= ({"noisy"} if noise >= 1.0 else set())


@pytest.mark.parametrize("noise", [0.0, 0.05, 0.3])
@pytest.mark.parametrize("decimals", [0, 1, 2])
@pytest.mark.parametrize("seconds", [60.0, 90.0])
def test_a_level_that_a_slow_controller_holds_is_neither_stuck_nor_cut_off(
    noise: float, decimals: int, seconds: float
) -> None:
    """It holds its output and waits: the outlet, smoothed by its sensor, stands for a minute."""

    def controlled(time: Floats, channels: dict[str, Floats]) -> None:
        level = 48.0 + 3.0 * np.sin(np.floor(np.maximum(time, 0.0) / seconds) * 2.4)
        warm = time > 500.0
        channels["outlet"][warm] = np.round(level[warm], decimals)

    run = car(controlled, noise=noise, decimals=decimals)
    assert [each for each in found(run) if each[0] in {"stuck", "clipped", "came_loose"}] == []


@pytest.mark.parametrize("decimals", [1, 2])
def test_a_line_drawn_between_two_readings_is_no_reading(decimals: int) -> None:
    begin, end = 600.0, 690.0

    def drawn(time: Floats, channels: dict[str, Floats]) -> None:
        outlet, inside = channels["outlet"], (time >= begin) & (time < end)
        before = outlet[inside][0]
        line = before + 9.0 * (time[inside] - begin) / (end - begin)
        channels["outlet"][inside] = np.round(line, decimals)
        channels["outlet"][time >= end] = np.round(outlet[time >= end] - 7.0, decimals)

    run = car(drawn, rate=10.0, noise=0.1, decimals=decimals)
    assert ("interpolated", "outlet") in found(run)
    finding = the(run, "interpolated")
    assert finding.forbids
    time = run.readings["time_s"].to_numpy()
    gone = time[lost(run, "outlet")]
    assert gone.min() >= begin - 1.0
    assert gone.max() < end
    assert gone.size > 0.9 * (end - begin) * 10.0


@pytest.mark.parametrize("noise", [0.05, 0.3])
@pytest.mark.parametrize("decimals", [0, 1, 2])
@pytest.mark.parametrize("rate", [1.0, 10.0])
def test_a_fast_door_after_a_steady_warming_is_no_drawn_line(
    rate: float, noise: float, decimals: int
) -> None:
    random = np.random.default_rng(7)

    def door(time: Floats, channels: dict[str, Floats]) -> None:
        shut = (time > 400.0) & ((time // 50.0) % 2 == 1)
        read = AMBIENT + 1.0 + 0.01 * time + random.normal(0.0, noise, time.size)
        channels["outlet"][shut] = np.round(read, decimals)[shut]

    told = {fault for fault, _ in found(car(door, rate=rate, noise=noise, decimals=decimals))}
    assert "interpolated" not in told


@pytest.mark.parametrize(
    ("place", "deepest"),
    [
        ({}, 101.3),  # ISO 2533:1975: 101.325 kPa at sea level
        ({"altitude": "1500 m"}, 84.6),  # ISO 2533:1975, table 5: 84.56 kPa
        ({"barometer": "98.6 kPa"}, 98.6),
    ],
)
def test_no_vacuum_is_deeper_than_the_air(place: dict[str, str], deepest: float) -> None:
    time = np.arange(0.0, 600.0)
    for reading, impossible in ((deepest - 5.0, False), (deepest + 15.0, True)):
        values = np.where(time < 300.0, 50.0, reading) + 0.2 * np.sin(time)
        run = make_run(time, {"vacuum_source": values})
        setup = make_setup(points=("vacuum_source",))
        table = setup.run.model_copy(update=place)
        run = run.with_(setup=setup.model_copy(update={"run": table}))
        told = [each for each in assess(run).findings if each.fault == "absurd"]
        assert bool(told) is impossible
        if impossible:
            assert "the air around it" in told[0].detail
            assert f"{deepest:.1f} kPa" in told[0].detail
            _, left = assess(run).series("vacuum_source")
            assert left.max() < deepest
