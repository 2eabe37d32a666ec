"""Before and after: simulated pairs of one car with a known truth, and the rules one by one."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from analysis.pipeline import Analysis, analyze
from analysis.repair.changes import Repair, compare_repair
from analysis.repair.verdict import Change
from ingest.run import ErrorSource
from sample_logs.simulator import simulate, standard_sensors
from sample_logs.simulator.families import draw_car
from sample_logs.simulator.faults import with_fault
from sample_logs.simulator.memory import as_run
from sample_logs.simulator.protocol import full_test
from tests.support.signals.runs import make_run


@cache
def simulated(
    number: int, family: str, cause: str, severity: float, ambient: float, day: int,
    variant: str = "", drop: tuple[str, ...] = (),
) -> tuple[Analysis, dict[str, float | None]]:  # fmt: skip
    """A car's run on a day, analyzed, with its true figures."""
    car = draw_car(family, f"SC-{number}", number)
    case = with_fault(
        car,
        full_test(car.heater, ambient=ambient),
        standard_sensors(drop=drop),
        cause,
        severity,
        seed=number,
        variant=variant,
    )
    run = simulate(case.car, case.protocol, case.sensors, 1000 * day + number)
    return analyze(as_run(run)), dict(run.truth)


def pair(cause: str, severity: float, family: str = "Plover", number: int = 310) -> Repair:
    """Faulty on a cold day, good on a milder one."""
    before, _ = simulated(number, family, cause, severity, -9.0, 3)
    after, _ = simulated(number, family, "healthy", 0.0, -2.0, 4)
    return compare_repair(before, after)


def change_of(repair: Repair, name: str) -> Change:
    return next(change for change in repair.changes if change.name == name)


SOLVED = [
    ("thermostat_opens_low", 0.9, "Curlew", "thermostat_opening"),
    ("low_core_flow", 0.7, "Dunlin", "coolant_drop"),
    ("hoses_reversed", 0.6, "Plover", "coolant_drop"),
    ("lever_short_of_hot", 0.9, "Plover", "dead_travel_cold"),
    ("lever_short_of_cold", 0.6, "Plover", "cold_end_rise"),
    ("vacuum_leak", 0.6, "Plover", "vacuum_decay"),
]


@pytest.mark.parametrize(("cause", "severity", "family", "shown"), SOLVED)
def test_a_repaired_fault_is_called_repaired(
    cause: str, severity: float, family: str, shown: str
) -> None:
    repair = pair(cause, severity, family)
    assert repair.outcome == "repaired"
    assert repair.sentence.startswith("Repaired: ")
    change = change_of(repair, shown)
    assert change.failed_before
    assert not change.failed_after
    assert change.better > 0


@pytest.mark.parametrize(("cause", "severity", "family", "shown"), SOLVED)
def test_the_other_way_round_it_is_worse(
    cause: str, severity: float, family: str, shown: str
) -> None:
    before, _ = simulated(310, family, "healthy", 0.0, -2.0, 4)
    after, _ = simulated(310, family, cause, severity, -9.0, 3)
    repair = compare_repair(before, after)
    assert repair.outcome == "worse"
    assert change_of(repair, shown).better < 0


@pytest.mark.parametrize("number", range(100, 106))
@pytest.mark.parametrize("days", [(-12.0, 0.0), (1.0, -10.0)])
def test_weather_is_no_repair(number: int, days: tuple[float, float]) -> None:
    family = ("Plover", "Dunlin", "Curlew")[number % 3]
    before, _ = simulated(number, family, "healthy", 0.0, days[0], 1)
    after, _ = simulated(number, family, "healthy", 0.0, days[1], 2)
    repair = compare_repair(before, after)
    assert repair.outcome == "unchanged"
    assert repair.weather.ratio != 1.0


