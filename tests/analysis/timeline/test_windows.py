"""Holds and windows on runs whose controls and levels are known by construction."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.context import Context
from analysis.signal.smoothing import smooth
from analysis.timeline.states import alike, stretches
from tests.support.contexts import context_of
from tests.support.signals.hold_runs import AMBIENT, RISE, heater_run, settling, times_of
from tests.support.signals.runs import make_run

TIME = np.arange(-60.0, 1800.0)


def chosen_span(ctx: Context) -> tuple[float, float]:
    window = ctx.hot.chosen
    assert window is not None, ctx.hot.why
    return ctx.span(window.start, window.stop)


def test_the_window_is_the_warm_end_of_the_hold() -> None:
    ctx = context_of(heater_run())
    begin, end = chosen_span(ctx)
    assert 300.0 < begin < 1000.0  # 2 to 7 time constants of the warm-up
    assert end == pytest.approx(1800.0, abs=1.0)
    assert ctx.hot.chosen is not None
    assert ctx.hot.chosen.level.value == pytest.approx(RISE, abs=0.2)


@pytest.mark.parametrize("step", [0.2, 1.0, 2.0, 5.0])
def test_sampling_does_not_change_the_level(step: float) -> None:
    ctx = context_of(heater_run(step=step))
    assert ctx.hot.chosen is not None
    assert ctx.hot.chosen.level.value == pytest.approx(RISE, abs=0.25)


def test_irregular_sampling_is_taken() -> None:
    rng = np.random.default_rng(2)
    run = heater_run(step=0.5)
    kept = np.sort(rng.choice(times_of(run).size, 1500, replace=False))
    ctx = context_of(run.with_(readings=run.readings[kept.tolist()]))
    assert ctx.hot.chosen is not None
    assert ctx.hot.chosen.level.value == pytest.approx(RISE, abs=0.3)


@pytest.mark.parametrize("position", [92.0, 95.0])
def test_a_lever_short_of_the_end_is_not_at_it(position: float) -> None:
    parked = np.full(TIME.size, position)
    logged = context_of(heater_run(without=["temp_lever"], extra={"temp_lever": parked}))
    assert logged.hot.chosen is None
    expected = f"the lever was never at the hot end (it went no further than {position:.0f} %)"
    assert logged.hot.why == expected
    swept = np.where(TIME < 600.0, 40.0, position)
    between = context_of(heater_run(without=["temp_lever"], extra={"temp_lever": swept}))
    assert between.cold.why == "the lever was never at the cold end (it went no further than 40 %)"


def test_a_logged_lever_may_be_noisy_at_its_end() -> None:
    noisy = 97.5 + 0.8 * np.random.default_rng(3).standard_normal(TIME.size)
    ctx = context_of(heater_run(without=["temp_lever"], extra={"temp_lever": noisy}))
    begin, end = chosen_span(ctx)
    assert end - begin > 600.0


def test_a_change_of_blower_ends_a_hold_and_unlike_windows_are_not_compared() -> None:
    drop = np.where(TIME >= 1300.0, -6.0 * (1.0 - np.exp(-(TIME - 1300.0) / 10.0)), 0.0)
    run = heater_run(extra={"outlet": drop}, events=[(1300.0, "blower", 4)])
    ctx = context_of(run)
    begin, end = chosen_span(ctx)
    assert end <= 1300.0 or begin >= 1300.0
    assert ctx.hot.others == ()


def test_like_windows_are_compared() -> None:
    events = [(900.0, "temp_lever", 0), (1200.0, "temp_lever", 100)]
    share = settling(TIME, [(-60.0, 1.0), (900.0, 0.0), (1200.0, 0.95)], 8.0)
    ctx = context_of(heater_run(share=share, events=events))
    assert ctx.hot.chosen is not None
    assert len(ctx.hot.others) == 1
    rise = ctx.figure("steady_outlet_rise")
    # 5 % of 45 K between two windows: a difference of two draws, so over sqrt(2); the rest of the
    # scatter is far below it
    assert rise.random == pytest.approx(0.05 * RISE / np.sqrt(2.0), rel=0.3)


COLD_BETWEEN = [(900.0, "temp_lever", 0), (1200.0, "temp_lever", 100)]


@pytest.mark.parametrize(
    ("first", "second", "others"),
    [
        (15.0, 16.0, 1),  # nearly the same speed
        (0.5, 1.5, 1),
        (10.0, 20.0, 0),  # another outlet is to be expected
        (20.0, 10.0, 0),
        (0.0, 10.0, 0),
    ],
)
def test_windows_are_compared_where_the_car_was_driven_alike(
    first: float, second: float, others: int
) -> None:
    share = settling(TIME, [(-60.0, 1.0), (900.0, 0.0), (1200.0, 1.0)], 8.0)
    speed = np.where(TIME < 1050.0, first, second)
    run = heater_run(share=share, events=COLD_BETWEEN, extra={"road_speed": speed})
    assert len(context_of(run).hot.others) == others


def test_traffic_that_is_not_steady_is_like_any() -> None:
    share = settling(TIME, [(-60.0, 1.0), (900.0, 0.0), (1200.0, 1.0)], 8.0)
    traffic = 8.0 + 8.0 * np.sin(2.0 * np.pi * TIME / 6.0)
    speed = np.where(TIME < 1050.0, traffic, 20.0)
    run = heater_run(share=share, events=COLD_BETWEEN, extra={"road_speed": speed})
    assert len(context_of(run).hot.others) == 1


def test_a_change_of_blower_voltage_counts_without_events() -> None:
    volts = np.where(TIME >= 1300.0, 13.0, 9.0) + 0.05 * np.random.default_rng(4).standard_normal(
        TIME.size
    )
    drop = np.where(TIME >= 1300.0, -6.0, 0.0)
    run = heater_run(extra={"outlet": drop, "blower_voltage": volts}, without=["blower"])
    begin, end = chosen_span(context_of(run))
    assert end <= 1305.0 or begin >= 1295.0


def test_without_blower_events_the_hold_still_counts() -> None:
    ctx = context_of(heater_run(without=["blower", "mode"]))
    assert ctx.hot.chosen is not None


def test_an_unknown_lever_is_taken_as_hot_while_the_outlet_is_hottest() -> None:
    share = settling(TIME, [(-60.0, 1.0), (1300.0, 0.2)], 8.0)
    ctx = context_of(heater_run(share=share, without=["temp_lever"]))
    _, end = chosen_span(ctx)
    assert end <= 1300.0
    rise = ctx.figure("steady_outlet_rise")
    assert rise.value == pytest.approx(RISE, abs=0.5)
    assert "lever was not noted" in (rise.note or "")
    assert ctx.cold.chosen is None
    assert "nobody knows" in (ctx.cold.why or "")


def test_an_engine_that_stays_cold_gives_no_window() -> None:
    run = heater_run(extra={"engine_coolant": np.full(TIME.size, -62.0)})
    assert context_of(run).hot.why == "the engine was never warm while the lever was at the hot end"


def test_a_short_run_says_how_long_was_missing() -> None:
    events = [(1000.0, "temp_lever", 50), (0.5, "temp_lever", 50), (990.0, "temp_lever", 100)]
    ctx = context_of(heater_run(events=sorted(events)))
    assert ctx.hot.chosen is None
    assert "60 s are needed" in (ctx.hot.why or "")


def test_an_outlet_still_climbing_is_not_steady() -> None:
    """Five minutes from cold without a coolant reading: still far from warm."""
    ctx = context_of(heater_run(320.0, without=["engine_coolant"]))
    assert ctx.hot.chosen is None
    assert "still rising" in (ctx.hot.why or "")
    # 300 s at the hot end with a heater that would take half an hour
    share = settling(TIME, [(-60.0, 0.0), (1500.0, 1.0)], 600.0)
    events = [(-60.0, "temp_lever", 50), (1500.0, "temp_lever", 100)]
    slow = context_of(heater_run(share=share, events=events, without=["temp_lever"])).hot
    assert slow.chosen is None
    assert "after 300 s with the lever at the hot end: hold it longer" in (slow.why or "")


def test_the_engine_must_run() -> None:
    ctx = context_of(heater_run(events=[(0.5, "engine", "stop")]))
    assert ctx.hot.why == "the engine was not running while the lever was at the hot end"
    speed = np.where(TIME < 0.0, 0.0, 900.0)
    assert (
        context_of(heater_run(extra={"engine_speed": speed}, without=["engine"])).engine_on.sum()
        > 1700
    )


def test_the_blower_must_run() -> None:
    ctx = context_of(heater_run(events=[(-59.0, "blower", 0)]))
    assert ctx.hot.why == "the blower was off while the lever was at the hot end"


def test_a_change_of_speed_that_moves_the_outlet_splits_the_window() -> None:
    speed = np.where(TIME > 1350.0, 20.0, 0.0)
    moved = np.where(TIME > 1350.0, -3.0, 0.0)
    begin, end = chosen_span(context_of(heater_run(extra={"outlet": moved, "road_speed": speed})))
    assert end <= 1365.0 or begin >= 1335.0


def test_a_change_of_speed_that_moves_nothing_does_not() -> None:
    speed = np.where(TIME > 1350.0, 20.0, 0.0)
    begin, end = chosen_span(context_of(heater_run(extra={"road_speed": speed})))
    assert begin < 1100.0
    assert end > 1790.0


def test_recirculated_air_is_the_last_choice() -> None:
    run = heater_run(events=[(1000.0, "mode", "recirculate")])
    window = context_of(run).hot.chosen
    assert window is not None
    assert not window.recirculating


def test_air_was_drawn_in_again_if_for_any_part_of_a_stretch() -> None:
    ctx = context_of(
        heater_run(events=[(1000.0, "mode", "recirculate"), (1100.0, "mode", "floor")])
    )
    begin, end = (ctx.grid.index(at) for at in (1000.0, 1100.0))
    assert ctx.recirculating(begin - 300, begin + 300)
    assert ctx.recirculating(begin + 10, end - 10)
    assert not ctx.recirculating(0, begin - 10)
    assert not ctx.recirculating(end + 10, ctx.grid.time.size)


def test_gaps_do_not_end_a_hold_but_a_long_blackout_does() -> None:
    hole = np.zeros(TIME.size)
    hole[(TIME > 1000.0) & (TIME < 1040.0)] = np.nan
    begin, end = chosen_span(context_of(heater_run(extra={"outlet": hole})))
    assert begin < 1000.0 < end
    hole[(TIME > 1000.0) & (TIME < 1300.0)] = np.nan
    begin, end = chosen_span(context_of(heater_run(extra={"outlet": hole})))
    assert end <= 1001.0 or begin >= 1299.0


def test_a_hold_with_too_few_readings_is_none() -> None:
    """One reading in 10 s: half a minute at the cold end holds three, and three tell no level."""
    events = [(1500.0, "temp_lever", 0), (1535.0, "temp_lever", 100)]
    share = settling(TIME[::10], [(-60.0, 1.0), (1500.0, 0.0), (1535.0, 1.0)], 4.0)
    ctx = context_of(heater_run(step=10.0, share=share, events=events))
    assert ctx.cold.chosen is None
    assert ctx.cold.why == "the outlet has too few readings with the lever at the cold end"
    # the same hold read every second is good
    share = settling(TIME, [(-60.0, 1.0), (1500.0, 0.0), (1535.0, 1.0)], 4.0)
    assert context_of(heater_run(share=share, events=events)).cold.chosen is not None


@pytest.mark.parametrize(("last", "there"), [(58.0, False), (66.0, True)])
def test_a_hold_is_sixty_seconds_at_least(last: float, there: bool) -> None:  # noqa: FBT001
    events = [
        (0.5, "temp_lever", 50),
        (1500.0, "temp_lever", 100),
        (1500.0 + last, "temp_lever", 50),
    ]
    assert (context_of(heater_run(events=events)).hot.chosen is not None) == there


def test_of_windows_alike_in_length_one_is_chosen_and_the_other_compared() -> None:
    events = [(0.5, "temp_lever", 50)]
    for begin in (1000.0, 1300.0):
        events += [(begin, "temp_lever", 100), (begin + 200.0, "temp_lever", 50)]
    windows = context_of(heater_run(noise=0.0, events=events)).hot
    assert windows.chosen is not None
    both = (windows.chosen, *windows.others)
    assert len({each.length for each in both}) == 1
    assert len(both) == 2
    assert windows.chosen.start < windows.others[0].start


def test_coolant_at_a_reversed_hose_rises_when_the_lever_leaves_the_hot_end() -> None:
    """The cooler hose shows 60 °C at full hot and 85 °C once the flow is shut off."""
    time = TIME
    hose = np.where(time < 1200.0, 60.0, 85.0) * np.clip(1.0 - np.exp(-time / 150.0), 0.0, 1.0)
    run = heater_run(
        events=[(1200.0, "temp_lever", 0)], extra={"coolant_in": hose}, without=["engine_coolant"]
    )
    assert context_of(run).hot.chosen is not None


def test_nothing_logged_is_a_reason_and_no_crash() -> None:
    time = np.arange(0.0, 300.0)
    ctx = context_of(make_run(time, {"engine_coolant": np.full(time.size, 80.0)}))
    assert ctx.hot.why == "the outlet was not logged"
    empty = context_of(make_run(np.zeros(0), {"outlet": np.zeros(0)}))
    assert empty.hot.chosen is None
    gone = context_of(make_run(time, {"outlet": np.full(time.size, np.nan)}))
    assert gone.hot.chosen is None


def test_stretches_are_cut_at_changes() -> None:
    mask = np.array([0, 1, 1, 1, 0, 1, 1], dtype=bool)
    broken = np.array([0, 0, 1, 0, 0, 0, 0], dtype=bool)
    assert stretches(mask, broken) == [(2, 4), (5, 7), (1, 2)]
    assert stretches(np.zeros(0, dtype=bool), np.zeros(0, dtype=bool)) == []


def test_smoothing_leaves_gaps_out() -> None:
    values = np.array([1.0, np.nan, 3.0, 5.0, np.nan, np.nan, np.nan, np.nan])
    assert smooth(values, 3)[:4] == pytest.approx([1.0, 2.0, 4.0, 4.0])
    assert np.isnan(smooth(values, 3)[6])


def test_what_is_not_known_is_not_different() -> None:
    assert alike((3.0, -1.0), (3.0, 2.0))
    assert not alike((3.0, 1.0), (3.0, 2.0))


def test_ambient_stands_back_for_inlet_air_where_it_is_mostly_missing() -> None:
    hole = np.where(TIME > 200.0, np.nan, 0.0)
    ctx = context_of(heater_run(extra={"ambient": hole}))
    assert ctx.rise_reference == "inlet_air"
    assert context_of(heater_run()).rise_reference == "ambient"
    assert np.nanmax(context_of(heater_run()).rise) == pytest.approx(RISE, abs=1.0)
    assert pytest.approx(-5.0) == AMBIENT


FIGURES = (
    "steady_outlet_rise",
    "warm_up_time",
    "fluctuation_index",
    "fluctuation_period",
    "cold_end_rise",
    "core_effectiveness",
    "coolant_drop",
    "footwell_deficit",
)


@pytest.mark.parametrize("seed", range(40))
def test_a_mutilated_run_gives_values_or_reasons(seed: int) -> None:
    """Channels and controls lost at random, blackouts, a log that starts late or ends early."""
    rng = np.random.default_rng(seed)
    names = ("outlet", "ambient", "inlet_air", "engine_coolant", "temp_lever", "blower", "engine")
    hole = np.zeros(TIME.size)
    begin = int(rng.integers(0, TIME.size))
    hole[begin : begin + int(rng.integers(1, 900))] = np.nan
    share = settling(TIME, [(-60.0, 1.0), (900.0, 0.1), (1200.0, 1.0)], float(rng.uniform(2, 60)))
    events = [(900.0, "temp_lever", 0), (1200.0, "temp_lever", 100)]
    run = heater_run(
        share=share,
        seed=seed,
        events=events,
        without=[name for name in names if rng.random() < 0.2],
        extra={"coolant_in": 80.0 + hole, "coolant_out": np.full(TIME.size, 70.0)},
    )
    first, last = sorted(rng.integers(0, TIME.size, 2).tolist())
    ctx = context_of(run.with_(readings=run.readings[first : last + 1]))
    for name in FIGURES:
        found = ctx.figure(name)
        if found.value is None:
            assert found.note
        else:
            assert np.isfinite(found.value)
            assert found.u is not None
            assert 0.0 < found.u < np.inf
