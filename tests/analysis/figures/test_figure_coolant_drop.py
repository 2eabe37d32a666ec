"""coolant_drop: a small difference of two large temperatures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ingest.run import ErrorSource
from tests.support.contexts import context_of
from tests.support.signals.hold_runs import AMBIENT, PLATEAU, heater_run, warming
from tests.support.signals.runs import Event

TIME = np.arange(-60.0, 1800.0)
SUPPLY = AMBIENT + (PLATEAU - AMBIENT) * warming(TIME)


def test_the_difference_of_supply_and_return() -> None:
    extra = {"coolant_in": SUPPLY, "coolant_out": SUPPLY - 9.0 * warming(TIME)}
    found = context_of(heater_run(extra=extra)).figure("coolant_drop")
    assert found.value == pytest.approx(9.0, abs=0.1)


def test_reversed_hoses_give_a_negative_drop() -> None:
    extra = {"coolant_in": SUPPLY - 20.0 * warming(TIME), "coolant_out": SUPPLY}
    found = context_of(heater_run(extra=extra)).figure("coolant_drop")
    assert found.value == pytest.approx(-20.0, abs=0.3)


def test_sensors_corrected_against_each_other_cancel() -> None:
    extra = {"coolant_in": SUPPLY, "coolant_out": SUPPLY - 9.0 * warming(TIME)}
    run = heater_run(extra=extra)
    shared = (ErrorSource("reference of the cold soak", 1.4),)
    sensors = {point: replace(each, errors=shared) for point, each in run.sensors.items()}
    found = context_of(run.with_(sensors=sensors)).figure("coolant_drop")
    assert found.u is not None
    assert found.u < 0.35


def test_a_drift_in_the_window_is_in_the_uncertainty() -> None:
    creep = np.where(TIME > 0.0, 0.004 * TIME, 0.0)
    steady = {"coolant_in": SUPPLY, "coolant_out": SUPPLY - 9.0}
    drifting = {"coolant_in": SUPPLY, "coolant_out": SUPPLY - 9.0 - creep}
    still = context_of(heater_run(extra=steady)).figure("coolant_drop")
    moving = context_of(heater_run(extra=drifting)).figure("coolant_drop")
    assert moving.window is not None
    change = 0.004 * (moving.window[1] - moving.window[0])
    assert moving.random == pytest.approx(np.hypot(still.random, change / np.sqrt(12)), rel=0.1)


@pytest.mark.parametrize("drop", [9.0, -12.0])
def test_hoses_alone_tell_the_drop_where_the_lever_was_noted(drop: float) -> None:
    extra = {"coolant_in": SUPPLY, "coolant_out": SUPPLY - drop * warming(TIME)}
    run = heater_run(extra=extra, without=("outlet",))
    found = context_of(run).figure("coolant_drop")
    assert found.value == pytest.approx(drop, abs=0.2)
    assert found.window is not None
    assert found.window[0] > 200.0  # the drop was still growing before
    assert context_of(run).figure("steady_outlet_rise").value is None


def test_hoses_alone_tell_nothing_while_the_lever_was_elsewhere() -> None:
    extra = {"coolant_in": SUPPLY, "coolant_out": SUPPLY - 9.0}
    moved: list[Event] = [(-60.0, "temp_lever", 40.0)]
    run = heater_run(extra=extra, without=("outlet", "temp_lever"), events=moved)
    found = context_of(run).figure("coolant_drop")
    assert found.value is None
    assert found.note == "the lever was never at the hot end (it went no further than 40 %)"


def test_what_was_not_logged_is_said() -> None:
    found = context_of(heater_run(extra={"coolant_in": SUPPLY})).figure("coolant_drop")
    assert found.note == "coolant out was not logged"
    neither = context_of(heater_run()).figure("coolant_drop")
    assert neither.note == "coolant in and coolant out were not logged"
    gone = {"coolant_in": SUPPLY, "coolant_out": np.where(TIME < 300.0, 10.0, np.nan)}
    lost = context_of(heater_run(extra=gone)).figure("coolant_drop")
    assert lost.note == "too few readings of coolant in and coolant out in the steady window"


def test_reasons_name_the_drop_where_there_is_no_outlet() -> None:
    still = np.where(TIME > 300.0, 0.05 * (TIME - 300.0), 0.0)
    extra = {"coolant_in": SUPPLY, "coolant_out": SUPPLY - still}
    found = context_of(
        heater_run(
            900.0,
            extra={point: values[TIME < 900.0] for point, values in extra.items()},
            without=("outlet",),
        )
    ).figure("coolant_drop")
    assert found.value is None
    assert found.note is not None
    assert "outlet" not in found.note
    assert found.note.startswith("the coolant's drop")