def test_a_fault_left_in_is_not_called_repaired() -> None:
    before, _ = simulated(310, "Plover", "lever_short_of_hot", 0.8, -9.0, 3)
    after, _ = simulated(310, "Plover", "lever_short_of_hot", 0.8, -3.0, 5)
    repair = compare_repair(before, after)
    assert repair.outcome == "unchanged"
    assert "outside the limits now: dead travel, cold end" in repair.sentence


def test_half_a_repair_is_an_improvement() -> None:
    before, _ = simulated(310, "Plover", "lever_short_of_cold", 1.0, -9.0, 3)
    after, _ = simulated(310, "Plover", "lever_short_of_cold", 0.5, -3.0, 5)
    repair = compare_repair(before, after)
    assert repair.outcome == "improved"
    assert "outside the limits now" in repair.sentence


def test_air_that_is_less_hot_because_more_of_it_flows_is_not_worse() -> None:
    before, _ = simulated(343, "Curlew", "weak_airflow", 0.9, -9.0, 3, "blower")
    after, _ = simulated(343, "Curlew", "healthy", 0.0, -2.0, 4)
    repair = compare_repair(before, after)
    assert change_of(repair, "steady_outlet_rise").change.known() < 0.0
    assert change_of(repair, "steady_outlet_rise").better == 0
    assert repair.outcome in {"repaired", "improved"}


def test_nothing_is_said_of_a_run_whose_log_is_in_doubt() -> None:
    before, _ = simulated(310, "Plover", "sensor_fault", 0.9, -9.0, 3, "fell off")
    after, _ = simulated(310, "Plover", "healthy", 0.0, -2.0, 4)
    assert before.causes[0].cause == "sensor_fault"
    repair = compare_repair(before, after)
    assert repair.outcome == "cannot tell"
    assert "log is in doubt" in repair.sentence
    assert "By itself the later run is good" in repair.sentence


def test_runs_with_nothing_in_common_cannot_be_told() -> None:
    time = np.arange(0.0, 300.0)
    before = analyze(make_run(time, {"ambient": np.full(300, -4.0)}))
    after, _ = simulated(310, "Plover", "healthy", 0.0, -2.0, 4)
    repair = compare_repair(before, after)
    assert repair.outcome == "cannot tell"
    assert all(change.change.value is None for change in repair.changes)
    note = change_of(repair, "steady_outlet_rise").change.note
    assert note == "not measured before the repair"


def test_changes_cover_the_true_ones() -> None:
    """Of all changes between simulated runs of known truth, 2 U must hold nearly all."""
    inside, total = 0, 0
    for number in range(100, 106):
        family = ("Plover", "Dunlin", "Curlew")[number % 3]
        before, then = simulated(number, family, "healthy", 0.0, -12.0, 1)
        after, now = simulated(number, family, "healthy", 0.0, 0.0, 2)
        for change in compare_repair(before, after).changes:
            one, other = then.get(change.name), now.get(change.name)
            if change.change.value is None or one is None or other is None:
                continue
            true = other - one * change.scale
            total += 1
            inside += abs(change.change.value - true) <= 2.0 * (change.change.u or 0.0)
    assert total > 70
    assert inside / total >= 0.93


def test_a_true_gain_is_found_within_its_uncertainty() -> None:
    """The rise of one car with a cable 30 % short, against the same car set right."""
    before, then = simulated(310, "Plover", "lever_short_of_hot", 0.9, -9.0, 3)
    after, now = simulated(310, "Plover", "healthy", 0.0, -2.0, 4)
    repair = compare_repair(before, after)
    change = change_of(repair, "dead_travel_cold")
    one, other = then["dead_travel_cold"], now["dead_travel_cold"]
    assert one is not None
    assert other is not None
    assert change.change.known() == pytest.approx(other - one, abs=2.0 * (change.change.u or 0.0))


