"""When the engine was warm, by courses of the coolant whose warm stretch is known."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.timeline.states import engine_warm
from ingest.arrays import Floats
from tests.support.contexts import context_of
from tests.support.signals.runs import Event, make_run

TIME = np.arange(-60.0, 1800.0)
STARTED: Event = (0.0, "engine", "start")
WARMING = -5.0 + 90.0 * (1.0 - np.exp(-np.maximum(TIME, 0.0) / 200.0))


def warm_s(coolant: Floats, events: list[Event], point: str = "engine_coolant") -> list[float]:
    """First and last time of the warm engine; empty where it never was."""
    grid = context_of(make_run(TIME, {point: coolant}, events)).grid
    running = np.asarray(grid.time >= 0.0)
    for at, control, position in events:
        if control == "engine" and position == "stop":
            running &= grid.time < at
    warm = engine_warm(grid, running, np.ones(running.size, dtype=bool))
    found = grid.time[warm]
    return [float(found[0]), float(found[-1])] if found.size else []


def test_heat_that_soaks_after_the_engine_stops_is_not_how_warm_it_got() -> None:
    """A standing engine's coolant rises by itself; the engine was warm at 85 °C all the same."""
    stopped = 1200.0
    soaked = WARMING + np.where(stopped < TIME, 40.0, 0.0)
    before = warm_s(WARMING, [STARTED])
    found = warm_s(soaked, [STARTED, (stopped, "engine", "stop")])
    assert found[0] == pytest.approx(before[0], abs=15.0)
    assert found[1] == pytest.approx(stopped, abs=5.0)


def test_coolant_hot_from_before_the_start_is_not_how_warm_it_got() -> None:
    hot = np.where(TIME < -20.0, 130.0, WARMING)
    before = warm_s(WARMING, [STARTED])
    found = warm_s(hot, [STARTED])
    assert found == pytest.approx(before, abs=15.0)


@pytest.mark.parametrize("point", ["engine_coolant", "coolant_in"])
def test_an_engine_that_never_gets_warm_is_never_warm(point: str) -> None:
    assert warm_s(np.full(TIME.size, 20.0), [STARTED], point) == []


def test_coolant_that_cools_again_ends_the_warm_engine() -> None:
    """Down to 45 °C at 1200 s, half of what it had: an engine thermometer says so."""
    cooled = np.where(TIME > 1200.0, 45.0, WARMING)
    assert warm_s(cooled, [STARTED])[1] == pytest.approx(1200.0, abs=20.0)
    # what the heater is given may be shut off: the engine is taken to stay warm
    assert warm_s(cooled, [STARTED], "coolant_in")[1] == pytest.approx(TIME[-1], abs=5.0)
