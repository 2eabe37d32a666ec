"""Levels in a window: what goes into their uncertainty, and which air is entered."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.context import Context
from analysis.signal.steady import Level
from analysis.timeline.levels import inlet_for, level_of
from analysis.timeline.windows import Window, Windows
from ingest.arrays import Floats
from ingest.run import ErrorSource
from tests.support.contexts import context_of
from tests.support.signals.hold_runs import AMBIENT, RISE, heater_run, warming

TIME = np.arange(-60.0, 1800.0)
BEYOND = {"outlet": 1.0, "ambient": -1.0}


def test_no_level_is_sharper_than_what_counts_as_steady() -> None:
    """JCGM 200:2012, 2.27: half a percent of the heater's rise, whatever level is asked for."""
    foot = AMBIENT + (RISE - 12.0) * warming(TIME)
    ctx = context_of(heater_run(noise=0.02, extra={"footwell": foot}))
    definition = 0.005 * RISE
    rise = level_of(ctx, ctx.hot, BEYOND)
    assert rise.known() == pytest.approx(RISE, abs=0.1)
    assert rise.random == pytest.approx(definition, rel=0.2)
    deficit = level_of(ctx, ctx.hot, {"outlet": 1.0, "footwell": -1.0})
    assert deficit.known() == pytest.approx(12.0, abs=0.1)
    assert deficit.random == pytest.approx(definition, rel=0.2)


def test_air_that_wanders_is_in_the_uncertainty_of_a_rise_above_it() -> None:
    """The window was found above the air outside; the air that enters swings by 4 K in it."""
    swing = {"inlet_air": 4.0 * np.sin(2.0 * np.pi * TIME / 700.0)}
    above = {"outlet": 1.0, "inlet_air": -1.0}
    calm, moved = (context_of(heater_run(extra=extra)) for extra in ({}, swing))
    still, wandering = (level_of(ctx, ctx.hot, above) for ctx in (calm, moved))
    assert still.known() == pytest.approx(RISE - 1.0, abs=0.2)
    assert wandering.random > 3.0 * still.random
    assert abs(wandering.known() - (RISE - 1.0)) <= 2.0 * wandering.random


@pytest.mark.parametrize(
    ("without", "mode", "point", "said"),
    [
        ([], "floor", "inlet_air", ""),
        ([], "recirculate", "inlet_air", ""),
        (["inlet_air"], "floor", "ambient", "from ambient, because inlet air was not logged"),
        (["inlet_air"], "recirculate", None, "outside air does not enter while recirculating"),
        (["inlet_air", "ambient"], "floor", None, "neither inlet air nor ambient was logged"),
    ],
)
def test_which_air_enters_the_heater(
    without: list[str], mode: str, point: str | None, said: str
) -> None:
    ctx = context_of(heater_run(without=without, events=[(-59.0, "mode", mode)]))
    found, note = inlet_for(ctx, ctx.hot)
    assert found == point
    assert said in note
    assert bool(note) == bool(said)


def window(ctx: Context, start_s: float, stop_s: float, **level: float) -> Window:
    """A steady window by hand, the outlet's rise in it known exactly but for what is given."""
    first, last = (int(np.searchsorted(ctx.grid.time, each)) for each in (start_s, stop_s))
    known = dict.fromkeys(("value", "random", "mean", "ahead", "to_come", "rate"), 0.0)
    return Window(first, last, first, Level(first, last, **known | level), (), recirculating=False)


def stepped(*steps: tuple[float, float]) -> Floats:
    """A footwell that stands at each value from its time on, and gives a level without scatter."""
    places = np.searchsorted([at for at, _ in steps], TIME, side="right") - 1
    return np.array([value for _, value in steps])[np.maximum(places, 0)]


def foot_run(
    foot: Floats, resolution: float = 0.0, errors: tuple[ErrorSource, ...] = ()
) -> Context:
    run = heater_run(noise=0.0, extra={"footwell": foot})
    sensor = replace(run.sensors["footwell"], resolution=resolution, errors=errors)
    return context_of(replace(run, sensors={**run.sensors, "footwell": sensor}))


def test_levels_that_do_not_repeat_are_less_sure() -> None:
    """Worked by hand: the level of 20 K is 22 and 26 K in two other windows, each exact in itself:
    half the mean square of the differences is (4 + 36) / 2 / 2 = 10 K²."""
    ctx = foot_run(stepped((-60.0, 20.0), (800.0, 22.0), (1000.0, 26.0)))
    hot = [window(ctx, *span, value=RISE) for span in ((500, 700), (820, 980), (1020, 1180))]
    windows = Windows(hot[0], tuple(hot[1:]))
    found = level_of(ctx, windows, {"footwell": 1.0})
    assert found.known() == pytest.approx(20.0)
    assert found.random**2 == pytest.approx(10.0 + (0.005 * RISE) ** 2, rel=2e-3)
    assert "compared with 2 other windows" in str(found.note)
    alone = level_of(ctx, windows, {"footwell": 1.0}, compare=False)
    assert alone.random == pytest.approx(0.005 * RISE, rel=2e-3)
    assert "compared" not in str(alone.note)
    one = level_of(ctx, Windows(hot[0], (hot[1],)), {"footwell": 1.0})
    assert one.random**2 == pytest.approx(4.0 / 2.0 + (0.005 * RISE) ** 2, rel=2e-3)
    assert "compared with 1 other window" in str(one.note)
    assert "windows" not in str(one.note)


