"""warm_up_time: analytic first-order curves, the sensor's lag, and when it cannot be had."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from analysis.signal.warming import Warming, smooth_rise
from tests.support.contexts import context_of
from tests.support.signals.hold_runs import RISE, WARM_UP_TAU, heater_run, settling

TIME = np.arange(-60.0, 1800.0)
TRUTH = WARM_UP_TAU * np.log(10.0)
"""1 - exp(-t / tau) passes nine tenths at tau ln 10."""


@pytest.mark.parametrize("step", [0.2, 1.0, 5.0])
def test_a_first_order_warm_up(step: float) -> None:
    found = context_of(heater_run(step=step)).figure("warm_up_time")
    assert found.value == pytest.approx(TRUTH, abs=4.0)
    assert found.u is not None
    assert abs(found.value - TRUTH) <= 2.0 * found.u


def test_two_u_covers_over_many_noisy_runs() -> None:
    inside = []
    for seed in range(30):
        found = context_of(heater_run(seed=seed, noise=0.4)).figure("warm_up_time")
        assert found.value is not None
        assert found.u is not None
        inside.append(abs(found.value - TRUTH) <= 2.0 * found.u)
    assert np.mean(inside) >= 0.9


def test_a_known_lag_is_taken_out() -> None:
    """A sensor of 12 s answers a slow rise 12 s late; the correction takes that back."""
    keep = np.exp(-1.0 / 12.0)
    run = heater_run(noise=0.0)
    outlet = run.readings["outlet_degC"].to_numpy()
    late = lfilter([1.0 - keep], [1.0, -keep], outlet - outlet[0]) + outlet[0]
    plain = context_of(heater_run(noise=0.0, extra={"outlet": late - outlet})).figure(
        "warm_up_time"
    )
    known = heater_run(noise=0.0, extra={"outlet": late - outlet}, time_constant={"outlet": 12.0})
    corrected = context_of(known).figure("warm_up_time")
    assert plain.value == pytest.approx(TRUTH + 12.0, abs=3.0)
    assert corrected.value == pytest.approx(TRUTH, abs=3.0)


def test_the_slope_of_a_parabola_is_exact() -> None:
    """Savitzky-Golay of second order reproduces second-order curves, value and slope."""
    time = np.arange(0.0, 100.0, 0.5)
    warming = smooth_rise(time, 3.0 + 0.2 * time + 0.01 * time**2, lag=4.0)
    assert warming is not None
    expected = 3.0 + 0.2 * time + 0.01 * time**2 + 4.0 * (0.2 + 0.02 * time)
    inner = slice(20, -20)
    assert warming.rise[inner] == pytest.approx(expected[inner], abs=1e-9)


def test_a_level_must_be_held_for_thirty_seconds() -> None:
    time = np.arange(0.0, 300.0)
    rise = np.where((time >= 60.0) & (time < 80.0) | (time >= 150.0), 50.0, 0.0)
    warming = smooth_rise(time, rise, lag=0.0)
    assert warming is not None
    assert warming.reached(45.0) == pytest.approx(150.0, abs=8.0)
    assert warming.reached(60.0) is None


def test_nine_tenths_of_a_sensors_error_cancel() -> None:
    """Both sensors 2 K wrong (k = 1): the level moves with the rise, a tenth is left."""
    exact = context_of(heater_run()).figure("warm_up_time")
    off = context_of(heater_run(tolerance=2.0)).figure("warm_up_time")
    assert off.value == exact.value
    # an exponential approach to RISE is still going up by a tenth of RISE / tau there
    slope = 0.1 * RISE / WARM_UP_TAU
    assert abs(off.shared["tolerance of outlet"]) == pytest.approx(0.1 * 2.0 / slope, rel=0.1)


def test_a_warm_start_is_no_warm_up() -> None:
    warm = np.full(TIME.size, 60.0) * np.exp(-np.maximum(TIME, 0.0) / WARM_UP_TAU)
    found = context_of(heater_run(extra={"engine_coolant": warm})).figure("warm_up_time")
    assert found.value is None
    assert (found.note or "").startswith("the run started warm (engine coolant at ")


def test_an_outlet_that_blows_warm_from_the_start_is_no_warm_up() -> None:
    warm = 0.6 * RISE * np.exp(-np.maximum(TIME, 0.0) / WARM_UP_TAU)
    run = heater_run(extra={"outlet": warm}, without=["engine_coolant"])
    assert (
        context_of(run).figure("warm_up_time").note
        == "the run started warm (outlet 27 K up already)"
    )


def test_a_lukewarm_start_is_noted() -> None:
    warm = np.full(TIME.size, 30.0) * np.exp(-np.maximum(TIME, 0.0) / WARM_UP_TAU)
    found = context_of(heater_run(extra={"engine_coolant": warm})).figure("warm_up_time")
    assert found.value is not None
    assert "not a cold start" in (found.note or "")


def test_a_lever_set_late_spoils_it() -> None:
    share = settling(TIME, [(-60.0, 0.2), (330.0, 1.0)], 3.0)
    events = [(-59.0, "temp_lever", 20), (330.0, "temp_lever", 100)]
    found = context_of(heater_run(share=share, events=events)).figure("warm_up_time")
    assert found.note == "the lever stood at 20 % during the warm-up, not at the hot end"


def test_a_blower_changed_meanwhile_spoils_it() -> None:
    found = context_of(heater_run(events=[(250.0, "blower", 1)])).figure("warm_up_time")
    assert found.note == "blower or mode were changed during the warm-up"


def test_another_blower_step_later_spoils_it() -> None:
    drop = np.where(TIME >= 700.0, -8.0, 0.0)
    run = heater_run(extra={"outlet": drop}, events=[(700.0, "blower", 4)])
    found = context_of(run).figure("warm_up_time")
    assert found.note == "blower or mode stood otherwise in the warm-up than in the steady window"


def test_the_start_is_seen_in_the_engine_speed() -> None:
    """The event was noted 7 s after the engine ran."""
    speed = np.where(TIME < 0.0, 0.0, 900.0)
    late = heater_run(
        extra={"engine_speed": speed}, events=[(7.0, "engine", "start")], without=["engine"]
    )
    seen = context_of(late).figure("warm_up_time")
    assert seen.value == pytest.approx(TRUTH, abs=4.0)


def test_without_any_start_the_first_sample_counts_and_is_said() -> None:
    run = heater_run(start=0.0, without=["engine"])
    found = context_of(run).figure("warm_up_time")
    assert found.value == pytest.approx(TRUTH, abs=4.0)
    assert found.note == "engine start taken as the first sample of the log"


def test_swings_that_keep_leaving_the_level() -> None:
    swing = 9.0 * np.sin(2.0 * np.pi * TIME / 40.0) * (TIME > 0.0)
    found = context_of(heater_run(extra={"outlet": swing})).figure("warm_up_time")
    assert found.note == "the outlet never held 90 % of its steady rise for 30 s"


def test_reasons() -> None:
    no_rise = context_of(heater_run(without=["ambient", "inlet_air"])).figure("warm_up_time")
    assert (no_rise.note or "").startswith("no steady rise to compare with")
    flat = -0.9 * RISE * (1.0 - np.exp(-np.maximum(TIME, 0.0) / WARM_UP_TAU))
    small = context_of(heater_run(extra={"outlet": flat})).figure("warm_up_time")
    assert "does not warm up" in (small.note or "")
    stop = context_of(
        heater_run(events=[(100.0, "engine", "stop"), (130.0, "engine", "start")])
    ).figure("warm_up_time")
    assert stop.note == "the engine stopped during the warm-up"


def test_a_start_event_put_right_since_moves_the_start() -> None:
    """Hand noted 5 s late: time zero was set by it, the event clock then moved the event."""
    run = heater_run(without=["engine"], events=[(-5.0, "engine", "start")])
    found = context_of(run).figure("warm_up_time")
    assert found.value == pytest.approx(TRUTH + 5.0, abs=4.0)


@pytest.mark.parametrize(("seconds", "reached"), [(10, None), (28, None), (29, None), (30, 0.0)])
def test_a_level_is_reached_where_the_record_shows_that_it_stays(
    seconds: int, reached: float | None
) -> None:
    still = np.full(seconds, 40.0)
    warming = Warming(1.0, np.arange(float(seconds)), still, 0.0, np.zeros(seconds))
    assert warming.reached(30.0) == reached
