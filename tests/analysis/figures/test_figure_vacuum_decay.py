"""`vacuum_decay`: the rate of loss from noted isolations."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analysis.figures.vacuum_decay import vacuum_decay
from analysis.measurement import Measurement
from ingest.arrays import Floats
from ingest.load.load import load_run
from tests.support.contexts import context_of
from tests.support.signals.runs import Event, make_run
from tests.support.signals.vacuum_runs import holding

HOLDS = Path(__file__).parents[2] / "data" / "measured" / "pressure-hold"


def decay(
    time: Floats, value: Floats, events: list[Event], point: str = "vacuum_source"
) -> Measurement:
    return vacuum_decay(context_of(make_run(time, {point: value}, events)))


@pytest.mark.parametrize(("name", "rate"), [("a", 1.4), ("b", 4.2)])
def test_measured_chambers_from_file_to_figure(name: str, rate: float) -> None:
    """0.014 and 0.042 bar/min, by the note beside the data."""
    run = load_run(HOLDS / f"chamber-{name}.csv", HOLDS / "run.toml")
    found = vacuum_decay(context_of(run))
    assert found.u is not None
    assert found.known() == pytest.approx(rate, rel=0.05)
    assert abs(found.known() - rate) <= 2.0 * found.u


def test_measured_fast_chamber_from_file_to_figure() -> None:
    """Half gone within some 12 s of the shutting-off, 19 s into the log."""
    run = load_run(HOLDS / "chamber-c.csv", HOLDS / "run.toml")
    context = context_of(run)
    found = vacuum_decay(context)
    assert found.window is not None
    assert found.window[0] == pytest.approx(7.0, abs=1.0)
    assert 1500.0 < found.known() < 3500.0
    assert 15.0 < (context.vacuum.isolations[0].leak.tau or 0.0) < 28.0


@pytest.mark.parametrize("tau", [60.0, 600.0])
def test_one_leak_down(tau: float) -> None:
    found = decay(*holding(400.0, [(200.0, 300.0, tau)]))
    truth = 60.0 * 60.0 / tau
    assert found.u is not None
    assert abs(found.known() - truth) <= 2.0 * found.u
    assert found.u < 0.1 * truth


@pytest.mark.parametrize("off", [-6.0, 6.0])
def test_hand_that_notes_some_seconds_off(off: float) -> None:
    time, value, events = holding(400.0, [(200.0, 300.0, 120.0)])
    noted = [(t + off if control != "engine" else t, control, word) for t, control, word in events]
    assert decay(time, value, noted).known() == pytest.approx(30.0, rel=0.08)


def test_over_pressure_counts_as_loss_too() -> None:
    time, value, events = holding(400.0, [(200.0, 300.0, 600.0)])
    over = decay(time, -value, events)
    assert over.known() == pytest.approx(decay(time, value, events).known())


def test_like_leak_downs_are_averaged() -> None:
    once = decay(*holding(900.0, [(200.0, 300.0, 600.0)]))
    thrice = decay(*holding(900.0, [(b, b + 100.0, 600.0) for b in (200.0, 400.0, 600.0)]))
    assert thrice.random < once.random
    assert thrice.note is None


def test_later_step_with_a_part_shut_off_is_not_mixed_in() -> None:
    found = decay(*holding(900.0, [(200.0, 300.0, 100.0), (400.0, 500.0, 3000.0)]))
    assert found.known() == pytest.approx(36.0, rel=0.06)
    assert found.note is not None
    assert "1 of 2 leak-downs" in found.note


def test_a_leak_half_as_large_again_is_another_one() -> None:
    found = decay(*holding(900.0, [(200.0, 300.0, 600.0), (400.0, 500.0, 400.0)]))
    assert found.known() == pytest.approx(6.0, rel=0.06)
    assert "1 of 2 leak-downs" in (found.note or "")


def test_control_moved_in_the_hold_ends_it() -> None:
    time, value, events = holding(400.0, [(200.0, 320.0, 600.0)])
    value[time >= 260.0] -= 8.0
    value[time >= 320.0] = 60.0
    found = decay(time, value, [*events, (260.0, "mode", "defrost")])
    assert found.window is not None
    assert found.window[1] <= 260.0
    assert found.known() == pytest.approx(6.0, rel=0.08)


def test_control_moved_soon_leaves_too_short_a_hold() -> None:
    time, value, events = holding(400.0, [(200.0, 300.0, 600.0)])
    found = decay(time, value, [*events, (206.0, "mode", "defrost")])
    assert found.value is None
    assert "disturbed after" in (found.note or "")


def test_controls_moved_before_and_after_the_hold_do_not_touch_it() -> None:
    time, value, events = holding(400.0, [(200.0, 300.0, 600.0)])
    moved: list[Event] = [(100.0, "mode", "defrost"), (150.0, "mode", "floor")]
    moved.append((350.0, "temp_lever", 0.0))
    found = decay(time, value, [*events, *moved])
    assert found.known() == pytest.approx(6.0, rel=0.05)
    assert found.window == decay(time, value, events).window


def test_fall_of_the_source_before_the_hold_is_no_leak() -> None:
    """The engine pulled hard just before the source was shut off: only the rest is the leak."""
    time, value, events = holding(400.0, [(200.0, 300.0, 2000.0)])
    drop = 12.0 * (1.0 - np.exp(-(time - 188.0).clip(0.0, 12.0) / 3.0))
    found = decay(time, value - np.where(time < 300.0, drop, 0.0), events)
    assert found.known() == pytest.approx(60.0 * 60.0 / 2000.0, rel=0.15)


def test_gauge_errors_scale_the_rate() -> None:
    time, value, events = holding(400.0, [(200.0, 300.0, 60.0)])
    run = make_run(time, {"vacuum_source": value}, events, tolerance=0.6)
    found = vacuum_decay(context_of(run))
    assert found.shared["tolerance of vacuum_source"] == pytest.approx(
        0.01 * found.known(), rel=0.05
    )


def test_actuator_stands_in_and_says_so() -> None:
    found = decay(*holding(400.0, [(200.0, 300.0, 600.0)]), point="vacuum_actuator")
    assert found.value is not None
    assert found.note is not None
    assert "actuator" in found.note


def test_reasons() -> None:
    time, value, events = holding(400.0, [(200.0, 300.0, 600.0)])
    short: list[Event] = [(200.0, "vacuum_isolated", 1.0), (210.0, "vacuum_isolated", 0.0)]
    cases = [
        (decay(time, value, events[:1]), "never shut off"),
        (decay(time, value, short), "needs 20 s"),
        (decay(time, 0.02 * value, events), "no vacuum to lose"),
        (decay(time, value, events, "outlet"), "no vacuum was logged"),
    ]
    for found, reason in cases:
        assert found.value is None
        assert found.note is not None
        assert reason in found.note


def test_quick_gauge_on_a_slow_logger() -> None:
    """A reading every 5 s is enough for a leak of minutes."""
    time, value, events = holding(400.0, [(200.0, 300.0, 600.0)])
    found = decay(time[::10], np.round(value[::10], 1), events)
    assert found.known() == pytest.approx(6.0, rel=0.1)
