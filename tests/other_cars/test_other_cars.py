"""The judge judged: model against closed forms, sensors against their class, folders."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from ingest.setup.model import read_setup
from tests.other_cars.__main__ import generate
from tests.other_cars.cars import FAMILIES, Car
from tests.other_cars.physics import Drive, simulate
from tests.other_cars.sensors import class_error, lagged
from tests.other_cars.settled import CarModel, Conditions, actuator_for, settled_heater, travel_ends
from tests.other_cars.trips import DT, Trip
from tests.other_cars.truth import FIGURES, conditions, fluctuation, true_figures


def idling(seconds: float, lever: float = 100.0) -> Trip:
    """Standing with everything held."""
    time = np.arange(0.0, seconds, DT)
    still = np.zeros(time.size)
    return Trip(
        "garage", 0.0, time, still + lever, still + 4, (still + 2).astype(np.int64), still + 100,
        still + 1, still, still, still, still + 1500, still, [],
    )  # fmt: skip


TIGHT = FAMILIES["Plover"].but(duct_loss=0.0, hose_loss=0.0, bypass=0.0, seep_hot=0.0)
"""Nothing lost on the way from the core to the outlet."""


@pytest.fixture(scope="module")
def settled_drives() -> list[Drive]:
    """Every family and the tight car, marched together until nothing changes."""
    cars = [*FAMILIES.values(), TIGHT]
    cars = [car.but(start_temperature=70.0, cabin_mass=5000.0) for car in cars]
    return simulate(cars, [idling(1500.0)] * len(cars))


def test_the_march_ends_at_the_settled_state(settled_drives: list[Drive]) -> None:
    for drive in settled_drives:
        settled, supply = settled_heater(
            drive.car,
            actuator_for(drive.car, np.array(100.0)),
            conditions(drive, drive.trip.time.size - 1),
        )
        assert drive.signals["outlet"][-1] == pytest.approx(float(settled), abs=0.15)
        assert drive.signals["coolant_in"][-1] == pytest.approx(float(supply), abs=0.15)


def test_heat_lost_by_the_coolant_is_gained_by_the_air(settled_drives: list[Drive]) -> None:
    s = {name: float(signal[-1]) for name, signal in settled_drives[-1].signals.items()}
    water = TIGHT.heater_flow * 3500.0 * (s["coolant_in"] - s["coolant_out"])
    air = TIGHT.air_flow * 1006.0 * (s["outlet"] - s["inlet_air"])
    assert air == pytest.approx(water, rel=0.01)


def conditions_at(car: Car) -> Conditions:
    def number(value: float) -> np.ndarray:
        return np.array(value)

    return Conditions(
        number(82.0), number(-4.0), number(-4.0), number(1500.0), number(0.0), number(4.0),
        number(100.0), number(60.0),
    )  # fmt: skip


@pytest.mark.parametrize("family", ["Plover", "Curlew"])
def test_a_cable_moved_moves_both_ends(family: str) -> None:
    car = FAMILIES[family]
    moved = car.but(closed_at=car.closed_at + 3.0, open_at=car.open_at + 3.0)
    ends, after = (
        travel_ends(CarModel(each), each.lash, conditions_at(each), "mean", coolant_logged=False)
        for each in (car, moved)
    )
    assert after - ends == pytest.approx([3.0, 3.0], abs=0.1)


def test_play_lies_between_the_sweeps() -> None:
    car = FAMILIES["Plover"].but(lash=4.0)
    up, down = (
        travel_ends(CarModel(car), car.lash, conditions_at(car), way, coolant_logged=False)
        for way in ("opening", "closing")
    )
    assert up - down == pytest.approx([4.0, 4.0], abs=0.2)


def test_lag_is_first_order() -> None:
    step = np.where(np.arange(400) * DT < 10.0, 0.0, 1.0)
    seen = lagged(step, 6.0)
    after = np.arange(400) * DT - 10.0 + DT
    expected = np.where(after > 0, 1 - np.exp(-after / 6.0), 0.0)
    assert seen == pytest.approx(expected, abs=1e-9)


def test_fluctuation_of_a_sine() -> None:
    time = np.arange(0, 600, DT)
    deviation = fluctuation(50 + 0.01 * time + 2 * np.sin(2 * np.pi * time / 30))
    assert deviation == pytest.approx(np.sqrt(2.0), rel=0.02)


@pytest.mark.parametrize("limit", [1.5, 2.5])
def test_sensor_errors_keep_to_their_class(limit: float) -> None:
    random = np.random.default_rng(2)
    at = np.linspace(-15.0, 90.0, 50)
    errors = np.array([class_error(random, limit, at, 18.0) for _ in range(500)])
    assert np.abs(errors).max() <= limit * 1.001
    assert errors.std() > 0.35 * limit


def test_folders_follow_the_contract(tmp_path: Path) -> None:
    generate(tmp_path, count=3, seed=4, baseline=0)
    truth = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    assert sorted(truth["cars"]) == ["001", "002", "003"]
    for name, record in truth["cars"].items():
        setup = read_setup(tmp_path / "cars" / name / "run.toml")
        assert setup.unknown() == ()
        assert list(setup.channels) == record["channels"]
        assert set(record["figures"]) == set(FIGURES)
        assert (tmp_path / "cars" / name / setup.log.file).stat().st_size > 10_000


def test_without_the_outlet_only_coolant_and_vacuum_are_true(settled_drives: list[Drive]) -> None:
    known = true_figures(settled_drives[0], ["engine_coolant", "vacuum_source"])
    assert {name for name, value in known.items() if value is not None} == {
        "coolant_plateau",
        "thermostat_opening",
        "vacuum_source_low",
    }
