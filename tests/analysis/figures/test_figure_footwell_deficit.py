"""footwell_deficit: outlet less footwell while the cabin is still warming."""

from __future__ import annotations

import numpy as np
import pytest

from tests.support.contexts import context_of
from tests.support.signals.hold_runs import AMBIENT, RISE, heater_run, warming
from tests.support.signals.runs import Event

TIME = np.arange(-60.0, 1800.0)


def test_a_settled_footwell() -> None:
    foot = AMBIENT + (RISE - 12.0) * warming(TIME)
    found = context_of(heater_run(extra={"footwell": foot})).figure("footwell_deficit")
    assert found.value == pytest.approx(12.0, abs=0.2)


def test_a_footwell_that_goes_on_warming_is_measured_with_its_drift() -> None:
    slow = np.where(TIME > 0.0, 1.0 - np.exp(-np.maximum(TIME, 0.0) / 900.0), 0.0)
    found = context_of(heater_run(extra={"footwell": AMBIENT + 35.0 * slow})).figure(
        "footwell_deficit"
    )
    assert found.value is not None
    assert found.window is not None
    begin, end = found.window
    inside = slice(*np.searchsorted(TIME, (begin, end)))
    assert found.value == pytest.approx(RISE - 35.0 * slow[inside].mean(), abs=0.3)
    assert found.random > 1.0


def test_without_a_footwell_sensor() -> None:
    assert context_of(heater_run()).figure("footwell_deficit").note == "footwell was not logged"


@pytest.mark.parametrize(("share", "measured"), [(0.2, False), (0.45, True)])
def test_a_footwell_read_for_part_of_the_window(share: float, measured: bool) -> None:  # noqa: FBT001
    """Three tenths of the window is the least that serves; fewer readings are said to be few."""
    window = context_of(heater_run()).hot.chosen
    assert window is not None
    seen = TIME[0] + window.start + share * window.length
    foot = np.where((TIME[0] + window.start < TIME) & (seen < TIME), np.nan, AMBIENT + RISE - 12.0)
    found = context_of(heater_run(extra={"footwell": foot})).figure("footwell_deficit")
    assert (found.value is not None) == measured
    if measured:
        assert found.value == pytest.approx(12.0, abs=0.2)
    else:
        assert "too few readings of" in (found.note or "")


def test_a_footwell_that_was_colder_in_another_window_is_no_scatter() -> None:
    """The cabin warms, so the footwell of an earlier window is bound to lie further below."""
    away = (TIME > 900.0) & (TIME < 1000.0)
    moves: list[Event] = [(900.0, "temp_lever", 0), (1000.0, "temp_lever", 100)]
    share = np.where(away, 0.2, 1.0)
    below = np.where(TIME < 950.0, 14.0, 8.0)
    foot = AMBIENT + RISE * warming(TIME) * share - below
    ctx = context_of(heater_run(share=share, events=moves, extra={"footwell": foot}))
    assert ctx.hot.others
    found = ctx.figure("footwell_deficit")
    assert found.value == pytest.approx(8.0, abs=0.2)
    assert found.random < 0.5
