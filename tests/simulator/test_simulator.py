"""The simulator's physics, part by part, against what can be worked out by other means."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from ht.hx import effectiveness_from_NTU

from sample_logs.simulator import Car, Protocol, Step, full_test, simulate, standard_sensors
from sample_logs.simulator.cable import door_travel, settled_travel
from sample_logs.simulator.car import Cable, HeaterLoop, Vacuum
from sample_logs.simulator.core import conductances, effectiveness, settled_off_air
from sample_logs.simulator.families import FAMILIES, draw_car
from sample_logs.simulator.mixing import coolant_share, core_air_share
from sample_logs.simulator.schedule import STEP_S, play_out
from sample_logs.simulator.sensors import (
    SensorFault,
    SensorSet,
    SensorSpec,
    lagged,
    sample,
    thermocouple,
)
from sample_logs.simulator.settled import Conditions, settled_footwell, settled_outlet
from sample_logs.simulator.signals import band_passed, steady_part, strongest_period
from sample_logs.simulator.thermal import Drive, Plant
from sample_logs.simulator.thermovoltage import millivolts
from sample_logs.simulator.vacuum import decay_rate, reservoir


@pytest.mark.parametrize(("ntu", "ratio"), [(1.0, 0.5), (2.0, 0.25), (0.4, 0.9)])
def test_core_effectiveness_is_the_textbook_one(ntu: float, ratio: float) -> None:
    """Against `ht`: the approximation for both streams unmixed, and parallel flow."""
    cross = effectiveness_from_NTU(ntu, ratio, subtype="crossflow approximate")
    assert effectiveness(ntu, ratio) == pytest.approx(cross, rel=1e-12)
    parallel = effectiveness_from_NTU(ntu, ratio, subtype="parallel")
    assert effectiveness(ntu, ratio, parallel=True) == pytest.approx(parallel, rel=1e-12)


@pytest.mark.parametrize(("air", "coolant"), [(95.0, 450.0), (95.0, 40.0), (20.0, 450.0)])
def test_conductances_in_series_give_the_effectiveness(air: float, coolant: float) -> None:
    loop = HeaterLoop()
    g_coolant, g_air = conductances(loop, air, coolant)
    ua_air = loop.ua_air * (air / 95.0) ** 0.5
    ua_coolant = loop.ua_coolant * (coolant / 450.0) ** 0.6
    ua = 1.0 / (1.0 / ua_air + 1.0 / ua_coolant)
    least, most = min(air, coolant), max(air, coolant)
    expected = least * effectiveness_from_NTU(
        ua / least, least / most, subtype="crossflow approximate"
    )
    assert g_coolant * g_air / (g_coolant + g_air) == pytest.approx(expected, rel=1e-9)


def test_a_core_without_coolant_flow_ends_at_the_air_that_passes_it() -> None:
    assert settled_off_air(HeaterLoop(), 95.0, 0.0, 85.0, -5.0) == pytest.approx(-5.0)
    assert settled_off_air(HeaterLoop(), 95.0, 450.0, 85.0, -5.0) > 60.0


def steady_drive(car: Car, travel: float, seconds: float = 1500.0) -> Drive:
    """Everything held constant, the lever's door or valve at one travel."""
    count = int(seconds / STEP_S)

    def held(value: float) -> np.ndarray:
        return np.full(count, value)

    position, drawn = np.full(count, travel), np.ones(count)
    return Drive(
        ambient=held(-5.0),
        speed=held(0.0),
        rpm=held(750.0),
        air=held(90.0),
        core_share=core_air_share(car, position),
        coolant=450.0 * coolant_share(car, position, drawn),
        leak=held(0.01),
        floor=held(0.8),
        recirculating=np.zeros(count, dtype=bool),
    )


@pytest.mark.parametrize("family", ["Plover", "Dunlin", "Curlew"])
@pytest.mark.parametrize("travel", [0.0, 0.5, 1.0])
def test_the_stepped_model_ends_where_the_closed_form_says(family: str, travel: float) -> None:
    car = FAMILIES[family]
    # an almost shut water valve leaves the core next to nothing to settle by
    traces = Plant(car, 80.0).run(steady_drive(car, travel, 12_000.0))
    last = {name: float(trace[-1]) for name, trace in traces.items()}
    conditions = Conditions(
        coolant=last["coolant_in"],
        inlet_air=last["inlet_air"],
        ambient=-5.0,
        speed=0.0,
        cabin=last["cabin"],
        air=90.0,
        full_flow=450.0,
        leak=0.01,
        floor=0.8,
        drawn=1.0,
    )
    expected = float(settled_outlet(car, np.array([travel]), conditions)[0])
    # a combined heater's core behind its shut valve is taken as hot, a little more than it is
    allowed = 0.9 if family == "Curlew" and travel == 0.0 else 0.05
    assert last["outlet"] == pytest.approx(expected, abs=allowed)
    feet = settled_footwell(car, last["outlet"], conditions)
    assert last["footwell"] == pytest.approx(feet, abs=0.02)


