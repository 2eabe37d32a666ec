"""Every cause of the contract can be put into a car, and moves the figures it should."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest

from analysis.causes.knowledge import knowledge
from analysis.figures import all_figures
from sample_logs.simulator import Simulated, full_test, simulate, standard_sensors
from sample_logs.simulator.families import draw_car
from sample_logs.simulator.faults import FAULTS, VARIANTS, Case, with_fault

Truth = dict[str, float]


@cache
def run_with(cause: str, severity: float, variant: str = "", family: str = "Plover") -> Simulated:
    car = draw_car(family, "SC-900", 3)
    case = with_fault(
        car, full_test(car.heater), standard_sensors(), cause, severity, seed=1, variant=variant
    )
    return simulate(case.car, case.protocol, case.sensors, 5)


def truth_of(cause: str, severity: float, variant: str = "", family: str = "Plover") -> Truth:
    figures = run_with(cause, severity, variant, family).truth
    return {name: value for name, value in figures.items() if value is not None}


def test_the_causes_are_those_the_analysis_knows() -> None:
    assert set(FAULTS) == {"healthy", *(row.name for row in knowledge().cause)}


def test_the_figures_are_those_of_the_contract() -> None:
    names = set(run_with("healthy", 0.0).truth)
    assert names <= {figure.name for figure in all_figures()}
    assert len(names) == 18


MOVES: list[tuple[str, str, Callable[[Truth, Truth], bool]]] = [
    (
        "thermostat_opens_low",
        "",
        lambda bad, good: (
            bad["thermostat_opening"] < good["thermostat_opening"] - 10
            and bad["coolant_plateau"] < good["coolant_plateau"] - 10
            and abs(bad["core_effectiveness"] - good["core_effectiveness"]) < 0.02
        ),
    ),
    (
        "thermostat_stuck_open",
        "",
        lambda bad, good: "thermostat_opening" not in bad,
    ),
    (
        "low_core_flow",
        "restricted",
        lambda bad, good: (
            bad["coolant_drop"] > 2 * good["coolant_drop"]
            and bad["steady_outlet_rise"] < good["steady_outlet_rise"] - 10
            and abs(bad["coolant_plateau"] - good["coolant_plateau"]) < 3
        ),
    ),
    (
        "hoses_reversed",
        "",
        lambda bad, good: (
            bad["fluctuation_index"] > 5 * good["fluctuation_index"]
            and bad["coolant_drop"] < 0
            and bad["cold_end_rise"] > good["cold_end_rise"] + 3
        ),
    ),
    (
        "lever_short_of_hot",
        "",
        lambda bad, good: (
            bad["dead_travel_cold"] > good["dead_travel_cold"] + 15
            and bad["steady_outlet_rise"] < good["steady_outlet_rise"] - 4
            and abs(bad["coolant_plateau"] - good["coolant_plateau"]) < 2
        ),
    ),
    (
        "lever_short_of_cold",
        "",
        lambda bad, good: (
            bad["dead_travel_hot"] > good["dead_travel_hot"] + 15
            and bad["cold_end_rise"] > good["cold_end_rise"] + 5
            and abs(bad["steady_outlet_rise"] - good["steady_outlet_rise"]) < 1
        ),
    ),
    (
        "cold_leak_in_case",
        "",
        lambda bad, good: (
            bad["core_effectiveness"] < good["core_effectiveness"] - 0.1
            and abs(bad["effective_travel"] - good["effective_travel"]) < 2
            and bad["coolant_drop"] < good["coolant_drop"]
        ),
    ),
    (
        "cold_leak_in_body",
        "",
        lambda bad, good: (
            bad["speed_sensitivity"] < good["speed_sensitivity"] - 4
            and abs(bad["steady_outlet_rise"] - good["steady_outlet_rise"]) < 1
        ),
    ),
    (
        "weak_airflow",
        "blower",
        lambda bad, good: (
            bad["footwell_deficit"] > good["footwell_deficit"] + 5
            and bad["coolant_drop"] < good["coolant_drop"] - 2
            and bad["steady_outlet_rise"] > good["steady_outlet_rise"]
        ),
    ),
    (
        "vacuum_leak",
        "",
        lambda bad, good: bad["vacuum_decay"] > 10 * good["vacuum_decay"],
    ),
    (
        "vacuum_supply",
        "source",
        lambda bad, good: (
            bad["vacuum_source_low"] < 0.7 * good["vacuum_source_low"]
            and bad["vacuum_decay"] <= good["vacuum_decay"]
        ),
    ),
    (
        "actuator_hoses_crossed",
        "deflector",
        lambda bad, good: bad["footwell_deficit"] > good["footwell_deficit"] + 5,
    ),
]


@pytest.mark.parametrize(("cause", "variant", "moved"), MOVES, ids=[move[0] for move in MOVES])
def test_a_cause_moves_its_figures(
    cause: str, variant: str, moved: Callable[[Truth, Truth], bool]
) -> None:
    assert moved(truth_of(cause, 0.7, variant), truth_of("healthy", 0.0))


def test_the_cable_offset_shows_in_the_dead_travel() -> None:
    good, bad = run_with("healthy", 0.0), run_with("lever_short_of_hot", 0.5)
    offset = bad.cable_offset - good.cable_offset
    assert offset == pytest.approx(4.0 + 30.0 * 0.5)
    gained = bad.truth["dead_travel_cold"] - good.truth["dead_travel_cold"]  # type: ignore[operator]
    # the curve ends at another share of its span, which moves the 2.5 % point a little
    assert gained == pytest.approx(offset, abs=2.5)


@pytest.mark.parametrize("cause", [move[0] for move in MOVES if move[0] != "vacuum_supply"])
def test_worse_is_further_from_healthy(cause: str) -> None:
    """The figure a cause moves most, in spreads of a healthy fleet, moves further still."""
    spread = np.array([2.0, 0.3, 1.0, 1.0, 0.02, 1.0, 1.0, 0.5, 0.3])
    names = (
        "steady_outlet_rise", "fluctuation_index", "dead_travel_cold", "dead_travel_hot",
        "core_effectiveness", "coolant_drop", "footwell_deficit", "speed_sensitivity",
        "vacuum_decay",
    )  # fmt: skip

    def distance(severity: float) -> float:
        variant = VARIANTS.get(cause, ("",))[0]
        good, bad = truth_of("healthy", 0.0), truth_of(cause, severity, variant)
        if cause == "thermostat_stuck_open":
            plan = run_with(cause, severity).model
            return -float(plan.traces["engine_coolant"].max())
        moved = [
            abs(bad[name] - good[name]) / width if name in bad else 0.0
            for name, width in zip(names, spread, strict=True)
        ]
        return max(moved)

    if cause == "actuator_hoses_crossed":
        assert distance(0.9) > 1.0  # crossed is crossed: it has no degrees
    else:
        assert distance(0.9) > distance(0.2)


def test_a_lever_moved_by_crossed_hoses_works_backwards() -> None:
    figures = run_with("actuator_hoses_crossed", 0.7, "lever", "Dunlin").truth
    assert figures["effective_travel"] is None
    assert figures["cold_end_rise"] > 40.0  # type: ignore[operator]
    assert figures["steady_outlet_rise"] < 10.0  # type: ignore[operator]


def test_a_severe_vacuum_leak_takes_heat_where_vacuum_holds_the_valve() -> None:
    good, bad = truth_of("healthy", 0.0, "", "Dunlin"), truth_of("vacuum_leak", 1.0, "", "Dunlin")
    assert bad["steady_outlet_rise"] < good["steady_outlet_rise"] - 3.0


@pytest.mark.parametrize("variant", VARIANTS["control_use"])
def test_control_use_leaves_the_car_alone(variant: str) -> None:
    car = draw_car("Plover", "SC-900", 3)
    case = with_fault(car, full_test(), standard_sensors(), "control_use", 0.6, variant=variant)
    assert case.car == car
    assert case.sensors == standard_sensors()
    assert case.protocol != full_test()


def test_a_blower_before_its_door_gets_hardly_any_air() -> None:
    good, bad = run_with("healthy", 0.0), run_with("control_use", 0.6, "blower before door")
    middle = good.model.drive.air.size // 2
    assert bad.model.drive.air[middle] < 0.2 * good.model.drive.air[middle]


@pytest.mark.parametrize("variant", VARIANTS["sensor_fault"])
def test_a_sensor_fault_leaves_the_truth_and_spoils_the_outlet(variant: str) -> None:
    good, bad = run_with("healthy", 0.0), run_with("sensor_fault", 0.8, variant)
    assert bad.truth == good.truth
    worst = np.nanmax(np.abs(bad.channels["outlet"] - good.channels["outlet"]))
    assert worst > 10.0 or np.isnan(bad.channels["outlet"]).any()


def test_healthy_is_healthy_at_any_severity() -> None:
    car = draw_car("Knot", "SC-901", 1)
    case = with_fault(car, full_test(car.heater), standard_sensors(), "healthy", 0.9)
    assert case == Case(car, full_test(car.heater), standard_sensors(), "healthy", 0.0, "")
