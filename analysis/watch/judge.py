"""What is wrong with the sensors, noticed as it happens."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

import numpy as np

from analysis.watch.bins import STILL_S, Seconds, Track
from analysis.watch.drop import departures
from analysis.watch.lost import FROM, lost_bins
from analysis.watch.places import INDOORS, TEMPERATURES, moved_by, settle_s
from analysis.watch.still import halted_bins, lasting, silent_bins, still_bins
from ingest.arrays import Bools
from ingest.values import dataclass

CAME_LOOSE: Final = "came_loose"
STANDS_STILL: Final = "stands_still"
SILENT: Final = "open"
LOST: Final = "fell_to_nothing"
COPIES: Final = "reads_cold_junction"

BACK: Final = 0.5
"""A reading that has made up for this share of its fall is back in its place."""

NOTED_LATE_S: Final = 20.0
"""A move that is noted so long after an alarm began still explains it."""

_DOOR: Final = "a control was moved and not noted, or a door or window opened"
OTHERWISE: Final = dict.fromkeys(INDOORS, _DOOR)

SAME_K: Final = 1.5
"""So near its cold junction a fallen reading is said to copy it."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """A sensor at fault.

    Parameters
    ----------
    point
        Its measuring point.
    kind
        `CAME_LOOSE`, `STANDS_STILL`, `SILENT`, `LOST` or `COPIES`.
    since_s, told_s
        When it began and when it could be noticed, s.
    until_s
        When it was over; None while it lasts.
    detail
        A sentence for whoever sits beside it.
    before, by
        The level it left and how far it was off when noticed, stored unit; NaN where there is none.
    """

    point: str
    kind: str
    since_s: float
    told_s: float
    until_s: float | None
    detail: str
    before: float = float("nan")
    by: float = float("nan")


def judge(seconds: Seconds) -> list[Alarm]:
    """Every alarm of a recording, oldest first.

    Parameters
    ----------
    seconds
        The recording. A point of time is judged by what came before it.
    """
    found: list[Alarm] = []
    for point in seconds.tracks:
        if point in TEMPERATURES:
            found += _loose(seconds, point)
        if point in FROM:
            found += _stretches(seconds, point, lost_bins(seconds, point), _gone_text, LOST)
        still = still_bins(seconds.tracks[point], point)
        if point in TEMPERATURES:
            still = lasting(seconds.tracks[point], still | halted_bins(seconds, point))
        found += _stretches(seconds, point, still, _still_text, STANDS_STILL)
        found += _stretches(seconds, point, silent_bins(seconds, point), _silent_text, SILENT)
    return sorted(found, key=lambda each: each.told_s)


def is_over(alarm: Alarm, seconds: Seconds) -> bool:
    """Whether an alarm that was raised is over by the newest bin."""
    track = seconds.tracks[alarm.point]
    if alarm.kind == STANDS_STILL:
        return bool(track.still_s[-1] < STILL_S)
    if alarm.kind == SILENT:
        return bool(track.silent_s[-1] <= seconds.width)
    newest = float(track.means[-1])
    if np.isnan(newest):
        return False
    if alarm.kind == LOST:
        return newest > 0.5 * FROM[alarm.point]
    return (newest - alarm.before - alarm.by) / -alarm.by >= BACK


def withdrawn(alarm: Alarm, seconds: Seconds) -> bool:
    """Whether a move was noted since that explains an alarm."""
    if alarm.kind in (STANDS_STILL, SILENT):
        return False
    return any(
        alarm.point in moved_by(control)
        and at - NOTED_LATE_S <= alarm.since_s <= at + settle_s(control, alarm.point)
        for at, control in seconds.moves
    )


def _loose(seconds: Seconds, point: str) -> Iterator[Alarm]:
    track, over = seconds.tracks[point], -1
    for each in departures(seconds, point):
        if each.bin <= over:
            continue
        end = _back(track, each.bin, each.before, each.by)
        over = seconds.ends.size if end is None else end
        now = float(track.means[each.bin])
        said = point.replace("_", " ")
        kind = COPIES if _copies(seconds, point, each.bin) else CAME_LOOSE
        hangs = "reads its cold junction" if kind == COPIES else "hangs in other air"
        way = "fell" if each.by < 0 else "rose"
        yield Alarm(
            point,
            kind,
            float(seconds.ends[each.onset]),
            float(seconds.ends[each.bin]),
            None if end is None else float(seconds.ends[end]),
            f"{said} {way} from {each.before:.0f} to {now:.0f} °C with no control noted: its "
            f"sensor {hangs}, or {OTHERWISE.get(point, 'a control was moved and not noted')}.",
            each.before,
            each.by,
        )


def _back(track: Track, start: int, before: float, by: float) -> int | None:
    """First bin in which a point is back where it was; None where it stays away."""
    with np.errstate(invalid="ignore"):
        back = (track.means[start:] - (before + by)) / -by >= BACK
    places = np.flatnonzero(back)
    return start + int(places[0]) if places.size else None


def _copies(seconds: Seconds, point: str, place: int) -> bool:
    junction = seconds.tracks.get("cold_junction")
    if junction is None:
        return False
    return abs(float(seconds.tracks[point].means[place] - junction.means[place])) < SAME_K


def _stretches(
    seconds: Seconds, point: str, marked: Bools, text: Callable[[str, float], str], kind: str
) -> Iterator[Alarm]:
    """An alarm for each stretch of marked bins; one that begins at nothing lasts until it ends."""
    if not marked.any():
        return
    track = seconds.tracks[point]
    edges = np.flatnonzero(np.diff(marked.astype(np.int8), prepend=0, append=0))
    over = -1
    for begin, end in zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True):
        if begin <= over:
            continue
        stop: int | None = end if end < marked.size else None
        if kind == LOST:
            stop = _risen(track, begin, FROM[point])
            over = marked.size if stop is None else stop
        lasted = {
            STANDS_STILL: float(track.still_s[begin]),
            SILENT: float(track.silent_s[begin]),
        }.get(kind, 0.0)
        told = float(seconds.ends[begin])
        yield Alarm(
            point, kind, told - lasted, told,
            None if stop is None else float(seconds.ends[stop]), text(point, lasted),
        )  # fmt: skip


def _risen(track: Track, start: int, level: float) -> int | None:
    with np.errstate(invalid="ignore"):
        places = np.flatnonzero(track.means[start:] > 0.5 * level)
    return start + int(places[0]) if places.size else None


def _still_text(point: str, lasted: float) -> str:
    return (
        f"{point.replace('_', ' ')} has given the very same reading for {lasted:.0f} s, though it "
        "never stood still before: its sensor or its channel is stuck."
    )


def _silent_text(point: str, lasted: float) -> str:
    return (
        f"{point.replace('_', ' ')} has had no reading for {lasted:.0f} s while others have: "
        "its wire is open, or its plug is out."
    )


def _gone_text(point: str, _: float) -> str:
    return (
        f"{point.replace('_', ' ')} fell to nothing at once with no control noted: its hose or "
        "its plug is off."
    )