def test_heat_given_by_the_coolant_is_heat_taken_by_the_air() -> None:
    car = replace(Car(), loop=replace(HeaterLoop(), hose_loss=0.0))
    traces = Plant(car, 80.0).run(steady_drive(car, 1.0))
    given = 450.0 * (traces["coolant_in"][-1] - traces["coolant_out"][-1])
    taken = 90.0 * (traces["mixed"][-1] - traces["inlet_air"][-1])
    assert given == pytest.approx(taken, rel=2e-3)


def test_engine_heat_balance_closes_at_the_plateau() -> None:
    """What the engine puts in leaves through heater, block and radiator; nothing is left over."""
    car = Car()
    traces = Plant(car, 82.0).run(steady_drive(car, 1.0, 3000.0))
    engine, lift = traces["engine_coolant"], traces["lift"]
    heater = 450.0 * (engine[-1] - traces["coolant_out"][-1])
    block = car.engine.loss * (engine[-1] + 5.0)
    flow = car.radiator.flow * lift[-1] * 0.75
    radiator = engine[-1] + 5.0
    radiator *= flow * car.radiator.air / (flow + car.radiator.air)
    assert abs(float(np.ptp(engine[-1000:]))) < 0.05
    assert heater + block + radiator == pytest.approx(car.engine.heat_idle, rel=5e-3)


def test_the_cable_takes_up_its_play_before_it_moves() -> None:
    cable = Cable(backlash_cold=0.0, backlash_hot=0.0, play=4.0)
    lever = np.array([0.0, 50.0, 49.0, 46.0, 40.0, 43.0, 44.0, 50.0])
    travel = door_travel(cable, lever)
    np.testing.assert_allclose(100 * travel, [0, 48, 48, 48, 42, 42, 42, 48])
    up, down = (settled_travel(cable, lever[1:2], opening=way) for way in (True, False))
    assert 100 * float(down[0] - up[0]) == pytest.approx(4.0)


def test_a_misadjusted_cable_loses_at_one_end_what_it_wastes_at_the_other() -> None:
    cable = Cable(backlash_cold=2.0, backlash_hot=2.0, offset=15.0, play=0.0)
    travel = door_travel(cable, np.linspace(0.0, 100.0, 1001))
    assert float(travel[-1]) == pytest.approx((100 - 2 - 15) / 96)
    moves = np.flatnonzero(travel > 0)[0] / 10.0
    assert moves == pytest.approx(17.0, abs=0.2)


def test_an_isolated_reservoir_decays_exponentially() -> None:
    vacuum = Vacuum(leak=0.01)
    plan = Protocol("p", (Step(100, "hold", running=True), Step(60, "isolation", isolated=True)))
    schedule = play_out(plan, np.random.default_rng(1))
    stored = reservoir(vacuum, schedule, np.full(schedule.time.size, 60.0))
    begin = int(np.argmax(schedule.isolated))
    later = begin + int(50.0 / STEP_S)
    assert stored[later] == pytest.approx(stored[begin] * np.exp(-0.01 * 50.0), rel=1e-9)
    slope = (stored[begin] - stored[begin + 5]) / (5 * STEP_S) * 60.0
    assert decay_rate(vacuum, float(stored[begin])) == pytest.approx(slope, rel=0.01)


def test_a_first_order_sensor_shows_63_percent_after_its_time_constant() -> None:
    step = np.concatenate((np.zeros(50), np.ones(200)))
    seen = lagged(step, 5.0)
    assert seen[50 + int(5.0 / STEP_S) - 1] == pytest.approx(1 - np.exp(-1.0), abs=1e-6)


def test_thermocouple_errors_stay_in_their_class_and_shrink_at_equal_temperatures() -> None:
    time = np.arange(0.0, 60.0, STEP_S)
    traces = {"outlet": np.full(time.size, -5.0), "cabin": np.full(time.size, -5.0)}
    quiet = replace(thermocouple("outlet", 0.0), noise=0.0, resolution=1e-6)
    sensors = SensorSet((quiet,), cold_junction_tolerance=0.0)
    errors = [
        float(sample(sensors, time, traces, np.random.default_rng(seed)).channels["outlet"][0]) + 5
        for seed in range(400)
    ]
    # IEC 60584-1 class 2, type K: 2.5 K, of which 85 % is constant; evenly drawn
    assert max(map(abs, errors)) <= 0.85 * 2.5
    assert np.std(errors) == pytest.approx(0.85 * 2.5 / np.sqrt(3), rel=0.08)


