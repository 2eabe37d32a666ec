"""How the controls stood: whether the run shows the heater used as the test needs it.

All shares are of the time the engine ran. The thresholds are generous on purpose: a full test plan
spends a third of its time on sweeps, cold-end holds and the defroster, and is no misuse.
Common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from ingest.points import MODES

if TYPE_CHECKING:
    from analysis.timeline.timeline import Timeline

HOT_END: Final = 95.0
"""Lever position from which it counts as at the hot end, %."""

LITTLE_HOT: Final = 0.2
"""Share of the time at the hot end below which the lever was not used as the test needs it."""

MOST: Final = 0.6
"""Share of the time that counts as most of it."""

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
    checks = (_lever, _mode, _defrost, _blower, _blower_before_door)
    return [sentence for check in checks if (sentence := check(timeline, running))]


def _share(condition: np.ndarray, running: np.ndarray) -> float:
    return float(np.count_nonzero(condition & running) / np.count_nonzero(running))


def _lever(timeline: Timeline, running: np.ndarray) -> str | None:
    lever = timeline.grid.control("temp_lever")
    if np.isnan(lever[running]).all():
        return None
    hot = _share(lever >= HOT_END, running)
    between = _share((lever > 5.0) & (lever < HOT_END), running)
    if hot < LITTLE_HOT and between > MOST:
        typical = float(np.nanmedian(lever[running]))
        return (
            f"the lever stood between its ends for {between:.0%} of the time "
            f"(mostly near {typical:.0f} %) and at the hot end for {hot:.0%}"
        )
    cold = _share(lever <= 5.0, running)
    if hot < LITTLE_HOT and cold > MOST:
        return f"the lever stood at the cold end for {cold:.0%} of the time"
    return None


def _mode(timeline: Timeline, running: np.ndarray) -> str | None:
    mode = timeline.grid.mode
    for word in ELSEWHERE:
        share = _share(mode == MODES.index(word), running)
        if share > MOST:
            return f"the mode stood at {word} for {share:.0%} of the time"
    return None


def _defrost(timeline: Timeline, running: np.ndarray) -> str | None:
    share = _share(timeline.grid.control("defrost") >= 50.0, running)
    if share > MOST:
        return f"the defroster was left on for {share:.0%} of the time"
    return None


def _blower(timeline: Timeline, running: np.ndarray) -> str | None:
    blower = timeline.grid.control("blower")
    if np.isnan(blower[running]).all():
        return None
    low = _share(blower <= 1.0, running)
    if low > 0.75:
        step = float(np.nanmedian(blower[running]))
        state = "off" if step == 0 else f"at step {step:.0f}"
        return f"the blower stood {state} or lower for {low:.0%} of the time"
    return None


def _blower_before_door(timeline: Timeline, running: np.ndarray) -> str | None:
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
