"""cold_end_rise: what still comes out warm with the lever at the cold end."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.context import Context
from tests.support.contexts import context_of
from tests.support.signals.hold_runs import RISE, heater_run, settling

TIME = np.arange(-60.0, 1800.0)
LEAK = 0.1
"""Share of the hot rise that leaks through the closed door: 4.5 K over ambient."""


def cold_run(hold: float, tau: float, seed: int = 1, noise: float = 0.1) -> Context:
    moves = [(-60.0, 1.0), (1000.0, LEAK), (1000.0 + hold, 1.0)]
    events = [(1000.0, "temp_lever", 0), (1000.0 + hold, "temp_lever", 100)]
    share = settling(TIME, moves, tau)
    return context_of(heater_run(share=share, events=events, seed=seed, noise=noise))


@pytest.mark.parametrize(("hold", "tau"), [(400.0, 10.0), (400.0, 60.0), (200.0, 30.0)])
def test_a_long_hold_gives_the_level(hold: float, tau: float) -> None:
    rise = cold_run(hold, tau).figure("cold_end_rise")
    truth = LEAK * RISE - 1.0  # inlet air is 1 K above ambient
    assert rise.value == pytest.approx(truth, abs=0.3)
    assert rise.u is not None
    assert abs(rise.value - truth) <= 2.0 * rise.u


def test_short_holds_are_extrapolated_honestly() -> None:
    """Holds of a good three time constants: still 1.4 K off at their end."""
    inside = []
    for seed in range(30):
        rise = cold_run(100.0, 30.0, seed=seed).figure("cold_end_rise")
        assert rise.value is not None, rise.note
        assert rise.u is not None
        inside.append(abs(rise.value - (LEAK * RISE - 1.0)) <= 2.0 * rise.u)
    assert np.mean(inside) >= 0.9


def test_a_hold_that_shows_nothing_yet_says_to_hold_longer() -> None:
    rise = cold_run(30.0, 60.0).figure("cold_end_rise")
    assert rise.value is None
    assert "hold it longer" in (rise.note or "")


def test_ambient_stands_in_for_inlet_air() -> None:
    share = settling(TIME, [(-60.0, 1.0), (1000.0, LEAK)], 10.0)
    run = heater_run(share=share, events=[(1000.0, "temp_lever", 0)], without=["inlet_air"])
    rise = context_of(run).figure("cold_end_rise")
    assert rise.value == pytest.approx(LEAK * RISE, abs=0.5)
    assert "from ambient" in (rise.note or "")


def test_recirculation_without_inlet_air_is_not_measured() -> None:
    share = settling(TIME, [(-60.0, 1.0), (1000.0, LEAK)], 10.0)
    run = heater_run(
        share=share,
        events=[(1000.0, "temp_lever", 0), (999.0, "mode", "recirculate")],
        without=["inlet_air"],
    )
    rise = context_of(run).figure("cold_end_rise")
    assert rise.value is None
    assert "recirculating" in (rise.note or "")


def test_a_lever_never_at_the_cold_end() -> None:
    rise = context_of(heater_run()).figure("cold_end_rise")
    assert rise.note == "the lever was never at the cold end (it went no further than 100 %)"


def test_a_move_that_was_not_noted_is_no_open_valve() -> None:
    """Common practice, no source: an outlet that went cold and is hot again was moved by a hand."""
    share = settling(TIME, [(-60.0, 1.0), (1000.0, LEAK), (1250.0, 1.0)], 10.0)
    run = heater_run(share=share, events=[(1000.0, "temp_lever", 0)])
    rise = context_of(run).figure("cold_end_rise")
    assert rise.value is None
    assert "a move was not noted" in (rise.note or "")


@pytest.mark.parametrize(("hold", "measured"), [(80.0, False), (400.0, True)])
def test_a_water_valve_gets_time_to_show_that_it_shut(hold: float, *, measured: bool) -> None:
    """The default limit gives a water valve 100 s to respond: 80 s of no change tell nothing."""
    share = settling(TIME, [(-60.0, 1.0)], 10.0)  # never leaves its level
    events = [(1000.0, "temp_lever", 0), (1000.0 + hold, "temp_lever", 100)]
    run = heater_run(share=share, events=events, heater="water-valve")
    rise = context_of(run).figure("cold_end_rise")
    assert (rise.value is not None) == measured
    if not measured:
        assert "water valve" in (rise.note or "")


@pytest.mark.parametrize(("per_minute", "measured"), [(0.04, False), (0.0, True)])
@pytest.mark.parametrize(("step", "hold"), [(1.0, 300.0), (10.0, 90.0)])
def test_a_core_that_still_cools_is_not_settled(
    step: float, hold: float, per_minute: float, *, measured: bool
) -> None:
    """A shut valve leaves a warm core (the default limit's basis): it is no open valve."""
    time = TIME[:: round(step)]
    after = 0.4 * (1.0 - per_minute * np.maximum(time - 1000.0, 0.0) / 60.0)
    share = np.where(time < 1000.0, 1.0, after)
    events = [(1000.0, "temp_lever", 0), (1000.0 + hold, "temp_lever", 100)]
    run = heater_run(share=share, events=events, step=step, heater="water-valve")
    rise = context_of(run).figure("cold_end_rise")
    assert (rise.value is not None) == measured
    if not measured:
        assert "still cooling" in (rise.note or "")