@pytest.mark.parametrize(
    ("kind", "check"),
    [
        ("stuck", lambda bad, good: np.ptp(bad[30:]) == 0.0),
        ("open", lambda bad, good: np.isnan(bad[30:]).mean() > 0.3),
        ("reversed", lambda bad, good: bad[-1] < 0 < good[-1]),
        ("fell_off", lambda bad, good: abs(bad[-1] - 10.0) < 2.0),
        ("drift", lambda bad, good: bad[-1] < good[-1] - 25.0),
        ("wrong_type", lambda bad, good: bad[-1] > good[-1] + 8.0),
        ("spikes", lambda bad, good: np.abs(bad - good).max() > 10.0),
    ],
)
def test_a_faulty_sensor_lies_in_its_own_way(kind: str, check: object) -> None:
    time = np.arange(0.0, 300.0, STEP_S)
    traces = {"outlet": np.linspace(0.0, 60.0, time.size), "cabin": np.full(time.size, 10.0)}
    spec = SensorSpec("outlet", "thermocouple", 0.5, 0.05)
    good, bad = (
        sample(SensorSet((spec,), faults=faults), time, traces, np.random.default_rng(4))
        for faults in ((), (SensorFault("outlet", kind, 0.1),))  # type: ignore[arg-type]
    )
    assert check(bad.channels["outlet"], good.channels["outlet"])  # type: ignore[operator]


def test_millivolts_are_those_of_the_nist_tables() -> None:
    """NIST ITS-90 tables (SRD 60), reference junction at 0 °C."""
    at = np.array([-20.0, 0.0, 25.0, 100.0, 200.0])
    np.testing.assert_allclose(millivolts("K", at), [-0.778, 0, 1.0, 4.096, 8.138], atol=6e-4)
    np.testing.assert_allclose(millivolts("T", at[2:]), [0.992, 4.279, 9.288], atol=6e-4)
    with pytest.raises(ValueError, match="leave the table"):
        millivolts("K", np.array([300.0]))


def test_one_seed_one_run_and_other_sensors_see_the_same_car() -> None:
    car = draw_car("Plover", "SC-900", 9)
    plan = full_test(ambient=0.0)
    first, again = (simulate(car, plan, standard_sensors(), 5) for _ in range(2))
    for point, readings in first.channels.items():
        np.testing.assert_array_equal(readings, again.channels[point])
    fewer = simulate(car, plan, standard_sensors(grade=1, drop=("cabin",)), 5)
    assert fewer.truth == first.truth
    assert simulate(car, plan, standard_sensors(), 6).truth != first.truth


def test_cars_of_a_family_differ_and_are_the_same_each_time() -> None:
    one, two = (draw_car("Dunlin", name, seed) for name, seed in (("a", 1), ("b", 2)))
    assert one.loop.flow != two.loop.flow
    assert one == draw_car("Dunlin", "a", 1)


def test_steady_part_leaves_out_the_approach() -> None:
    time = np.arange(0.0, 300.0, STEP_S)
    signal = 60.0 - 20.0 * np.exp(-time / 20.0)
    found = steady_part(signal, (0, time.size))
    assert found is not None
    # the approach is within 0.4 K of its end after 20 * ln(50) = 78 s
    assert found[0] * STEP_S == pytest.approx(78.0, abs=25.0)
    assert steady_part(np.linspace(0, 60, time.size), (0, time.size)) is None


def test_fluctuations_are_found_by_their_period() -> None:
    time = np.arange(0.0, 400.0, STEP_S)
    signal = 50.0 + 2.0 * np.sin(2 * np.pi * time / 32.0) + 0.01 * time
    assert strongest_period(signal) == pytest.approx(32.0, rel=0.02)
    assert band_passed(signal).std() == pytest.approx(2.0 / np.sqrt(2.0), rel=0.05)
    slow_and_fast = np.sin(2 * np.pi * time / 200.0) + np.sin(2 * np.pi * time / 4.0)
    assert band_passed(slow_and_fast).std() < 0.15
    white = np.random.default_rng(3).normal(size=time.size)
    assert strongest_period(white) is None