def test_the_weather_is_taken_from_air_and_coolant() -> None:
    """100 K between coolant and air before, 80 K after: a rise of 50 K becomes one of 40 K."""
    one, _ = simulated(310, "Plover", "healthy", 0.0, -9.0, 3)
    other, _ = simulated(310, "Plover", "healthy", 0.0, -2.0, 4)
    repair = compare_repair(one, other)
    air = [float(np.nanmean(each.context.values("ambient"))) for each in (one, other)]
    coolant = [each.figures["coolant_plateau"].known() for each in (one, other)]
    expected = (coolant[1] - air[1]) / (coolant[0] - air[0])
    assert repair.weather.ratio == pytest.approx(expected)
    assert change_of(repair, "steady_outlet_rise").scale == pytest.approx(expected)
    assert change_of(repair, "core_effectiveness").scale == 1.0


def test_a_thermostat_that_was_the_fault_is_not_scaled_away() -> None:
    repair = pair("thermostat_opens_low", 0.9, "Curlew")
    assert repair.weather.coolant_before == repair.weather.coolant_after
    assert change_of(repair, "steady_outlet_rise").better > 0


def test_a_change_of_temperature_is_a_difference() -> None:
    """A reader of °F is shown 1.8 times a change, never 32 more."""
    change = change_of(pair("thermostat_opens_low", 0.9, "Curlew"), "thermostat_opening")
    assert change.unit == "°C"
    assert change.change.unit == "K"


def logged_by(analysis: Analysis, logger: str | None, source: str) -> Analysis:
    """The same run by a named logger, every sensor with one error of its own."""
    run = analysis.run
    about = run.setup.run.model_copy(update={"logger": logger})
    sensors = {
        point: replace(sensor, errors=(ErrorSource(f"{source} of {point}", 1.0),), offset=0.0)
        for point, sensor in run.sensors.items()
    }
    setup = run.setup.model_copy(update={"run": about})
    return analyze(run.with_(setup=setup, sensors=sensors, findings=()), soak=False)


@pytest.mark.parametrize(
    ("loggers", "source", "cancels"),
    [
        (("A", "A"), "tolerance", True),
        (("A", "B"), "tolerance", False),
        ((None, None), "tolerance", False),
        # what the cold soak found is found anew in each run
        (("A", "A"), "soak", False),
    ],
)
def test_errors_cancel_only_where_the_sensors_are_the_same(
    loggers: tuple[str | None, str | None], source: str, *, cancels: bool
) -> None:
    one, _ = simulated(310, "Plover", "healthy", 0.0, -9.0, 3)
    other, _ = simulated(310, "Plover", "healthy", 0.0, -9.0, 6)
    before, after = (
        logged_by(each, logger, source) for each, logger in zip((one, other), loggers, strict=True)
    )
    u = change_of(compare_repair(before, after), "steady_outlet_rise").change.u
    assert u is not None
    # two sensors of 1 K each, twice: 2 K where nothing cancels
    assert (u < 1.0) is cancels
    assert (u > 1.9) is not cancels


def test_a_later_run_in_doubt_is_not_called_good() -> None:
    before, _ = simulated(310, "Plover", "healthy", 0.0, -2.0, 4)
    after, _ = simulated(310, "Plover", "sensor_fault", 0.9, -9.0, 3, "fell off")
    repair = compare_repair(before, after)
    assert repair.outcome == "cannot tell"
    assert "in the later run the log is in doubt" in repair.sentence
    assert "good" not in repair.sentence


@pytest.mark.parametrize("backwards", [False, True])
def test_what_was_measured_in_one_run_only_is_named(*, backwards: bool) -> None:
    no_vacuum = ("vacuum_source", "vacuum_actuator")
    leaking, _ = simulated(310, "Plover", "vacuum_leak", 0.6, -9.0, 3)
    without, _ = simulated(310, "Plover", "healthy", 0.0, -9.0, 4, "", no_vacuum)
    runs = (without, leaking) if backwards else (leaking, without)
    repair = compare_repair(*runs)
    assert repair.outcome == "cannot tell"
    assert "not measured" in repair.sentence
    assert "loss of vacuum, source shut off" in repair.sentence
