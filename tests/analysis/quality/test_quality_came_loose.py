"""A sensor that came off in mid-run loses what follows; an unclear fall loses nothing."""

from __future__ import annotations

import numpy as np

from analysis.quality import assess
from ingest.arrays import Floats
from ingest.run import Run
from tests.support.signals.runs import Event, make_run

TIME = np.arange(-60.0, 1200.0)
WARM = 1.0 - np.exp(-np.maximum(TIME, 0.0) / 200.0)
NOTES: list[Event] = [(-60.0, "temp_lever", 100.0), (0.0, "engine", "start")]
OFF = 800.0


def run_with(events: list[Event], *, back: float = np.inf, cold_feet: bool = False) -> Run:
    rng = np.random.default_rng(3)
    lag = np.exp(-np.maximum(TIME - OFF, 0.0) / 5.0)
    coolant = -5.0 + 90.0 * WARM
    outlet = -5.0 + 60.0 * WARM
    footwell = -5.0 + 45.0 * WARM
    off = (TIME >= OFF) & (back > TIME)
    outlet = np.where(off, 20.0 + (outlet - 20.0) * lag, outlet)
    if cold_feet:
        footwell = footwell - 8.0 * (1.0 - np.exp(-np.maximum(TIME - OFF, 0.0) / 40.0))
    channels = {
        "outlet": outlet,
        "footwell": footwell,
        "coolant_in": coolant,
        "ambient": np.full(TIME.size, -5.0),
    }
    noisy = {point: each + rng.normal(0.0, 0.1, TIME.size) for point, each in channels.items()}
    return make_run(TIME, noisy, events)


def loose(run: Run) -> list[tuple[float | None, float | None]]:
    return [
        (each.from_s, each.to_s)
        for each in assess(run).findings
        if each.fault == "came_loose" and each.channel == "outlet"
    ]


def test_what_follows_the_fall_is_left_out() -> None:
    run = run_with(NOTES)
    run = run.with_(readings=run.readings.filter(run.readings["time_s"] < OFF + 100.0))
    ((begin, end),) = loose(run)
    assert begin is not None
    assert abs(begin - OFF) <= 5.0
    assert end == OFF + 99.0
    time, _ = assess(run).series("outlet")
    assert time[-1] < OFF + 1.0


def test_what_came_before_and_after_is_kept() -> None:
    run = run_with(NOTES, back=1000.0)
    ((_, end),) = loose(run)
    assert end is not None
    assert abs(end - 1000.0) <= 5.0
    time, _ = assess(run).series("outlet")
    assert time[-1] == TIME[-1]


def test_a_short_fall_loses_nothing() -> None:
    assert loose(run_with(NOTES, back=OFF + 20.0)) == []


def test_a_fall_beside_a_note_whose_clock_is_off_loses_nothing() -> None:
    assert loose(run_with([*NOTES, (OFF + 20.0, "temp_lever", 0.0)])) == []


def test_a_fall_in_a_run_without_notes_loses_nothing() -> None:
    assert loose(run_with([])) == []


def test_a_fall_that_the_footwell_follows_loses_nothing() -> None:
    assert loose(run_with(NOTES, back=1000.0)) != []
    assert loose(run_with(NOTES, back=1000.0, cold_feet=True)) == []


def test_a_fall_while_nobody_noted_the_lever_may_be_the_lever() -> None:
    """The engine's start alone says nothing of it; any note of the lever, however old, does."""
    assert loose(run_with(NOTES, back=1000.0)) != []
    unnoted: list[Event] = [(0.0, "engine", "start"), (5.0, "blower", 3)]
    assert loose(run_with(unnoted, back=1000.0)) == []


def test_what_stays_as_hot_as_an_outlet_is_still_one() -> None:
    """The blower a step down, and nobody noted it: no other air in a car is at 45 °C."""
    rng = np.random.default_rng(4)
    fallen = np.where(TIME >= OFF, 10.0 * (1.0 - np.exp(-np.maximum(TIME - OFF, 0.0) / 5.0)), 0.0)
    channels = {
        "outlet": -5.0 + 60.0 * WARM - fallen,
        "coolant_in": -5.0 + 90.0 * WARM,
        "ambient": np.full(TIME.size, -5.0),
    }
    noisy = {point: each + rng.normal(0.0, 0.1, TIME.size) for point, each in channels.items()}
    assert loose(make_run(TIME, noisy, NOTES)) == []


def hoses(supply: Floats, back: Floats) -> list[tuple[str | None, str, float | None]]:
    rng = np.random.default_rng(5)
    channels = {"coolant_in": supply, "coolant_out": back, "ambient": np.full(TIME.size, -5.0)}
    noisy = {point: each + rng.normal(0.0, 0.1, TIME.size) for point, each in channels.items()}
    # a move noted at the very moment: of the fall alone nothing would be told
    found = assess(make_run(TIME, noisy, [*NOTES, (OFF + 5.0, "temp_lever", 75.0)])).findings
    return [(each.channel, each.fault, each.from_s) for each in found]


def test_a_supply_that_falls_below_its_return_has_lost_its_clip_and_no_hose_is_reversed() -> None:
    """What leaves a heater is never hotter than what enters it (second law)."""
    coolant = -5.0 + 90.0 * WARM
    away = np.exp(-np.maximum(TIME - OFF, 0.0) / 15.0)
    supply = np.where(TIME >= OFF, 35.0 + (coolant - 35.0) * away, coolant)
    found = hoses(supply, coolant - 8.0 * WARM)
    ((_, _, since),) = [each for each in found if each[:2] == ("coolant_in", "came_loose")]
    assert since is not None
    assert abs(since - OFF) < 30.0
    assert "supply_cooler" not in {fault for _, fault, _ in found}


def test_hoses_that_are_reversed_from_the_first_have_lost_no_clip() -> None:
    coolant = -5.0 + 90.0 * WARM
    found = hoses(coolant - 15.0 * WARM, coolant)
    assert ("coolant_in", "supply_cooler") in {each[:2] for each in found}
    assert "came_loose" not in {fault for _, fault, _ in found}


def test_a_supply_that_cools_behind_a_shut_valve_has_lost_no_clip() -> None:
    """Nothing flows past a shut valve: the hose before the core goes cold (Newton's cooling)."""
    coolant = -5.0 + 90.0 * WARM
    away = np.exp(-np.maximum(TIME - OFF, 0.0) / 40.0)
    rng = np.random.default_rng(7)
    channels = {
        "coolant_in": np.where(TIME >= OFF, 30.0 + (coolant - 30.0) * away, coolant),
        "coolant_out": coolant - 8.0 * WARM,
        "ambient": np.full(TIME.size, -5.0),
    }
    noisy = {point: each + rng.normal(0.0, 0.1, TIME.size) for point, each in channels.items()}
    for notes in ([*NOTES, (OFF, "temp_lever", 0.0)], []):
        found = assess(make_run(TIME, noisy, notes, heater="water-valve")).findings
        assert "came_loose" not in {each.fault for each in found}
