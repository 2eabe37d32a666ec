"""Why there is no hold, no outlet, no lever: the first thing that was lacking, and nothing else.

A reason is what a technician does otherwise next time, so it must be true: what was not logged or
not noted is not said to have been done wrong, and of several things lacking the first is named.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from analysis.timeline.states import States, lever_known, stretches
from ingest.arrays import Bools
from ingest.run import Run
from ingest.saying import say

OTHER_OUTLETS: Final = ("outlet_panel", "outlet_defrost")


def no_outlet(run: Run) -> str:
    """Why nothing is known of the outlet, and which name would make another one serve."""
    if "outlet" in run.sensors:
        return "the outlet has no reading that can be used"
    said = "the outlet was not logged"
    for point in OTHER_OUTLETS:
        if run.has(point):
            return f"{said}: if the heater's air comes out there, rename `{point}` to `outlet`"
    return said


def never_there(states: States, end: str) -> str:
    """Why the lever was never at an end, as far as is known."""
    if not lever_known(states.lever):
        return f"the lever's position was not noted, so nobody knows when it was at the {end} end"
    position = states.lever
    extreme = np.nanmax(position) if end == "hot" else np.nanmin(position)
    return f"the lever was never at the {end} end (it went no further than {extreme:.0f} %)"


def no_hold(states: States, at_end: Bools, end: str, least_s: float, seen: Bools, name: str) -> str:
    """Why there is no stretch with the lever at an end that is long enough.

    Parameters
    ----------
    states
        What was going on.
    at_end
        Bins with the lever at that end.
    end
        ``hot`` or ``cold``.
    least_s
        How long it would have to be, s.
    seen, name
        Where what must be steady there was read, and what that is.
    """
    if not at_end.any():
        return never_there(states, end)
    there = f"while the lever was at the {end} end"
    if not lever_known(states.lever):
        there = "while the outlet was hottest (the lever was not noted)"
    else:
        longest = _longest(states, at_end)
        if longest < least_s:
            return say(
                "the lever was at the {end} end for {longest:.0f s} at a time at most, and "
                "{least:.0f s} are needed",
                end=end,
                longest=longest,
                least=least_s,
            )
    mask = at_end
    for state, never, short in _needed(states, seen, name):
        mask = mask & state
        if not mask.any():
            return f"{never} {there}"
        longest = _longest(states, mask)
        if longest < least_s:
            return say(
                "{short} for {longest:.0f s} at a time at most {there}, and {least:.0f s} are "
                "needed",
                short=short,
                longest=longest,
                there=there,
                least=least_s,
            )
    untouched = _longest(states, mask, states.changes)
    if untouched >= least_s:
        return say(
            "the lever was at the {end} end for {longest:.0f s} at most, too near the "
            "{least:.0f s} needed: what is noted by hand may be some seconds late",
            end=end,
            longest=untouched,
            least=least_s,
        )
    return say(
        "blower or mode were changed {there}: nothing was touched for {longest:.0f s} at most, and "
        "{least:.0f s} are needed",
        there=there,
        longest=untouched,
        least=least_s,
    )


def _needed(states: States, seen: Bools, name: str) -> list[tuple[Bools, str, str]]:
    """What a hold needs besides the lever: where it was so, and how to say never and too short."""
    has_coolant = states.has_any("engine_coolant", "coolant_in")
    cold = "the engine was never warm"
    warm = "the engine was warm"
    if not has_coolant:
        cold = "no coolant temperature was logged, and the outlet was never near its hottest"
        warm = "no coolant temperature was logged, and the outlet was known to be warm"
    return [
        (states.engine_on, "the engine was not running", "the engine ran"),
        (states.blowing, "the blower was off", "the blower was on"),
        (states.engine_warm, cold, warm),
        (seen, f"{name} was not read", f"{name} was read"),
    ]


def _longest(states: States, mask: Bools, broken: Bools | None = None) -> float:
    """Longest stretch, s."""
    nowhere = np.zeros(mask.size, dtype=bool)
    found = stretches(mask, nowhere if broken is None else broken)
    return (found[0][1] - found[0][0]) * states.grid.step if found else 0.0
