"""A clip that let go of the supply hose in the middle of a run: cooler than the return from there.

What leaves a heater is never hotter than what enters it. A supply that reads the hotter of the two
for a while and then far cooler has no hoses reversed, which nobody exchanges on the road: its
sensor hangs in the air of the engine bay.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.came_loose import CAME_LOOSE
from analysis.quality.heat import LEVER_WARM_PCT, WARM_C, lever
from analysis.quality.view import Hit, View
from ingest.saying import say

FAR_BELOW_K: Final = 6.0
"""Cooler than the return by more than two clips differ by, K (common practice, no source)."""

MIN_S: Final = 30.0
MIN_RIGHT_S: Final = 60.0
"""So long it is far below, and so long it was the hotter of the two before."""


@detector("loose_supply", order=89)
def detect(view: View) -> Iterator[Hit]:
    """Find a supply hose that fell below its return after it had been the hotter one."""
    if len(view.present("coolant_in", "coolant_out")) < 2:
        return
    supply, back = view.means("coolant_in"), view.means("coolant_out")
    warm = np.fmax(supply, back) > WARM_C
    if view.run.setup.run.heater != "blend-air":
        # past a valve that is shut nothing flows, and the hose before the core goes cold by itself
        position = lever(view)
        if position is None:
            return
        warm &= position >= LEVER_WARM_PCT
    apart = supply - back
    right = warm & (apart > 0.0)
    below = warm & (apart < -FAR_BELOW_K)
    width = view.width
    if below.sum() * width < MIN_S or not right.any():
        return
    first = int(np.argmax(below))
    before = right[:first]
    known = (warm & ~np.isnan(apart))[:first]
    # reversed hoses are so from the first
    if before.sum() * width < MIN_RIGHT_S or before.sum() < 0.9 * known.sum():
        return
    # from where it last was the hotter one, to where it is that again
    begin = int(np.flatnonzero(before)[-1]) + 1
    again = np.flatnonzero(right[first:])
    end = first + int(again[0]) if again.size else apart.size
    time = view.time[0] + width * np.array([begin, end])
    rows = (view.time >= time[0]) & (view.time < time[1]) & ~np.isnan(view.values("coolant_in"))
    if not rows.any():
        return
    since, last = view.seconds(rows)
    what = say(
        "coolant in fell {below:.0f K} below coolant out, which it had been above: its sensor came"
        " off the hose.",
        below=-float(np.nanmin(apart[begin:end])),
    )
    yield Hit(CAME_LOOSE.found("coolant_in", since, last, what=what, begin=since, last=last), rows)
