"""How the controls stood: what counts as another use than the test needs (common practice)."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.causes.signs.control_use import misuses
from tests.support.contexts import context_of
from tests.support.signals.runs import Event, make_run

TIME = np.arange(0.0, 900.0)


def said(*events: Event) -> str:
    noted: list[Event] = [(0.0, "engine", 1.0), (0.0, "temp_lever", 100.0), *events]
    run = make_run(TIME, {"outlet": np.linspace(0.0, 60.0, TIME.size)}, noted)
    sentences = misuses(context_of(run))
    assert sentences is not None
    return "; ".join(sentences)


@pytest.mark.parametrize(("opened", "misused"), [(3.0, False), (12.0, True)])
def test_blower_on_before_its_air_door(opened: float, *, misused: bool) -> None:
    events: list[Event] = [(0.0, "air_door", 0.0), (20.0, "blower", 3.0)]
    heard = said(*events, (20.0 + opened, "air_door", 100.0))
    assert ("suction holds that door" in heard) == misused


def test_recirculated_air_needs_no_fresh_air_door() -> None:
    assert said((0.0, "mode", "recirculate"), (0.0, "air_door", 0.0), (0.0, "blower", 3.0)) == ""


@pytest.mark.parametrize(
    ("control", "value", "sentence"),
    [
        ("defrost", 80.0, "the defroster was left on"),
        ("mode", "vent", "the mode stood at vent"),
        ("temp_lever", 45.0, "the lever stood between its ends"),
        ("blower", 1.0, "the blower stood at step 1"),
    ],
)
def test_a_control_that_stood_otherwise_most_of_the_time(
    control: str, value: float | str, sentence: str
) -> None:
    assert sentence not in said((700.0, control, value))
    assert sentence in said((30.0, control, value))


def test_a_quarter_of_an_hour_midway_counts_though_a_proper_test_follows() -> None:
    """Contract: five minutes before it was put right, even if the rest is a proper test."""
    time = np.arange(0.0, 2400.0)
    noted: list[Event] = [(0.0, "engine", 1.0), (0.0, "temp_lever", 50.0), (0.0, "blower", 4.0)]
    noted += [(900.0, "temp_lever", 100.0)]
    run = make_run(time, {"outlet": np.linspace(0.0, 60.0, time.size)}, noted)
    said_of_it = misuses(context_of(run))
    assert said_of_it is not None
    assert said_of_it == ["the lever stood between its ends, near 50 %, for 15 min from the start"]


def test_a_sweep_a_cold_hold_and_a_short_slip_are_a_test() -> None:
    """Steps of a minute, six minutes at the cold end after the hot hold, four minutes too late."""
    time = np.arange(0.0, 3000.0)
    noted: list[Event] = [(0.0, "engine", 1.0), (0.0, "temp_lever", 60.0), (0.0, "blower", 4.0)]
    noted += [(240.0, "temp_lever", 100.0)]
    noted += [(900.0 + 60.0 * step, "temp_lever", 100.0 - 10.0 * step) for step in range(1, 11)]
    noted += [(1860.0, "temp_lever", 100.0)]
    run = make_run(time, {"outlet": np.linspace(0.0, 60.0, time.size)}, noted)
    assert misuses(context_of(run)) == []


@pytest.mark.parametrize(("rise", "misused"), [(59.5, False), (45.0, True)])
def test_a_lever_that_costs_no_heat_is_no_misuse(rise: float, *, misused: bool) -> None:
    """Forgotten notes: nobody is cold with what full hot gives (common practice, no source)."""
    time = np.arange(0.0, 2400.0)
    noted: list[Event] = [(0.0, "engine", 1.0), (0.0, "temp_lever", 100.0), (0.0, "blower", 4.0)]
    noted += [(1500.0, "temp_lever", 88.0)]
    warm = 60.0 * (1.0 - np.exp(-time / 150.0))
    outlet = np.where(time < 1500.0, warm, rise) + 0.05 * np.sin(time)
    channels = {"outlet": outlet, "ambient": np.zeros(time.size), "coolant_in": 1.4 * warm}
    sentences = misuses(context_of(make_run(time, channels, noted)))
    assert sentences is not None
    assert bool(sentences) == misused
