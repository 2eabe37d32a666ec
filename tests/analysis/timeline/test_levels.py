"""Levels in a window: what goes into their uncertainty, and which air is entered."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.timeline.levels import inlet_for, level_of
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
