"""Channels that stop changing in the same moment: the module of the logger that reads them hangs.

One channel may stand still because what it measures does. Several that had changed all the time and
stop for good with one row do not: their readings from there are the last ones over and over.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.quality import detector
from analysis.quality.view import Hit, View
from ingest.arrays import Floats
from ingest.findings import finding

FROZE_TOGETHER: Final = finding(
    "froze_together",
    "{point} reads {level:.1f degC} without any change from {begin:.0f s} on, and so does {others} "
    "from the same moment: the logger's module hung. Its readings from there were left out.",
    do="Start the logger anew, or update it, and repeat the run.",
    forbids=True,
    doubts_sensor=True,
)

MIN_S: Final = 180.0
"""As long a standstill, and the time before it in which a channel must have changed often."""

MIN_CHANGES: Final = 6
"""Changes in that time: two channels that go on so do not both pause for as long (e^-12)."""

LAST: Final = 60
"""Rows at the end that are looked at first."""

SAME_ROWS: Final = 2.0
PAUSES: Final = 3.0
"""A channel hung within two rows of its last change, or within three of its usual pauses: coarse
ones wait for their next step."""


SLOWS: Final = 1.5
"""What goes one way only and takes this many times longer for its last step than for the one before
has arrived: an exponential approach takes ln 3 / ln (5/3) = 2.2 times as long."""


class Stop(NamedTuple):
    """A channel's last change: its point, when, the latest it can have hung, and the row."""

    point: str
    time: float
    latest: float
    row: int


@detector("froze_together", order=49)
def detect(view: View) -> Iterator[Hit]:
    """Find temperatures that stop changing together."""
    stops = [stop for point in view.temperatures() if (stop := _stop(view, point)) is not None]
    for stop in stops:
        others = [
            other.point
            for other in stops
            if other.point != stop.point
            and max(other.time, stop.time) <= min(other.latest, stop.latest)
        ]
        rows = np.arange(view.time.size) >= stop.row
        rows &= ~np.isnan(view.values(stop.point))
        if not others or not rows.any():
            continue
        begin, end = view.seconds(rows)
        level = float(view.values(stop.point)[rows][0])
        yield Hit(
            FROZE_TOGETHER.found(
                stop.point,
                begin,
                end,
                point=stop.point,
                level=level,
                begin=stop.time,
                others=" and ".join(others),
                evidence={"reading": level},
            ),
            rows,
        )


def _stop(view: View, point: str) -> Stop | None:
    """Where a channel that changed often changes for the last time, long before the log ends."""
    values = view.logged(point)
    soon = view.logged_whole(point) and view.time[-1] - view.time[-LAST:][0] < MIN_S
    if soon and (values[-LAST:] != values[-1]).any():
        return None  # as nearly every channel, it still changes at the very end
    known = np.flatnonzero(~np.isnan(values))
    changed = np.flatnonzero(np.diff(values[known]) != 0.0)
    if changed.size < MIN_CHANGES:
        return None
    row = int(known[changed[-1] + 1])
    time = float(view.time[row])
    if float(view.time[known[-1]]) - time < MIN_S:
        return None
    lately = changed[view.time[known[changed]] >= time - MIN_S]
    before = lately.size
    if before < MIN_CHANGES or _arrives(view.time[known[lately]], values[known], lately):
        return None
    pause = max(SAME_ROWS * view.interval, PAUSES * MIN_S / before)
    return Stop(point, time, time + pause, row)


def _arrives(times: Floats, values: Floats, changed: NDArray[np.intp]) -> bool:
    """Whether the last changes are those of an approach to a level."""
    steps = values[changed + 1] - values[changed]
    if not (np.all(steps > 0.0) or np.all(steps < 0.0)):
        return False
    earlier, last = np.diff(times)[-2:]
    return bool(last > SLOWS * earlier)
