"""What the lever does to the outlet, from logs of which the truth is known."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from analysis.lever.fit.model import BACKLASH, CLOCK, LOG_TAU, SPAN
from analysis.lever.path import NotMeasurable
from analysis.lever.study import LeverStudy, check_outlet_turned
from analysis.measurement import Measurement
from ingest.run import Run
from tests.support.contexts import context_of, lever_study_of
from tests.support.signals.lever_cars import SHAPES, STEP_S, Door, Lags, Log, lever_run, sweep
from tests.support.signals.runs import make_run

AGREED = Measurement(0.0, "s", 0.3)
"""The clocks were compared and agree."""


def close(figure: Measurement, truth: float, *, at_most: float) -> bool:
    """Inside three standard uncertainties, which are no larger than `at_most`."""
    assert figure.value is not None, figure.note
    assert figure.u is not None
    assert figure.u <= at_most
    return abs(figure.value - truth) <= 3.0 * figure.u


@pytest.mark.parametrize("shape", sorted(SHAPES))
def test_ends_and_backlash_of_every_characteristic(shape):
    door = Door(shape, 9.0, 93.0, 3.0)
    study = lever_study_of(lever_run(door, Lags(), Log(), sweep(10.0, 40.0), seed=3), AGREED)
    cold, hot = door.ends()
    assert close(study.cold, cold, at_most=1.6)
    assert close(study.hot, hot, at_most=2.0)
    assert close(study.hysteresis, door.backlash, at_most=0.9)


@pytest.mark.parametrize(
    ("interval", "step", "dwell", "at_most"),
    [(0.1, 10.0, 30.0, 1.5), (2.0, 5.0, 25.0, 1.5), (1.0, 12.5, 60.0, 2.5), (5.0, 10.0, 60.0, 2.5)],
)
def test_samplings_and_sweeps(interval, step, dwell, at_most):
    door = Door("straight", 12.0, 90.0, 4.0)
    run = lever_run(door, Lags(), Log(interval=interval), sweep(step, dwell), seed=1)
    study = lever_study_of(run, AGREED)
    cold, hot = door.ends()
    assert close(study.cold, cold, at_most=at_most)
    assert close(study.hot, hot, at_most=at_most)
    assert close(study.hysteresis, 4.0, at_most=2.0)


@pytest.mark.parametrize(("interval", "measured"), [(15.0, True), (30.0, False)])
def test_positions_read_once_each_measure_no_travel(interval, measured):
    """With one reading a position a clock some seconds off moves the curve by a whole step."""
    run = lever_run(Door(), Lags(), Log(interval=interval), sweep(20.0, 45.0), seed=2)
    study = lever_study_of(run, AGREED)
    assert (study.cold.value is not None) == measured
    if not measured:
        assert "log faster" in (study.cold.note or "")


def test_three_figures_sum_to_the_whole_travel():
    study = lever_study_of(lever_run(Door(), Lags(), Log(), sweep(), seed=5), AGREED)
    parts = (study.cold, study.effective, study.hot)
    assert sum(part.known() for part in parts) == pytest.approx(100.0)


def test_full_travel_straight_door_has_two_and_a_half_percent_at_either_end():
    study = lever_study_of(
        lever_run(Door("straight", 0.0, 100.0, 0.0), Lags(), Log(), sweep()), AGREED
    )
    assert close(study.cold, 2.5, at_most=1.5)
    assert close(study.hot, 2.5, at_most=1.5)


def test_lag_of_a_water_valve_is_not_taken_for_backlash():
    # closing takes six times as long as opening; each dwell is one to seven time constants
    door, lags = Door("saturating", 5.0, 97.0, 2.0), Lags(48.0, 8.0, 0.08, 80.0, 3.0)
    run = lever_run(door, lags, Log(), sweep(10.0, 60.0), seed=2, heater="water-valve")
    study = lever_study_of(run, Measurement(0.0, "s", 1.0))
    assert close(study.hysteresis, 2.0, at_most=1.2)
    assert close(study.cold, door.ends()[0], at_most=3.5)


def test_without_backlash_there_is_hardly_any():
    study = lever_study_of(
        lever_run(Door(backlash=0.0), Lags(6.0, 6.0), Log(), sweep(), seed=4), AGREED
    )
    assert close(study.hysteresis, 0.0, at_most=0.9)


def test_misadjusted_cable_is_measured_where_it_is():
    door = Door("smooth", 34.0, 99.0, 2.0)
    study = lever_study_of(lever_run(door, Lags(), Log(), sweep(), seed=6), AGREED)
    assert close(study.cold, door.ends()[0], at_most=1.5)
    assert study.effective.known() < 65.0


def hand_sweep(seconds: float) -> np.ndarray:
    down = np.linspace(100.0, 0.0, round(seconds / STEP_S))
    rest = round(60.0 / STEP_S)
    return np.concatenate(
        (np.full(rest, 100.0), down, np.zeros(rest), down[::-1], np.full(2 * rest, 100.0))
    )


def test_slow_sweep_by_hand_with_the_lever_logged():
    door = Door("sine", 10.0, 95.0, 4.0)
    run = lever_run(
        door, Lags(), Log(lever_logged=True), [(0.0, 100.0)], hand_sweep=hand_sweep(150.0)
    )
    study = lever_study_of(run)
    cold, hot = door.ends()
    assert close(study.cold, cold, at_most=1.8)
    assert close(study.hot, hot, at_most=1.8)
    assert close(study.hysteresis, 4.0, at_most=3.5)


def test_clock_and_backlash_of_a_slow_sweep_hang_together():
    # without a rest, the lever a little later looks like a little more backlash
    run = lever_run(
        Door(), Lags(), Log(lever_logged=True), [(0.0, 100.0)], hand_sweep=hand_sweep(120.0)
    )
    fit = lever_study_of(run).fit
    assert fit is not None
    joint = fit.covariance[BACKLASH, CLOCK] / (fit.u(BACKLASH) * fit.u(CLOCK))
    assert joint < -0.3


def test_one_direction_measures_that_direction_and_no_backlash():
    door = Door("straight", 15.0, 90.0, 6.0)
    study = lever_study_of(lever_run(door, Lags(), Log(), sweep(back=False), seed=7), AGREED)
    cold, hot = door.ends()
    assert study.hysteresis.value is None
    assert "only closed" in (study.hysteresis.note or "")
    # closing, the door hangs behind by half the backlash: it is where the lever will be 3 % further
    assert close(study.cold, cold - 3.0, at_most=2.5)
    assert close(study.hot, hot + 3.0, at_most=2.5)
    assert "closing sweep alone" in (study.cold.note or "")


def test_coarse_steps_widen_the_uncertainty():
    door = Door("sine", 10.0, 95.0, 0.0)
    fine = lever_study_of(lever_run(door, Lags(), Log(), sweep(10.0, 40.0)), AGREED).cold
    coarse = lever_study_of(lever_run(door, Lags(), Log(), sweep(25.0, 40.0)), AGREED).cold
    assert coarse.u is not None
    assert fine.u is not None
    assert coarse.u > 1.5 * fine.u
    assert close(coarse, door.ends()[0], at_most=8.0)


def test_without_coolant_a_span_that_drifts_is_allowed_for():
    door = Door("straight", 12.0, 90.0, 2.0)
    log = Log(coolant=False, drift=0.06)
    study = lever_study_of(lever_run(door, Lags(), log, sweep(), seed=8), AGREED)
    cold, hot = door.ends()
    assert close(study.cold, cold, at_most=2.0)
    assert close(study.hot, hot, at_most=2.0)
    assert "own span" in (study.cold.note or "")


def test_noise_that_wanders_costs_certainty():
    door = Door()
    calm = lever_study_of(lever_run(door, Lags(), Log(wander=0.05), sweep(), seed=9), AGREED)
    restless = lever_study_of(lever_run(door, Lags(), Log(wander=1.5), sweep(), seed=9), AGREED)
    assert restless.cold.u is not None
    assert calm.cold.u is not None
    assert restless.cold.u > 2.0 * calm.cold.u
    assert close(restless.cold, door.ends()[0], at_most=6.0)


def reason(study: LeverStudy) -> str:
    assert study.effective.value is None
    assert study.effective.note is not None
    return study.effective.note


def test_lever_turned_round_is_a_finding_and_no_figure():
    run = lever_run(Door(), Lags(), Log(), sweep(), seed=1)
    frame = run.readings.with_columns(60.0 - run.readings["outlet_degC"])
    context = context_of(run.with_(readings=frame), AGREED)
    study = context.lever_study
    assert "works backwards" in reason(study)
    assert [finding.fault for finding in context.findings] == ["lever_works_backwards"]
    assert float(study.findings[0].evidence["change_K"]) == pytest.approx(-50.0, rel=0.1)


def test_two_or_three_positions_are_not_enough():
    moves = [(0.0, 100.0), (100.0, 0.0), (200.0, 50.0), (300.0, 100.0)]
    study = lever_study_of(lever_run(Door(), Lags(), Log(), moves), AGREED)
    assert "only 3 positions" in reason(study)


def test_end_that_was_never_reached_is_said():
    moves = [(0.0, 100.0)] + [(100.0 + 40.0 * i, 90.0 - 10.0 * i) for i in range(6)]
    moves += [(400.0 + 40.0 * i, 50.0 + 10.0 * i) for i in range(6)]
    study = lever_study_of(lever_run(Door(), Lags(), Log(), moves), AGREED)
    assert "no nearer than 40 % to its cold end" in reason(study)


def test_end_not_reached_does_not_matter_where_the_curve_is_flat_before_it():
    door = Door("straight", 35.0, 95.0, 1.0)
    moves = [(0.0, 100.0)] + [(100.0 + 40.0 * i, 90.0 - 10.0 * i) for i in range(9)]
    moves += [(500.0 + 40.0 * i, 20.0 + 10.0 * i) for i in range(9)]
    study = lever_study_of(lever_run(door, Lags(), Log(), moves), AGREED)
    assert close(study.cold, door.ends()[0], at_most=1.5)


def test_lever_that_changes_nothing_is_said():
    run = lever_run(Door(), Lags(), Log(), sweep())
    rng = np.random.default_rng(0)
    flat = run.readings.with_columns(outlet_degC=40.0 + rng.normal(0.0, 0.2, run.readings.height))
    assert "too little to see where it acts" in reason(lever_study_of(run.with_(readings=flat)))


def test_unmoved_lever_is_said():
    run = lever_run(Door(), Lags(), Log(), [(0.0, 100.0)], rest=400.0)
    assert "the lever was not moved" in reason(lever_study_of(run))


def test_moves_under_another_blower_step_are_not_mixed():
    moves = [*sweep(10.0, 40.0), (960.0, 50.0), (1000.0, 100.0)]
    log = Log(events=((940.0, "blower", 1.0),))
    study = lever_study_of(lever_run(Door(), Lags(), log, moves), AGREED)
    assert study.data is not None
    assert study.data.time[-1] < 945.0
    assert close(study.cold, Door().ends()[0], at_most=1.5)


def test_nothing_is_raised_for_a_log_without_an_outlet():
    time = np.arange(100.0)
    study = lever_study_of(make_run(time, {"ambient": time}, [(0.0, "temp_lever", 50.0)]))
    assert reason(study) == "the outlet was not logged"


def same(one: Run, other: Run) -> list[float]:
    both = (lever_study_of(each, AGREED) for each in (one, other))
    return [float(a.known() - b.known()) for a, b in zip(*map(figures, both), strict=True)]


def figures(study: LeverStudy) -> tuple[Measurement, ...]:
    return study.cold, study.hot, study.hysteresis


def test_offset_of_a_sensor_cancels():
    run = lever_run(Door(), Lags(), Log(), sweep(), seed=3)
    warmer = run.readings.with_columns(run.readings["outlet_degC"] + 2.0)
    assert same(run, run.with_(readings=warmer)) == pytest.approx([0.0] * 3, abs=0.05)


def test_missing_rows_cost_little():
    run = lever_run(Door(), Lags(), Log(), sweep(), seed=3)
    keep = np.random.default_rng(1).uniform(size=run.readings.height) > 0.2
    thinned = run.with_(readings=run.readings.filter(keep))
    shift = same(run, thinned)
    assert max(abs(each) for each in shift) < 0.8


def test_fitted_model_is_there_for_pictures():
    study = lever_study_of(lever_run(Door(), Lags(), Log(), sweep(), seed=3), AGREED)
    assert study.fit is not None
    assert study.fit.params[SPAN] == pytest.approx(1.0, abs=0.05)
    assert math.exp(study.fit.params[LOG_TAU]) == pytest.approx(3.0, rel=0.4)
    assert study.cold.window is not None
    assert dataclasses.is_dataclass(study.ends)


def test_a_supply_hose_that_goes_cold_is_no_lever_that_works_backwards():
    """Shut off, a hose cools faster than the core (common practice, no source)."""
    time = np.arange(0.0, 300.0)
    lever = np.where(time < 200.0, 100.0, 0.0)
    usable = np.ones(time.size, dtype=bool)
    rise = np.where(time < 200.0, 70.0, 65.0)
    with pytest.raises(NotMeasurable, match="the coolant changed more than the outlet"):
        check_outlet_turned(rise, usable, lever)
    check_outlet_turned(70.0 - rise, usable, lever)  # colder toward hot: backwards
