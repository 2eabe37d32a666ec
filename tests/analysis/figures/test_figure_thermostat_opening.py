"""`thermostat_opening`: measured drives, and truth by construction."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from analysis.figures.thermostat_opening import thermostat_opening
from analysis.measurement import Measurement
from ingest.arrays import Floats
from ingest.load.load import load_run
from tests.support.contexts import context_of
from tests.support.signals.coolant_runs import engine
from tests.support.signals.runs import Event, make_run

DRIVES = Path(__file__).parents[2] / "data" / "measured" / "coolant-warmups"


def opening(time: Floats, coolant: Floats, **more: Floats) -> Measurement:
    rng = np.random.default_rng(5)
    noisy = coolant + 0.1 * rng.standard_normal(coolant.size)
    return thermostat_opening(context_of(make_run(time, {"engine_coolant": noisy, **more})))


@pytest.mark.parametrize("drive", ["2018-02-14", "2018-02-18", "2018-02-28", "2018-04-23"])
def test_measured_drives_open_within_1_5_k_of_91(drive: str) -> None:
    """The note beside the data: all four open at 91 °C, as a simple script read it."""
    run = load_run(DRIVES / f"trip-{drive}.csv", DRIVES / "run.toml")
    found = thermostat_opening(context_of(run))
    assert found.known() == pytest.approx(91.0, abs=1.5)


@pytest.mark.parametrize("drive", ["2018-02-27", "2017-07-14"])
def test_measured_drives_that_never_open(drive: str) -> None:
    run = load_run(DRIVES / f"trip-{drive}.csv", DRIVES / "run.toml")
    found = thermostat_opening(context_of(run))
    assert found.value is None
    assert found.note


@pytest.mark.parametrize("end", [560.0, 620.0, 700.0, 900.0, 980.0])
def test_drive_that_ends_early_claims_nothing(end: float) -> None:
    """The first drive halts at 59 °C for two minutes in town, and opens at 909 s only."""
    run = load_run(DRIVES / "trip-2018-02-14.csv", DRIVES / "run.toml")
    short = run.with_(readings=run.readings.filter(pl.col("time_s") <= end))
    assert thermostat_opening(context_of(short)).value is None


@pytest.mark.parametrize("opens", [71.0, 82.0, 88.0])
def test_opening_is_the_coolant_at_the_break(opens: float) -> None:
    """The wax lags 12 s behind: the coolant is that much further at the break."""
    time, coolant = engine(1500.0, opens=opens)
    rate = np.gradient(coolant)[np.argmax(coolant > opens) - 20]
    truth = opens + 12.0 * rate
    found = opening(time, coolant)
    assert found.u is not None
    assert abs(found.known() - truth) <= 2.0 * found.u
    assert found.u < 1.2


def test_engine_coming_to_its_heat_balance_has_no_opening() -> None:
    time, coolant = engine(5400.0, ambient=-5.0, power=6000.0)
    found = opening(time, coolant)
    assert found.value is None
    assert found.note is not None
    assert "heat balance" in found.note or "slowly" in found.note


def test_thermostat_that_never_closes_has_no_opening() -> None:
    time, coolant = engine(2400.0, ambient=-5.0, power=13000.0, always_open=0.06)
    assert coolant[-1] > 70.0
    assert opening(time, coolant).value is None


def test_load_that_fell_is_no_opening() -> None:
    """Warming stops at 75 °C because the car came to a halt, not because anything opened."""
    power = np.where(np.arange(1200) < 600, 12000.0, 5300.0)
    time, coolant = engine(1200.0, power=power)
    assert 70.0 < coolant[-1] < 80.0
    speed = np.where(time < 600.0, 25.0, 0.0)
    found = opening(
        time, coolant, road_speed=speed, engine_speed=np.where(time < 600, 2500.0, 800.0)
    )
    assert found.value is None
    assert found.note is not None
    assert "load fell" in found.note


def test_heater_turned_down_lifts_the_coolant_but_opens_nothing() -> None:
    """A valve that opens in proportion holds the coolant higher when the heater takes less."""
    second = np.arange(2400)
    swept = (second > 1400) & (second < 2000)
    time, coolant = engine(
        2400.0, loss=np.where(swept, 15.0, 95.0), power=12000.0, opens=82.0, radiator=150.0
    )
    assert coolant.max() > coolant[1350] + 3.0
    events = [
        (0.0, "temp_lever", 100.0),
        (1400.0, "temp_lever", 0.0),
        (2000.0, "temp_lever", 100.0),
    ]
    noisy = coolant + 0.1 * np.random.default_rng(5).standard_normal(coolant.size)
    run = make_run(time, {"engine_coolant": noisy}, events)
    found = thermostat_opening(context_of(run))
    rate = np.gradient(coolant)[np.argmax(coolant > 82.0) - 20]
    assert found.u is not None
    assert abs(found.known() - (82.0 + 12.0 * rate)) <= 2.0 * found.u


def test_warm_engine_has_no_opening_to_show() -> None:
    time, coolant = engine(900.0, start=86.0)
    found = opening(time, coolant)
    assert found.value is None
    assert found.note == "the engine was warm already when the log began"


def test_rounding_and_tolerance_are_in_the_uncertainty() -> None:
    time, coolant = engine(1500.0)
    run = make_run(time, {"engine_coolant": np.round(coolant)}, tolerance=1.0)
    found = thermostat_opening(context_of(run))
    assert found.shared == {"tolerance of engine_coolant": 1.0}
    assert found.random >= 1.0 / np.sqrt(12.0)


@pytest.mark.parametrize("knee", [80.0, 110.0, 150.0])
@pytest.mark.parametrize("lost", [110.0, 165.0, 300.0])
def test_a_sensor_lost_as_the_coolant_stops_climbing_shows_no_opening(
    knee: float, lost: float
) -> None:
    """What bridges a gap is no rest; the heater is turned down and up again within it."""
    time = np.arange(0.0, 1200.0)
    rng = np.random.default_rng(3)
    coolant = np.minimum(10.0 + 22.0 * time / knee, 32.0) + 0.05 * rng.standard_normal(time.size)
    coolant[time > lost] = np.nan
    coolant[1190:] = 28.0
    moves: list[Event] = [
        (0.0, "engine", "start"),
        (0.0, "blower", 3.0),
        (0.0, "temp_lever", 100.0),
        (600.0, "temp_lever", 40.0),
        (700.0, "temp_lever", 100.0),
    ]
    found = thermostat_opening(context_of(make_run(time, {"engine_coolant": coolant}, moves)))
    assert found.value is None
    assert found.note is not None
