"""The coolant late in a run: what its level says of the thermostat, and where it says nothing.

The coolest thermostats open at 160 °F, 71 °C, less a tolerance; above 74 °C no heat balance looks
like one; a measured healthy car rested 15 K and more below its thermostat in the cold
(tests/data/measured). Whether a thermostat had to show is given here, not found.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from analysis.causes.evidence import evidence_of
from analysis.causes.signs.coolant_late import (
    late_level,
    rest_on_the_road,
    rests_far_below,
    stayed_cool,
    warmed_standing,
)
from analysis.measured import Measured
from analysis.measurement import Measurement
from analysis.pipeline import judge_measured, measure
from ingest.load.load import load_run
from tests.support.signals.hold_runs import PLATEAU, heater_run, warming


@cache
def run_of(
    level: float, speed: float | None, seconds: float = 1500.0, *, shows: bool = False
) -> Measured:
    """A run whose coolant comes to rest at `level`, at a constant speed."""
    time = np.arange(-60.0, seconds)
    extra = {"engine_coolant": (level - PLATEAU) * warming(time)}
    if speed is not None:
        extra["road_speed"] = np.full(time.size, speed)
    found = measure(heater_run(seconds, extra=extra))
    vars(found.context)["coolant"] = replace(found.context.coolant, had_to_show=shows)
    return found


def cool(run: Measured, *, driven: bool) -> bool | None:
    return stayed_cool(run, rest_on_the_road(run), driven=driven)


def far_below(run: Measured) -> bool | None:
    return rests_far_below(run, rest_on_the_road(run))


@pytest.mark.parametrize(
    ("level", "speed", "u"),
    [
        (85.0, 15.0, 0.3),  # its readings scatter, its sensor was compared while cold
        (85.0, None, 0.3),
        (85.0, 0.0, 0.3),
        (71.0, 15.0, 15.0),  # it may be a sound engine's heat balance
        (71.0, 3.0, None),  # ... and is one where the car hardly moved
        (71.0, None, None),
        (60.0, 15.0, None),  # below any thermostat: it is only told that it stayed cool
    ],
)
def test_the_level_and_how_much_it_says(level: float, speed: float | None, u: float | None) -> None:
    found = late_level(run_of(level, speed))
    if u is None:
        assert found is None
    else:
        assert found is not None
        assert found[0] == pytest.approx(level, abs=0.5)
        assert found[1] == pytest.approx(u, abs=0.2)


@pytest.mark.parametrize(
    ("level", "speed", "on_the_road", "standing"),
    [
        (60.0, 15.0, True, None),
        (60.0, 3.0, None, True),
        (60.0, None, None, True),  # nobody knows: not held against a driven car
        (85.0, 15.0, False, None),
        (85.0, 0.0, None, False),
    ],
)
def test_each_car_is_held_against_its_like(
    level: float, speed: float | None, on_the_road: object, standing: object
) -> None:
    run = run_of(level, speed)
    assert cool(run, driven=True) is on_the_road
    assert cool(run, driven=False) is standing


def test_where_a_thermostat_had_to_show_the_level_tells_for_itself() -> None:
    run = run_of(60.0, 15.0, shows=True)
    found = late_level(run)
    assert found is not None
    assert found[0] == pytest.approx(60.0, abs=0.5)
    assert found[1] < 0.5
    assert cool(run, driven=True) is None


def test_a_short_run_had_no_time_to_warm() -> None:
    run = run_of(60.0, 5.0, 880.0)
    assert late_level(run) is None
    assert cool(run, driven=True) is None
    assert cool(run, driven=False) is None


def test_a_coolant_that_rests_on_the_road_needs_no_longer() -> None:
    assert cool(run_of(50.0, 15.0, 880.0), driven=True) is True
    assert cool(run_of(50.0, 15.0, 300.0), driven=True) is None
    assert cool(run_of(90.0, 15.0, 880.0), driven=True) is None


@pytest.mark.parametrize(
    ("level", "speed", "far"),
    [
        (30.0, 20.0, True),  # 30 K above the air at 20 m/s
        (58.0, 12.0, False),  # a measured healthy car: 60 K at 12 m/s, 78 K at 27 m/s
        (58.0, 25.0, False),  # 58 K at 25 m/s: not far from what it did
        (30.0, 10.0, None),  # too slow to tell
        (90.0, 20.0, None),
    ],
)
def test_lower_than_any_engine_rests(level: float, speed: float, *, far: bool | None) -> None:
    """Air outside at 0 °C; the measured car is of tests/data/measured (doi 10.35097/1130)."""
    assert far_below(run_of(level, speed)) is far


DRIVES = Path(__file__).parents[3] / "data" / "measured" / "coolant-warmups"


@pytest.mark.parametrize("drive", sorted(path.name for path in DRIVES.glob("*.csv")))
def test_no_measured_drive_of_a_healthy_car_rests_far_below(drive: str) -> None:
    """doi 10.35097/1130, CC BY 4.0: two of the nine never reach their thermostat."""
    found = measure(load_run(DRIVES / drive, setup=DRIVES / "run.toml"))
    assert far_below(found) is not True


def test_the_late_level_stands_in_for_a_plateau_that_is_missing() -> None:
    run = run_of(85.0, 15.0)
    without = {name: each for name, each in run.figures.items() if name != "coolant_plateau"}
    found = evidence_of(replace(run, figures=without)).figures
    assert found["coolant_reached"] == late_level(run)
    plateau = without | {"coolant_plateau": Measurement(85.0, "°C", 0.5)}
    assert "coolant_reached" not in evidence_of(replace(run, figures=plateau)).figures


@pytest.mark.parametrize(
    ("speed", "most"), [(0.0, 2400.0), (0.5, 2400.0), (3.0, 1200.0), (15.0, 1200.0), (None, 1200.0)]
)
def test_an_engine_that_warmed_up_standing_has_twice_the_time(
    speed: float | None, most: float
) -> None:
    """An idling engine gives half the heat or less: common practice, no source."""
    found = run_of(85.0, speed)
    assert warmed_standing(found) == (most > 1200.0)
    limit = judge_measured(found).judged["warm_up_time"].limit
    assert limit is not None
    assert limit.high == most


def test_who_drives_off_after_idling_briefly_did_not_warm_up_standing() -> None:
    time = np.arange(-60.0, 1500.0)
    moving = np.where((time > 120.0) & (time < 900.0), 12.0, 0.0)
    found = measure(heater_run(1500.0, extra={"road_speed": moving}))
    assert not warmed_standing(found)


def test_a_coolant_that_still_climbs_has_reached_nothing_yet() -> None:
    """At 0.02 K/s another five minutes bring 6 K."""
    time = np.arange(-60.0, 1500.0)
    rested = run_of(80.0, 15.0)
    extra = {
        "engine_coolant": (80.0 - PLATEAU) * warming(time) + 0.02 * np.maximum(time - 900.0, 0.0),
        "road_speed": np.full(time.size, 15.0),
    }
    climbed = measure(heater_run(1500.0, extra=extra))
    vars(climbed.context)["coolant"] = replace(climbed.context.coolant, had_to_show=False)
    levels = [late_level(each) for each in (rested, climbed)]
    assert levels[0] is not None
    assert levels[1] is not None
    assert levels[0][1] < 1.0
    assert levels[1][1] > 6.0
