"""How the controls stood: whether the owner would have been cold with nothing broken.

A lever left midway or cold, a mode that sends the heat elsewhere, the defroster left on, a blower
left low: each counts where it lasted five minutes of running engine without a break
(docs/contract.md), from the start or later, even where the rest of the run is a proper test. A test
moves on sooner: its sweeps stand for a minute, its other holds for a few. Common practice, no
source.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from analysis.timeline.timeline import Timeline
from ingest.arrays import Bools, Floats
from ingest.points import MODES

HOT_END: Final = 95.0
COLD_END: Final = 5.0
"""Lever positions from which it counts as at an end, %."""

LASTING_S: Final = 300.0
"""So long a control must stand otherwise, s of running engine (docs/contract.md)."""

COLD_HOLD_S: Final = 420.0
"""A hold at the cold end after one at the hot end is part of a test up to this long, s."""

MOVED_PCT: Final = 3.0
"""A lever moved by less than this stands where it stood, % of travel."""

AS_HOT: Final = 0.97
"""With this share of its rise at full hot nobody is cold, wherever the lever is said to stand: a
move was not noted, or the heater gives all it has before its end (common practice, no source)."""

SHORTEST_RUN_S: Final = 120.0
"""Below this the controls of a run say nothing."""

DOOR_SHUT: Final = 20.0
"""Fresh-air door at or below this counts as shut or nearly shut, %."""

LONGEST_HELD_S: Final = 5.0
"""The blower may run this long against a shut fresh-air door before it is a misuse, s: two controls
moved one after the other. A door that suction has once shut does not open when it is told to."""

ELSEWHERE: Final = ("off", "vent", "defrost")
"""Modes that send the heat elsewhere than a floor heater test needs."""


def misuses(timeline: Timeline) -> list[str] | None:
    """Sentences, one for each way in which the controls stood otherwise than the test needs.

    Returns
    -------
    list of str, or None
        Empty where they stood right; None where no control was noted at all.
    """
    grid = timeline.grid
    if not grid.controls and not np.any(grid.mode >= 0):
        return None
    running = timeline.engine_on
    if running.sum() * grid.step < SHORTEST_RUN_S:
        return None
    checks: tuple[Callable[[Timeline, Bools], str | None], ...]
    checks = (_midway, _cold, _mode, _defrost, _blower, _blower_before_door)
    return [sentence for check in checks if (sentence := check(timeline, running))]


def _longest(condition: Bools, running: Bools, step: float) -> tuple[float, int]:
    """Longest unbroken time of running engine in a state, s, and the bin at which it begins.

    Times with the engine off neither count nor break it.
    """
    state = condition[running]
    edges = np.flatnonzero(np.diff(np.concatenate(([False], state, [False]))))
    if edges.size == 0:
        return 0.0, 0
    begins, ends = edges[::2], edges[1::2]
    longest = int(np.argmax(ends - begins))
    return float(ends[longest] - begins[longest]) * step, int(
        np.flatnonzero(running)[begins[longest]]
    )


def _when(timeline: Timeline, place: int) -> str:
    at = max(0.0, float(timeline.grid.time[place]))
    return "from the start" if at < LASTING_S / 5.0 else f"from {at:.0f} s on"


def _gives_less(timeline: Timeline) -> Bools:
    """Where the outlet gives less than at full hot; everywhere where that is not known."""
    hot = timeline.hot.chosen
    if hot is None:
        return np.ones(timeline.grid.time.size, dtype=np.bool_)
    return ~(timeline.rise >= AS_HOT * hot.level.value)


def _midway(timeline: Timeline, running: Bools) -> str | None:
    lever = timeline.grid.control("temp_lever")
    between = (lever > COLD_END) & (lever < HOT_END) & _gives_less(timeline)
    lasted, place = 0.0, 0
    for position in np.unique(lever[between & running]):
        here = between & (np.abs(lever - position) <= MOVED_PCT)
        found = _longest(here, running, timeline.grid.step)
        lasted, place = max((lasted, place), found)
    if lasted < LASTING_S:
        return None
    return (
        f"the lever stood between its ends, near {lever[place]:.0f} %, for {lasted / 60.0:.0f} min "
        f"{_when(timeline, place)}"
    )


def _cold(timeline: Timeline, running: Bools) -> str | None:
    lever = timeline.grid.control("temp_lever")
    cold = (lever <= COLD_END) & _gives_less(timeline)
    lasted, place = _longest(cold, running, timeline.grid.step)
    tested_before = bool((lever[:place] >= HOT_END).any())
    if lasted < (COLD_HOLD_S if tested_before else LASTING_S):
        return None
    return f"the lever stood at the cold end for {lasted / 60.0:.0f} min {_when(timeline, place)}"


def _mode(timeline: Timeline, running: Bools) -> str | None:
    for word in ELSEWHERE:
        there = timeline.grid.mode == MODES.index(word)
        lasted, place = _longest(there, running, timeline.grid.step)
        if lasted >= LASTING_S:
            return f"the mode stood at {word} for {lasted / 60.0:.0f} min {_when(timeline, place)}"
    return None


def _defrost(timeline: Timeline, running: Bools) -> str | None:
    on: Floats = timeline.grid.control("defrost")
    lasted, place = _longest(on >= 50.0, running, timeline.grid.step)
    if lasted < LASTING_S:
        return None
    return f"the defroster was left on for {lasted / 60.0:.0f} min {_when(timeline, place)}"


def _blower(timeline: Timeline, running: Bools) -> str | None:
    blower = timeline.grid.control("blower")
    lasted, place = _longest(blower <= 1.0, running, timeline.grid.step)
    if lasted < LASTING_S:
        return None
    state = "off" if blower[place] == 0 else f"at step {blower[place]:.0f}"
    return f"the blower stood {state} for {lasted / 60.0:.0f} min {_when(timeline, place)}"


def _blower_before_door(timeline: Timeline, running: Bools) -> str | None:
    door, blower = timeline.grid.control("air_door"), timeline.grid.control("blower")
    if np.isnan(door).all():
        return None
    # suction of the blower holds a shut fresh-air door shut, so the order of the two matters
    held = (
        (door <= DOOR_SHUT)
        & (blower >= 1.0)
        & (timeline.grid.mode != MODES.index("recirculate"))
        & running
    )
    if held.sum() * timeline.grid.step > LONGEST_HELD_S:
        return (
            f"the blower ran for {held.sum() * timeline.grid.step:.0f} s with its fresh-air door "
            "shut or nearly shut; suction holds that door"
        )
    return None
