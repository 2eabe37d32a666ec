"""The ensemble: balances of whole cars, faults that work the right way, parts kept apart."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from ingest.load.load import load_run
from tests.other_cars.ensemble import heater
from tests.other_cars.ensemble.__main__ import generate
from tests.other_cars.ensemble.car import MIN_LEFT_OUT, PARTS, Car
from tests.other_cars.ensemble.case import draw_case, family_of, good_case, seed_of
from tests.other_cars.ensemble.controls import MIN_MISUSE_S, MISUSES, Order, drive_trip
from tests.other_cars.ensemble.faults import FORMS, possible
from tests.other_cars.ensemble.laws import LEFT_OUT
from tests.other_cars.ensemble.make import make, record, truth_of
from tests.other_cars.ensemble.march import Drive, simulate
from tests.other_cars.ensemble.severity import BROKEN, balance, comfort, harm, so_large, word_for
from tests.other_cars.trips import DT, Trip
from tests.other_cars.truth import conditions

FAMILIES = 10
CARS = [(part, family_of(part, 5, number)) for part in PARTS for number in range(FAMILIES)]


def standing(seconds: float, lever: float = 100.0) -> Trip:
    """Idling fast with everything held."""
    time = np.arange(0.0, seconds, DT)
    still = np.zeros(time.size)
    return Trip(
        "full", 0.0, time, still + lever, still + 4, (still + 2).astype(np.int64), still + 100,
        still + 1, still, still, still, still + 1500, still, [], defrost=still,
    )  # fmt: skip


@pytest.fixture(scope="module")
def settled() -> list[Drive]:
    """A car of every family, warm, until nothing changes."""
    cars = [car.but(start_temperature=70.0, ambient=-4.0) for _, car in CARS]
    cars = [car.but(cabin_mass=6000.0) for car in cars]
    rngs = [np.random.default_rng(k) for k in range(len(cars))]
    return simulate(rngs, cars, [standing(2400.0)] * len(cars))


def test_the_march_ends_at_the_settled_state(settled: list[Drive]) -> None:
    for drive in settled:
        if drive.car.structure.heated_by == "staged":
            continue  # comes and goes for ever
        c = conditions(drive, drive.trip.time.size - 1)
        actuator = drive.model.actuator_for(np.array(100.0 - drive.car.lash / 2))
        outlet, supply = drive.model.settled_heater(actuator, c)
        assert drive.signals["outlet"][-1] == pytest.approx(float(outlet), abs=0.5)
        assert drive.signals["coolant_in"][-1] == pytest.approx(float(supply), abs=0.5)


def test_heat_lost_by_the_coolant_is_gained_by_the_air(settled: list[Drive]) -> None:
    # first law for the core, whatever its law
    for drive in settled:
        if drive.car.structure.heated_by == "staged":
            continue
        # over the last ten minutes: a fan or a thermostat may swing about its mean
        s = {name: values[-2400:].mean() for name, values in drive.signals.items()}
        car = drive.car
        air = heater.air_flow(car, np.array(4.0), np.array(100.0), np.array(0.0))
        t = heater.transfer(
            car, np.array(1.0), np.array(s["vacuum_source"]), np.array(1500.0), air, np.array(0.0),
            lift=s["lift"],
        )  # fmt: skip
        keep, to_cabin = heater.duct(car, t.air / heater.CP_AIR)
        around = to_cabin * s["cabin"] + (1 - to_cabin) * s["ambient"]
        seen = car.outlet_sees_cabin
        outlet = (s["outlet"] - seen * s["cabin"]) / (1 - seen)
        mixed = around + (outlet - around) / keep
        gained = t.air * (mixed - s["inlet_air"])
        lost = t.water * (s["coolant_in"] - s["coolant_out"])
        assert gained == pytest.approx(lost, rel=0.02)


def test_the_engine_settles_where_its_heat_is_balanced(settled: list[Drive]) -> None:
    for drive in settled:
        if drive.car.structure.heated_by == "staged":
            continue
        if drive.car.law("fan") == "cycling" or drive.car.law("thermostat") == "at the inlet":
            continue  # held between two levels; shifted by the radiator's return
        line = float(drive.signals["vacuum_source"][-1])
        level, _ = balance(drive.car, 0.0, 1500.0, 0.0, line)
        # the reference stands at -5 °C, the march at -4 °C
        assert drive.signals["engine_coolant"][-1] == pytest.approx(level, abs=2.5)


@pytest.mark.parametrize("cause", FORMS)
def test_every_cause_takes_heat_in_every_structure(cause: str) -> None:
    seen = 0
    for _, car in CARS:
        for name in possible(car).get(cause, []):
            form = FORMS[cause][name]
            losses = [harm(car, form(car, size)) for size in (0.1, 0.4, 0.7, 1.0)]
            assert np.all(np.diff(losses) > -0.03), (car.structure, name, losses)
            assert losses[-1] > 0.1, (car.structure, name, losses)
            seen += 1
    assert seen >= 8


def test_thermostats_and_flow_cool_the_floor_and_weak_air_warms_the_outlet() -> None:
    for _, car in CARS:
        before = comfort(car)
        slow = comfort(FORMS["low_core_flow"]["restricted"](car, 0.6))
        assert slow.rise[0] < before.rise[0]
        weak = comfort(FORMS["weak_airflow"]["motor"](car, 0.5))
        assert weak.heat[0] < before.heat[0]
        if not car.structure.heated_by:
            low = comfort(FORMS["thermostat_opens_low"]["low"](car, 0.5))
            assert low.rise[1] < before.rise[1]


def test_severity_is_what_was_wanted() -> None:
    for _, car in CARS[::5]:
        broken, found = so_large(car, FORMS["cold_leak_in_case"]["seal"], 0.25)
        assert found == pytest.approx(0.25, abs=0.02)
        assert word_for(harm(car, broken)) == "moderate"
    assert word_for(BROKEN - 1e-6) == "slight"


def test_calibration_never_uses_what_is_left_out() -> None:
    for part, car in CARS:
        laws = car.structure.laws
        used = [name for name in laws if laws[name] in LEFT_OUT[name]]
        if part == "calibrate":
            assert used == []
            assert car.structure.heated_by != "staged"
        else:
            assert len(car.structure.left_out()) >= MIN_LEFT_OUT


def test_two_causes_are_of_two_parts() -> None:
    cases = [draw_case("calibrate", 2, number) for number in range(150)]
    pairs = [set(case.causes) for case in cases if len(case.causes) > 1]
    assert pairs
    assert {"lever_short_of_hot", "lever_short_of_cold"} not in pairs
    assert all(len(pair) == 2 for pair in pairs)


def test_parts_share_no_seed() -> None:
    calibrate, judge = ({seed_of(part, s, 3, n) for s in range(5) for n in range(5)}
                        for part in PARTS)  # fmt: skip
    assert not calibrate & judge


def test_a_case_is_the_same_whenever_it_is_drawn() -> None:
    first, again = (record(next(make([draw_case("judge", 3, 11)]))) for _ in range(2))
    assert first == again
    # beside others, too
    beside = {m.case.name: record(m) for m in make([draw_case("judge", 3, n) for n in (10, 11)])}
    assert beside["0011"] == first


@pytest.mark.parametrize("misuse", MISUSES)
def test_misuse_lasts_as_the_contract_says(misuse: str) -> None:
    rng = np.random.default_rng(8)
    car: Car = family_of("calibrate", 5, 1)
    for put_right in (True, False):
        trip = drive_trip(rng, car, Order("full", misuse, put_right=put_right))
        assert trip.defrost is not None
        wrong = {
            "lever midway": (trip.lever > 20) & (trip.lever < 80),
            "lever cold": trip.lever < 5,
            "vent": trip.mode == 1,
            "defrost mode": trip.mode == 3,
            "defrost share": trip.defrost > 50,
            "blower low": trip.blower < 2,
            "air door": trip.air_door < 20,
        }[misuse]
        early = (trip.time > trip.start_s + 30) & (trip.time < trip.start_s + MIN_MISUSE_S - 2)
        assert wrong[early].all()


def test_folders_are_read_and_name_their_truth(tmp_path: Path) -> None:
    generate(tmp_path, part="judge", count=3, seed=4, baseline=1)
    truth = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    assert sorted(truth["cars"]) == ["0000", "0001", "0002"]
    for name, about in truth["cars"].items():
        run = load_run(tmp_path / "cars" / name)
        assert list(run.sensors) == about["channels"]
        assert run.controls.height > 0


def test_a_coolant_heater_has_no_thermostat_to_be_true() -> None:
    cases = (draw_case("judge", 1, number) for number in range(200))
    made = next(make([next(case for case in cases if case.car.structure.heated_by)]))
    figures = truth_of(made, [column.point for column in made.columns])
    assert figures["coolant_plateau"] is None
    assert figures["thermostat_opening"] is None


def test_good_cars_are_healthy_and_swept() -> None:
    case = good_case("calibrate", 1, 2, 0)
    assert case.causes == ("healthy",)
    assert case.car == case.good
    assert case.trip.sweeps