def test_what_explains_a_difference_is_no_scatter_between_windows() -> None:
    """By hand: a window that still drifts 6 K ahead is known to half of that, 3 K; its difference
    of 5 K leaves 25 - 9 = 16 K², half of which is the scatter of one window. A level known to 4 K
    by itself explains a difference of 3 K wholly."""
    ctx = foot_run(stepped((-60.0, 20.0), (800.0, 25.0)))
    first = window(ctx, 500, 700, value=RISE)
    drifting = window(ctx, 820, 980, value=RISE, ahead=6.0)
    found = level_of(ctx, Windows(first, (drifting,)), {"footwell": 1.0})
    assert found.random**2 == pytest.approx(8.0 + (0.005 * RISE) ** 2, rel=2e-3)
    ctx = foot_run(np.zeros(TIME.size))
    rise = {"outlet": 1.0, "ambient": -1.0}
    unsure = window(ctx, 1200, 1400, value=RISE - 3.0, random=4.0)
    found = level_of(ctx, Windows(unsure, (window(ctx, 1500, 1700, value=RISE),)), rise)
    assert found.random == pytest.approx(np.hypot(4.0, 0.005 * RISE), rel=2e-3)


def test_a_coarse_sensor_leaves_its_step_in_the_mean() -> None:
    """JCGM 100:2008, F.2.2.1: rounding to 10 K is 10 / sqrt(12) for each of the 100 blocks, times
    the factor of the sum; none of it where the factor is nothing."""
    ctx = foot_run(np.full(TIME.size, 20.0), resolution=10.0)
    windows = Windows(window(ctx, 500, 600, value=RISE))
    for factor in (1.0, 3.0):
        found = level_of(ctx, windows, {"footwell": factor})
        blocks = windows.chosen.length if windows.chosen else 0
        rounding = factor * 10.0 / np.sqrt(12.0 * blocks)
        assert found.known() == pytest.approx(factor * 20.0)
        assert found.random == pytest.approx(np.hypot(rounding, 0.005 * RISE), rel=1e-2)


def test_shared_errors_go_by_source_with_sign_and_factor() -> None:
    """JCGM 100:2008, 5.2.2: what two terms share adds with its sign; a slope counts from where it
    is nothing. By hand at 20 °C: 0.5 + 0.02 * (20 - 10) = 0.7 K, once and three times."""
    errors = (ErrorSource("cold junction", 0.5), ErrorSource("cold junction", 0.0, 0.02, 10.0))
    ctx = foot_run(np.full(TIME.size, 20.0), errors=errors)
    windows = Windows(window(ctx, 500, 600, value=RISE))
    for factor in (1.0, 3.0, -1.0):
        found = level_of(ctx, windows, {"footwell": factor})
        assert found.shared == pytest.approx({"cold junction": factor * 0.7})


def test_a_window_without_enough_readings_gives_way_to_the_next() -> None:
    """By `MIN_SHARE`: 30 % of a window, and four readings at the least."""
    foot = stepped((-60.0, 20.0), (800.0, 22.0))
    foot[(TIME >= 520.0) & (TIME < 700.0)] = np.nan
    ctx = foot_run(foot)
    windows = Windows(window(ctx, 500, 700, value=RISE), (window(ctx, 820, 980, value=RISE),))
    assert level_of(ctx, windows, {"footwell": 1.0}).known() == pytest.approx(22.0)
    none = level_of(ctx, Windows(windows.chosen), {"footwell": 1.0})
    assert none.value is None
    assert none.note == "too few readings of footwell in the steady window"


def test_why_there_is_no_level_is_said() -> None:
    ctx = foot_run(np.full(TIME.size, 20.0))
    none = level_of(ctx, Windows(None, (), "the engine never ran"), {"footwell": 1.0})
    assert (none.value, none.note) == (None, "the engine never ran")
    assert level_of(ctx, Windows(None), {"footwell": 1.0}).note == "no steady window"
    assert inlet_for(ctx, Windows(None, (), "the engine never ran")) == (
        None,
        "the engine never ran",
    )
    assert inlet_for(ctx, Windows(None)) == (None, "no steady window")
    windows = Windows(window(ctx, 500, 600, value=RISE))
    one = level_of(ctx, windows, {"footwell": 1.0, "cabin": -1.0})
    assert one.note == "cabin was not logged"
    two = level_of(ctx, windows, {"coolant_in": 1.0, "cabin": -1.0})
    assert two.note == "coolant in and cabin were not logged"
