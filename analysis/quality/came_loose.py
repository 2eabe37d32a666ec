"""A sensor that left its place in the middle of a run, and a channel that stuck: `analysis.watch`.

The watch recognizes a fall by what came before it. A stored run is also looked at afterwards: a
reading that soon comes back, controls that were moved about then (their clock may be some seconds
off), a lever that nobody ever noted, or a footwell that falls with its outlet: then nothing is
taken out. Nothing is said of the air of the cabin, which doors, windows and a leaking body move as
well, nor of a vacuum that is gone at once, which the car may have lost. A reading that stands still
is only distinguished from one that is held (by a slow controller, by a bus that seldom sends) by
the noise it had before; one that stands still to the end of the log is for
`analysis.quality.stuck`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.repeats import seldom_given
from analysis.quality.stuck import STUCK
from analysis.quality.view import FRESH_AIR, OUTLETS, Hit, View
from analysis.watch.bins import Seconds, junctions_of, make_seconds, width_for
from analysis.watch.judge import LOST, SILENT, STANDS_STILL, Alarm, judge
from analysis.watch.places import INDOORS, moved_by
from analysis.watch.still import still_bins
from ingest.arrays import Bools
from ingest.findings import FindingKind, finding

LEFT_OUT: Final = "{what} Its readings from {begin:.0f s} to {last:.0f s} were left out."

CAME_LOOSE: Final = finding(
    "came_loose",
    LEFT_OUT,
    do="Fasten the sensor where it was and repeat the run.",
    forbids=True,
    doubts_sensor=True,
)
STOOD_STILL: Final = STUCK.also(LEFT_OUT)

MIN_S: Final = 30.0
STILL_S: Final = 60.0
"""It lasts this long at least, and a reading stands still for this long."""

CLOCK_S: Final = 30.0
"""So far off the notes' clock may be."""

FOLLOWS_S: Final = 90.0
FOLLOWS_K: Final = 3.0
"""A footwell that falls this much within this time has been given colder air."""

STILL_BLOWN: Final = 0.65
"""Readings that keep this share of what they were above the air outside are still those of an
outlet: no other air in a car is as warm (common practice, no source)."""

LEVER: Final = "temp_lever"

TOLD: Final[dict[str, FindingKind]] = {STANDS_STILL: STOOD_STILL}


@detector("came_loose", order=88)
def detect(view: View) -> Iterator[Hit]:
    """Find sensors that came off, and channels that stuck, while the run went on."""
    width = width_for(view.time)
    if width is None:
        return
    values = {point: view.values(point) for point in view.run.sensors if view.has(point)}
    if not values:
        return
    controls = view.run.controls
    moves = zip(controls["time_s"].to_list(), controls["control"].to_list(), strict=True)
    seconds = make_seconds(view.time, values, moves, junctions_of(view.run.setup), width)
    for alarm in judge(seconds):
        if alarm.kind in (SILENT, LOST) or not _holds(alarm, seconds):
            continue
        if alarm.kind == STANDS_STILL and seldom_given(view, alarm.point):
            continue
        end = np.inf if alarm.until_s is None else alarm.until_s
        since = alarm.since_s - width
        rows: Bools = (view.time >= since) & (view.time <= end) & ~np.isnan(values[alarm.point])
        if not rows.any():
            continue
        begin, last = view.seconds(rows)
        yield Hit(
            TOLD.get(alarm.kind, CAME_LOOSE).found(
                alarm.point,
                begin,
                last,
                what=alarm.detail,
                begin=begin,
                last=last,
                evidence={"told_after_s": alarm.told_s - alarm.since_s},
            ),
            rows,
        )


def _holds(alarm: Alarm, seconds: Seconds) -> bool:
    """Whether what came afterwards bears an alarm out."""
    end = float(seconds.ends[-1]) if alarm.until_s is None else alarm.until_s
    if end - alarm.since_s < MIN_S:
        return False
    if alarm.kind == STANDS_STILL:
        here = (seconds.ends >= alarm.told_s) & (seconds.ends <= end)
        noisy = still_bins(seconds.tracks[alarm.point], alarm.point)
        return end - alarm.since_s >= STILL_S and bool(noisy[here].any())
    if alarm.point in INDOORS:
        return False
    noted = [(at, control) for at, control in seconds.moves if alarm.point in moved_by(control)]
    if not noted or any(abs(at - alarm.since_s) <= CLOCK_S for at, _ in noted):
        return False
    if alarm.point in moved_by(LEVER) and LEVER not in {control for _, control in noted}:
        return False  # moved at any time, for all that was written down
    if alarm.point in OUTLETS and not _in_other_air(alarm, seconds, end):
        return False
    footwell = seconds.tracks.get("footwell")
    if alarm.point not in OUTLETS or footwell is None:
        return True
    first, last = np.searchsorted(seconds.ends, [alarm.since_s, alarm.since_s + FOLLOWS_S])
    after = footwell.means[first : last + 1]
    after = after[~np.isnan(after)]
    return after.size == 0 or float(after[0] - after.min()) < FOLLOWS_K


def _in_other_air(alarm: Alarm, seconds: Seconds, end: float) -> bool:
    """Whether what an outlet read afterwards may be the air of the cabin.

    No other air in a car is as hot as an outlet's: what stays hot is blown out, only cooler.
    """
    outside = next((seconds.tracks[each] for each in FRESH_AIR if each in seconds.tracks), None)
    if outside is None:
        return True
    track, ends = seconds.tracks[alarm.point].means, seconds.ends
    before = track[(ends >= alarm.since_s - FOLLOWS_S) & (ends < alarm.since_s)]
    after = track[(ends > alarm.told_s) & (ends <= end)]
    air = outside.means[(ends > alarm.told_s) & (ends <= end)]
    before, after, air = (each[~np.isnan(each)] for each in (before, after, air))
    if not (before.size and after.size and air.size):
        return True
    warm = float(np.median(air)) + STILL_BLOWN * float(np.median(before) - np.median(air))
    return float(np.median(after)) < warm
