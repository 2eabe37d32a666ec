"""Times without readings: of the whole log, and of single channels."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.view import Hit, View
from ingest.arrays import Floats
from ingest.findings import finding
from ingest.run import Finding
from ingest.saying import say
from ingest.setup.model import WIRED

GAP: Final = finding(
    "gap",
    "{name} has {several} of {longest:.1f s} from {begin:.1f s} ({share:.1%} of the log is"
    " missing).",
    do="Nothing is filled in. Check the logger's power and storage if it comes again.",
)
OPEN: Final = finding(
    "open",
    "{point} has no reading for {lost:.0f s} in all while the log goes on, as with an open"
    " wire; first from {begin:.1f s}.",
    do="Check the sensor's wire and plug for a break that opens when the car shakes.",
    doubts_sensor=True,
)

MIN_S: Final = 3.0
INTERVALS: Final = 8.0
"""A gap is longer than both: this time, and this many of the channel's own usual intervals."""

OPEN_S: Final = 20.0
OPEN_INTERVALS: Final = 20.0
OPEN_SHARE: Final = 0.1
"""A wired sensor without a reading for longer than both, or for so much of the log in pieces while
the others are read, is open (common practice, no source)."""


@detector("gap", order=40)
def detect(view: View) -> Iterator[Hit]:
    """Find gaps; those of a channel are one finding."""
    own_rows = _gaps(view.time, view.interval)
    if own_rows:
        yield Hit(_gap_of("the log", None, own_rows, view))
    first, last = float(view.time[0]), float(view.time[-1])
    for point, sensor in view.run.sensors.items():
        if view.logged_whole(point):
            continue
        missing = np.isnan(view.logged(point))
        if missing.all():
            continue
        times = view.time[~missing]
        usual = float(np.median(np.diff(times))) if times.size > 1 else last - first
        # the ends of the log count as readings: a channel may start late or stop early
        found = _gaps(np.concatenate(([first], times, [last])), usual)
        found = [gap for gap in found if gap not in own_rows]
        if not found:
            continue
        lengths = [end - begin for begin, end in found]
        long = max(lengths) > max(OPEN_S, OPEN_INTERVALS * usual)
        if sensor.kind in WIRED and (long or sum(lengths) > OPEN_SHARE * (last - first)):
            yield Hit(_open(point, found))
        else:
            yield Hit(_gap_of(point, point, found, view))


def _gaps(times: Floats, usual: float) -> list[tuple[float, float]]:
    steps = np.diff(times)
    wide = np.flatnonzero(steps > max(MIN_S, INTERVALS * usual))
    return [(float(times[i]), float(times[i + 1])) for i in wide]


def _gap_of(name: str, channel: str | None, gaps: list[tuple[float, float]], view: View) -> Finding:
    begin, end = max(gaps, key=lambda gap: gap[1] - gap[0])
    lost = sum(stop - start for start, stop in gaps)
    share = lost / float(view.time[-1] - view.time[0])
    several = say("{count} gaps, {lost:.1f s} in all; the longest", count=len(gaps), lost=lost)
    return GAP.found(
        channel,
        begin,
        end,
        name=name,
        several=several if len(gaps) > 1 else "a gap",
        longest=end - begin,
        begin=begin,
        share=share,
        evidence={"count": float(len(gaps)), "lost_s": lost},
    )


def _open(point: str, gaps: list[tuple[float, float]]) -> Finding:
    lost = sum(stop - start for start, stop in gaps)
    return OPEN.found(
        point,
        gaps[0][0],
        gaps[-1][1],
        point=point,
        lost=lost,
        begin=gaps[0][0],
        evidence={"count": float(len(gaps)), "lost_s": lost},
    )
