"""`coolant_plateau`: measured drives, and truth by construction."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analysis.figures.coolant_plateau import coolant_plateau
from analysis.measurement import Measurement
from ingest.arrays import Floats
from ingest.load.load import load_run
from tests.support.contexts import context_of
from tests.support.signals.coolant_runs import engine
from tests.support.signals.runs import make_run

DRIVES = Path(__file__).parents[2] / "data" / "measured" / "coolant-warmups"


def plateau(
    time: Floats, coolant: Floats, point: str = "engine_coolant", **more: Floats
) -> Measurement:
    rng = np.random.default_rng(11)
    noisy = coolant + 0.1 * rng.standard_normal(coolant.size)
    return coolant_plateau(context_of(make_run(time, {point: noisy, **more})))


@pytest.mark.parametrize(
    ("drive", "low", "high"),
    [
        ("2018-02-14", 89.0, 91.0),
        ("2018-02-28", 86.0, 87.0),
        ("2018-02-18", 90.0, 90.0),
        ("2018-04-23", 91.0, 91.0),
    ],
)
def test_measured_drives_within_1_5_k_of_the_plateau_read_by_eye(
    drive: str, low: float, high: float
) -> None:
    """Plateaus as the note beside the data gives them, read by eye."""
    run = load_run(DRIVES / f"trip-{drive}.csv", DRIVES / "run.toml")
    found = coolant_plateau(context_of(run))
    assert low - 1.5 <= found.known() <= high + 1.5
    assert found.u is not None
    assert abs(found.known() - 0.5 * (low + high)) <= 2.0 * found.u


@pytest.mark.parametrize(
    ("drive", "reason"),
    [("2018-02-27", "heat balance"), ("2017-07-14", "too short to tell")],
)
def test_drives_whose_thermostat_never_opened_have_no_plateau(drive: str, reason: str) -> None:
    """The note beside the data: flat parts at 58 to 64 °C and at 79 °C are heat balance."""
    run = load_run(DRIVES / f"trip-{drive}.csv", DRIVES / "run.toml")
    found = coolant_plateau(context_of(run))
    assert found.value is None
    assert found.note is not None
    assert reason in found.note


def test_sagging_plateau_carries_its_spread() -> None:
    """The over-cooled drive wanders by some kelvin with load: that is in its uncertainty."""
    run = load_run(DRIVES / "trip-2018-02-28.csv", DRIVES / "run.toml")
    sagging = coolant_plateau(context_of(run))
    run = load_run(DRIVES / "trip-2018-02-18.csv", DRIVES / "run.toml")
    steady = coolant_plateau(context_of(run))
    assert sagging.random > 2.0
    assert steady.random < 1.5


@pytest.mark.parametrize("opens", [71.0, 82.0, 90.0])
def test_plateau_of_a_regulating_thermostat(opens: float) -> None:
    time, coolant = engine(1500.0, opens=opens)
    found = plateau(time, coolant)
    assert abs(found.known() - coolant[-300:].mean()) <= 0.3
    assert found.note is None


def test_summer_and_winter_thermostat_differ_by_their_difference() -> None:
    """160 °F against 180 °F, 11.1 K (common practice, no source), less what the load adds."""
    summer, winter = (
        plateau(*engine(1500.0, opens=opens)).known()
        for opens in ((160 - 32) / 1.8, (180 - 32) / 1.8)
    )
    assert winter - summer == pytest.approx(20 / 1.8, abs=0.5)


def test_warm_restart_is_measured_though_no_opening_is_seen() -> None:
    power = 9000.0 + 4000.0 * np.sin(np.arange(900) / 40.0)
    time, coolant = engine(900.0, start=86.0, opens=84.0, power=power)
    speed = np.clip(12.0 + 12.0 * np.sin(np.arange(900) / 40.0), 0.0, None)
    found = plateau(time, coolant, road_speed=speed, engine_speed=1200.0 + 50.0 * speed)
    assert abs(found.known() - coolant[120:].mean()) <= 0.7
    assert found.note is not None
    assert "warm already" in found.note


def test_idling_in_the_cold_is_a_heat_balance() -> None:
    """3.6 kW against 70 W/K at -8 °C: flat at 43 °C for ever, which is no thermostat."""
    time, coolant = engine(5400.0, ambient=-8.0, power=3600.0)
    assert np.ptp(coolant[-900:]) < 0.5
    idle = np.full(time.size, 850.0)
    found = plateau(time, coolant, engine_speed=idle, road_speed=np.zeros(time.size))
    assert found.value is None
    assert found.note is not None
    assert "heat" in found.note


def test_thermostat_that_never_closes_is_reported_with_a_remark() -> None:
    time, coolant = engine(2400.0, ambient=-5.0, power=11000.0, always_open=0.08)
    revs = np.full(time.size, 2000.0)
    found = plateau(time, coolant, engine_speed=revs)
    assert found.known() == pytest.approx(-5.0 + 11000.0 / (70.0 + 0.08 * 1500.0), abs=1.0)
    assert found.note is not None
    assert "heat balance" in found.note


def test_still_warming_is_not_measured() -> None:
    time, coolant = engine(300.0)
    found = plateau(time, coolant)
    assert found.value is None
    assert found.note is not None
    assert "still warming" in found.note


@pytest.mark.parametrize(("rate", "measured"), [(0.5, False), (0.1, True)])
def test_a_coolant_that_creeps_on_is_no_plateau(rate: float, *, measured: bool) -> None:
    """Driven, warm from the start and no opening seen: 0.5 K/min for eight minutes is no level."""
    time = np.arange(1.0, 481.0)
    coolant = 78.0 + rate / 60.0 * time
    driven = {"road_speed": np.full(time.size, 15.0), "engine_speed": np.full(time.size, 2000.0)}
    found = plateau(time, coolant, **driven)
    assert (found.value is not None) == measured
    if not measured:
        assert "still changing by +0.5 K/min" in (found.note or "")


def test_no_coolant_logged() -> None:
    time = np.arange(0.0, 300.0)
    found = coolant_plateau(context_of(make_run(time, {"outlet": 20.0 + 0.0 * time})))
    assert found.value is None
    assert found.note == "no coolant temperature was logged"


def test_coolant_after_the_engine_stopped_does_not_count() -> None:
    _, coolant = engine(1400.0)
    cooling = coolant[-1] - 0.05 * np.arange(1.0, 601.0)
    whole = np.concatenate([coolant, cooling])
    times = np.arange(1.0, whole.size + 1.0)
    run = make_run(
        times, {"engine_coolant": whole}, [(0.0, "engine", "start"), (1400.0, "engine", "stop")]
    )
    assert coolant_plateau(context_of(run)).known() == pytest.approx(coolant[-300:].mean(), abs=0.3)


def test_supply_hose_needs_flow_through_the_heater() -> None:
    """With the water valve shut the hose cools down; those readings are left out."""
    time, coolant = engine(1800.0)
    shut = time > 1500.0
    hose = np.where(shut, coolant - 0.1 * (time - 1500.0), coolant)
    events = [(0.0, "temp_lever", 100.0), (1500.0, "temp_lever", 0.0)]
    run = make_run(time, {"coolant_in": hose}, events, heater="water-valve")
    assert coolant_plateau(context_of(run)).known() == pytest.approx(coolant[-300:].mean(), abs=0.3)


def test_plateau_is_that_of_the_heater_as_it_was_set() -> None:
    """With the lever swept to the cold end the coolant is some kelvin higher: that is not it, but
    it is in the uncertainty."""
    second = np.arange(2400)
    swept = (second > 1400) & (second < 2000)
    time, coolant = engine(2400.0, loss=np.where(swept, 15.0, 95.0), power=12000.0, radiator=150.0)
    sweep = [(0.0, "temp_lever", 100.0), (1400.0, "temp_lever", 0.0), (2000.0, "temp_lever", 100.0)]
    found = coolant_plateau(context_of(make_run(time, {"engine_coolant": coolant}, sweep)))
    assert coolant[1500:1990].mean() > coolant[1000:1400].mean() + 3.0
    assert found.known() == pytest.approx(coolant[1000:1400].mean(), abs=0.4)
    assert found.random > 0.4


def test_sensor_error_is_shared_and_does_not_average_down() -> None:
    time, coolant = engine(1500.0)
    run = make_run(time, {"engine_coolant": coolant}, tolerance=1.4)
    found = coolant_plateau(context_of(run))
    assert found.shared == {"tolerance of engine_coolant": 1.4}
    assert found.u is not None
    assert found.u >= 1.4


@pytest.mark.parametrize(("above", "expected"), [(12.0, 86.0), (-8.0, 86.0), (1.0, 86.0)])
def test_of_two_hoses_the_hotter_tells_the_engine(above: float, expected: float) -> None:
    """What leaves a heater is cooler than what enters it: reversed hoses are named wrongly."""
    time = np.arange(0.0, 1800.0)
    hot = 20.0 + 66.0 * (1.0 - np.exp(-time / 150.0))
    cooler = hot - abs(above) * (1.0 - np.exp(-time / 150.0))
    supply, back = (cooler, hot) if above > 3.0 else (hot, cooler)
    found = plateau(time, supply, "coolant_in", coolant_out=back)
    assert found.value == pytest.approx(expected, abs=0.5)


@pytest.mark.parametrize(("falls_to", "stands_from"), [(78.0, 1200.0), (70.0, 900.0)])
def test_what_an_idling_engine_falls_to_is_not_held(falls_to: float, stands_from: float) -> None:
    """Heat balance: the thermostat shuts where the heater takes more than idling gives."""
    time = np.arange(0.0, 1800.0)
    climbs = np.minimum(15.0 + 0.12 * time, 85.0)
    falls = falls_to + (85.0 - falls_to) * np.exp(-np.maximum(time - stands_from, 0.0) / 200.0)
    coolant = np.minimum(climbs, np.where(time > stands_from, falls, 85.0))
    driven = time < stands_from
    found = plateau(
        time,
        coolant,
        road_speed=np.where(driven, 15.0, 0.0),
        engine_speed=np.where(driven, 2000.0, 800.0),
    )
    assert found.value == pytest.approx(85.0, abs=1.0)
