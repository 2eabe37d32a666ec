"""With less logged or noted there is still an answer, less certain, and every reason is true.

Truth by construction (`tests.support.signals.hold_runs`): a rise of `RISE` above `AMBIENT` that
comes up with a time constant of `WARM_UP_TAU`; nine tenths of it after ``tau ln 10``.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from analysis.context import Context
from analysis.measurement import Measurement
from analysis.pipeline import analyze, measure
from ingest.load.load import load_run
from ingest.run import Run
from tests.support.contexts import context_of
from tests.support.signals.hold_runs import (
    AMBIENT,
    PLATEAU,
    RISE,
    WARM_UP_TAU,
    heater_run,
    settling,
    warming,
)

TIME = np.arange(-60.0, 1800.0)
WAIT = WARM_UP_TAU * np.log(10.0)
AIR = ("ambient", "inlet_air")


def figures(run: Run) -> dict[str, Measurement]:
    return dict(measure(run).figures)


def within(found: Measurement, truth: float) -> bool:
    assert found.u is not None, found.note
    return abs(found.known() - truth) <= 2.0 * found.u


class TestAirOfTheColdCar:
    def test_an_outlet_and_a_stopwatch(self) -> None:
        """Nothing but the outlet from the engine start on, and nothing noted."""
        run = heater_run(
            start=0.0, without=[*AIR, "engine_coolant", "temp_lever", "blower", "mode"]
        )
        found = figures(run.with_(controls=run.controls.clear()))
        for name, truth in (("steady_outlet_rise", RISE), ("warm_up_time", WAIT)):
            assert within(found[name], truth), name
            assert "the lever was not noted" in (found[name].note or "")
        assert "cold car stand for the air" in (found["steady_outlet_rise"].note or "")
        assert found["steady_outlet_rise"].u > 4.0  # the car stood some kelvin from the air

    def test_coolant_as_cold_as_the_car_makes_it_surer(self) -> None:
        alone = measure(heater_run(without=[*AIR, "engine_coolant"]))
        beside = measure(heater_run(without=AIR))
        surer, sure = (each.figures["steady_outlet_rise"] for each in (beside, alone))
        assert within(surer, RISE)
        assert surer.u < sure.u
        (told,) = [each for each in beside.findings if each.fault == "outside_air_taken"]
        assert f"{AMBIENT:.1f} °C" in told.detail

    def test_its_uncertainty_covers_a_car_from_a_garage(self) -> None:
        """A car 5 K warmer than the street it is driven in (common practice, no source)."""
        share = warming(TIME)
        outlet = AMBIENT + 5.0 + (RISE - 5.0) * share
        run = heater_run(without=[*AIR, "outlet"], extra={"outlet": outlet})
        run = run.with_(
            readings=run.readings.with_columns(engine_coolant_degC=AMBIENT + 5.0 + 80.0 * share)
        )
        assert within(figures(run)["steady_outlet_rise"], RISE)

    @pytest.mark.parametrize("begins", [300.0, 900.0])
    def test_a_log_that_begins_later_shows_no_cold_car(self, begins: float) -> None:
        run = heater_run(without=AIR)
        run = run.with_(readings=run.readings.filter(pl.col("time_s") > begins))
        note = figures(run)["steady_outlet_rise"].note
        assert note == "neither ambient nor inlet air was logged with the outlet"

    def test_a_warm_engine_shows_none(self) -> None:
        time = np.arange(0.0, 1800.0)
        coolant = PLATEAU + np.sin(time / 40.0)
        hot = heater_run(
            start=0.0, without=[*AIR, "engine_coolant"], extra={"engine_coolant": coolant}
        )
        assert figures(hot)["steady_outlet_rise"].value is None

    def test_a_quick_rise_is_no_cold_engine(self) -> None:
        share = settling(TIME, [(-60.0, 0.0), (0.0, 1.0)], 8.0)
        outlet = AMBIENT + RISE * share
        run = heater_run(without=[*AIR, "engine_coolant", "outlet"], extra={"outlet": outlet})
        assert figures(run)["steady_outlet_rise"].value is None

    def test_an_air_that_was_logged_is_not_replaced(self) -> None:
        told = {each.fault for each in measure(heater_run(without=["inlet_air"])).findings}
        assert "outside_air_taken" not in told


def test_twelve_rows_from_paper(tmp_path) -> None:
    """A reading every three minutes, written down by hand, and a thermometer read once."""
    rows = [f"{at},{AMBIENT + RISE * float(warming(np.array([at]))[0]):.0f}" for at in
            np.arange(0.0, 36.0 * 60.0, 180.0)]  # fmt: skip
    assert len(rows) == 12
    (tmp_path / "log.csv").write_text("t,outlet\n" + "\n".join(rows) + "\n", encoding="utf-8")
    (tmp_path / "run.toml").write_text(
        '[run]\nvehicle = "SC-000"\n[log]\nfile = "log.csv"\ntime = { column = "t", unit = "s" }\n'
        '[channels.outlet]\ncolumn = "outlet"\nunit = "degC"\n'
        f'[channels.ambient]\nvalue = "{AMBIENT:g} degC"\n',
        encoding="utf-8",
    )
    found = analyze(load_run(tmp_path))
    assert within(found.figures["steady_outlet_rise"], RISE)
    doubted = {"stuck", "clipped", "dead", "garbage", "open", "noisy"}
    assert not doubted & {each.fault for each in found.findings}
    assert found.verdict != "pass"


class TestReasons:
    def test_the_lever_was_not_noted(self) -> None:
        ctx = context_of(heater_run(without=["temp_lever"]))
        found = ctx.figure("warm_up_time")
        assert within(found, WAIT)
        noted = context_of(heater_run()).figure("warm_up_time")
        assert found.u > 3.0 * noted.u
        assert "not at the hot end" not in (found.note or "")

    def test_the_lever_was_first_noted_late(self) -> None:
        ctx = context_of(heater_run(without=["temp_lever"], events=[(900.0, "temp_lever", 100)]))
        why = ctx.figure("warm_up_time").note or ""
        assert "not known during the warm-up" in why
        assert "900 s" in why

    def test_long_at_hot_with_a_restless_blower(self) -> None:
        events = [(float(at), "blower", 2.0 + at // 40 % 2) for at in range(0, 1800, 40)]
        ctx = context_of(heater_run(events=events))
        assert ctx.hot.why is not None
        assert "blower or mode were changed" in ctx.hot.why
        assert "never at the hot end" not in ctx.hot.why

    def test_long_at_hot_with_the_blower_off_most_of_the_time(self) -> None:
        events = [(0.0, "blower", 0), (1700.0, "blower", 3), (1740.0, "blower", 0)]
        why = context_of(heater_run(events=events)).hot.why or ""
        assert why.startswith("the blower was on for 40 s at a time at most")

    def test_no_coolant_logged_is_no_cold_engine(self) -> None:
        """The cold end was held only before the outlet had ever been hot."""
        share = settling(TIME, [(-60.0, 0.0), (100.0, 1.0)], 3.0)
        events = [(-59.0, "temp_lever", 0), (100.0, "temp_lever", 100)]
        run = heater_run(share=share, events=events, without=["engine_coolant"])
        why = context_of(run).cold.why or ""
        assert "no coolant temperature was logged" in why
        assert "the engine was never warm" not in why

    def test_short_at_hot(self) -> None:
        events = [(900.0, "temp_lever", 50), (-59.0, "temp_lever", 50), (870.0, "temp_lever", 100)]
        why = context_of(heater_run(events=sorted(events))).hot.why or ""
        assert why == "the lever was at the hot end for 30 s at a time at most, and 60 s are needed"

    @pytest.mark.parametrize("point", ["outlet_panel", "outlet_defrost"])
    def test_another_outlet_is_named(self, point: str) -> None:
        values = AMBIENT + RISE * warming(TIME)
        ctx: Context = context_of(heater_run(without=["outlet"], extra={point: values}))
        for name in ("steady_outlet_rise", "warm_up_time", "cold_end_rise", "effective_travel"):
            assert f"rename `{point}` to `outlet`" in (ctx.figure(name).note or ""), name


def test_a_channel_that_was_logged_empty_accuses_no_sensor() -> None:
    empty = {point: np.full(TIME.size, np.nan) for point in ("coolant_in", "coolant_out")}
    found = analyze(heater_run(extra=empty))
    without = analyze(heater_run())
    told = {each.fault for each in found.findings if each.channel in empty}
    assert told == {"empty"}
    fault, usual = (
        next(each.probability for each in run.causes if each.cause == "sensor_fault")
        for run in (found, without)
    )
    assert fault == pytest.approx(usual, abs=0.01)
