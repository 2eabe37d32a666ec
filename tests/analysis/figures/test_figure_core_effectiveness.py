"""core_effectiveness: a ratio whose errors are shared between top and bottom."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ingest.run import ErrorSource
from tests.support.contexts import context_of
from tests.support.signals.hold_runs import AMBIENT, PLATEAU, RISE, heater_run, warming

TIME = np.arange(-60.0, 1800.0)
SUPPLY = AMBIENT + (PLATEAU - 3.0 - AMBIENT) * warming(TIME)
SPAN = PLATEAU - 3.0 - (AMBIENT + 1.0)
TRUTH = (RISE - 1.0) / SPAN


def test_the_ratio_of_the_rises() -> None:
    found = context_of(heater_run(extra={"coolant_in": SUPPLY})).figure("core_effectiveness")
    assert found.value == pytest.approx(TRUTH, abs=0.003)
    assert found.unit == "–"
    assert found.note is not None


def test_errors_of_the_inlet_enter_top_and_bottom_at_once() -> None:
    """d/d(inlet) of (o - i) / (c - i) is (q - 1) / (c - i), not -1 / (c - i)."""
    run = heater_run(extra={"coolant_in": SUPPLY})
    sensors = {
        point: replace(sensor, errors=(ErrorSource(point, 1.0), ErrorSource("common", 0.7)))
        for point, sensor in run.sensors.items()
    }
    found = context_of(run.with_(sensors=sensors)).figure("core_effectiveness")
    assert found.value is not None
    assert found.shared["inlet_air"] == pytest.approx((TRUTH - 1.0) / SPAN, rel=0.02)
    assert found.shared["coolant_in"] == pytest.approx(-TRUTH / SPAN, rel=0.02)
    assert found.shared["outlet"] == pytest.approx(1.0 / SPAN, rel=0.02)
    assert found.shared["common"] == pytest.approx(0.0, abs=1e-9)


def test_a_cycling_thermostat_moves_both_and_hardly_the_ratio() -> None:
    cycle = 3.0 * np.sin(2.0 * np.pi * TIME / 200.0)
    run = heater_run(extra={"coolant_in": SUPPLY + cycle, "outlet": TRUTH * cycle})
    ctx = context_of(run)
    found = ctx.figure("core_effectiveness")
    assert found.value == pytest.approx(TRUTH, abs=0.005)
    assert found.random < 0.007


def test_reasons() -> None:
    assert context_of(heater_run()).figure("core_effectiveness").note == "coolant in was not logged"
    cold = np.full(TIME.size, AMBIENT + 5.0)
    note = context_of(heater_run(extra={"coolant_in": cold})).figure("core_effectiveness").note
    assert note == "the coolant was only 4 K above the inlet air"
    none = context_of(heater_run(without=["ambient", "inlet_air"], extra={"coolant_in": SUPPLY}))
    assert none.figure("core_effectiveness").value is None
    assert none.figure("core_effectiveness").unit == "–"
