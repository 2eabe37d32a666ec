"""Engines that stop with the car: a duct is filled anew within seconds, a core cools slowly.

A duct of 0.02 m3 at 0.05 m3/s is filled anew in less than a second; a core of 1 kg of metal and
coolant, 3 kJ/K, that loses 3 kW to the air falls by 1 K a second (heat balance, from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.timeline.grid import build_grid
from analysis.timeline.states import engine_on
from analysis.timeline.stops import stop_findings, stopped_with_the_car
from ingest.arrays import Floats
from tests.support.signals.runs import make_run

TIME = np.arange(0.0, 900.0, 1.0)
STANDS = (TIME % 150.0 > 100.0) & (TIME > 200.0)
SPEED = np.where(STANDS, 0.0, 10.0)


def outlet(fall_s: float, floor: float = 0.0, warm: float = 50.0) -> Floats:
    """First-order toward `floor` while the car stands, back within seconds when it moves."""
    rise = np.empty(TIME.size)
    level = warm
    for place, stands in enumerate(STANDS.tolist()):
        lag = fall_s if stands else 4.0
        level += ((floor if stands else warm) - level) / lag
        rise[place] = level
    return rise


def off(rise: Floats, **more: Floats) -> np.ndarray:
    channels = {"outlet": 5.0 + rise, "ambient": np.full(TIME.size, 5.0), "road_speed": SPEED}
    return stopped_with_the_car(build_grid(make_run(TIME, channels | more)))


def test_an_outlet_that_falls_with_every_stop() -> None:
    found = off(outlet(8.0))
    assert found[STANDS].mean() > 0.9
    assert not found[~STANDS].any()


def test_the_engine_did_not_run_then() -> None:
    channels = {"outlet": 5.0 + outlet(8.0), "road_speed": SPEED}
    grid = build_grid(make_run(TIME, channels))
    stopped = stopped_with_the_car(grid)
    on = engine_on(grid, stopped)
    assert not on[STANDS[: on.size]].any()
    assert on[~STANDS[: on.size]].all()
    (said,) = stop_findings(grid, stopped)
    # five stops of 49 s
    assert "at 5 stops" in str(said.detail)
    assert "245 s in all" in str(said.detail)
    assert stop_findings(grid, np.zeros_like(stopped)) == []


@pytest.mark.parametrize(
    "rise",
    [
        outlet(120.0),  # a core that gets too little at idle
        outlet(8.0, floor=30.0),  # one that gets less
        outlet(8.0, warm=10.0),  # no heat to lose
        np.full(TIME.size, 50.0),
    ],
)
def test_a_core_that_cools_at_idle_is_no_engine_that_stands(rise: Floats) -> None:
    assert not off(rise).any()


def test_where_engine_speed_is_logged_that_tells() -> None:
    assert not off(outlet(8.0), engine_speed=np.full(TIME.size, 900.0)).any()


def test_one_stop_is_no_habit() -> None:
    once = np.where((TIME > 300.0) & (TIME < 350.0), 0.0, 50.0)
    assert not off(once).any()
