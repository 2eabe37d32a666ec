"""One number over and over in a channel that otherwise never repeats itself.

A converter at its limit repeats its highest or lowest number; a frozen channel repeats any. Both
are distinguished from a signal at rest by the channel's own noise: where readings go up and down by
several steps all the time, a hundred equal ones are no chance. Whole degrees, other coarse steps,
and signals without noise, which do stand still, are left alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.stuck import STUCK
from analysis.quality.view import CAR_TEMPERATURES, Hit, View
from ingest.arrays import Bools, Floats
from ingest.findings import FindingKind, finding

CLIPPED: Final = finding(
    "clipped",
    "{point} is cut off at {level}, the end of its range: {count} readings were left out,"
    " the first at {begin:.1f s}.",
    do="Set a wider range at the logger, or use a sensor that reaches farther.",
    forbids=True,
    doubts_sensor=True,
)
REPEATS: Final = STUCK.also(
    "{point} stands still at {level}: {count} readings were left out, the first at {begin:.1f s}."
)

TURNING: Final = 0.3
"""A restless channel turns round at this share of its changes (noise at two in three) ..."""

LEAPING: Final = 0.15
"""... and this share of its changes is larger than one step of its numbers. Of noise that large, a
hundred equal readings do not come."""

LONG_READINGS: Final = 100
LONG_S: Final = 60.0
MAX_HELD: Final = 3
"""So many equal readings, for so long, are a frozen channel, unless it stands still for half as
long more often than this ..."""

CLIP_READINGS: Final = 8
CLIP_RUNS: Final = 2
CLIP_S: Final = 8.0
"""... and so many at an extreme at a time, more than once, for so long in all, one that is cut:"""

PILED: Final = 5.0
NEAR_STEPS: Final = 3.0
"""then so many times more readings pile up there than lie within these steps of it."""


@detector("clipped", order=45)
def detect(view: View) -> Iterator[Hit]:
    """Find stretches of equal readings in restless temperatures."""
    for point in view.present(*CAR_TEMPERATURES, "cold_junction"):
        readings = view.channel(point).readings
        if not _repeats(readings):
            continue
        values = view.values(point)
        known = None if view.channel(point).whole else np.flatnonzero(~np.isnan(values))
        steps = np.diff(readings)
        changed = np.flatnonzero(steps)
        if not changed.size or not _restless(steps[changed]):
            continue
        times = view.time if known is None else view.time[known]
        starts = np.append(0, changed + 1)
        lengths = np.diff(starts, append=readings.size)
        spans = times[starts + lengths - 1] - times[starts]
        for kind, which in _suspects(readings, starts, lengths, spans):
            marked = np.zeros(values.size, dtype=bool)
            for start, length in zip(starts[which], lengths[which], strict=True):
                rows = slice(start, start + length)
                marked[rows if known is None else known[rows]] = True
            yield _hit(view, point, kind, marked, float(readings[starts[which][0]]))


def _repeats(readings: Floats) -> bool:
    """Whether one number stands `CLIP_READINGS` times in a row: most channels end here."""
    still = np.flatnonzero(readings[1:] == readings[:-1])
    more = CLIP_READINGS - 2
    return bool((still[more:] - still[:-more] == more).any())


def _restless(changes: Floats) -> bool:
    """Whether a channel goes up and down by several steps, by its changes other than 0."""
    if changes.size < LONG_READINGS:
        return False
    sizes = np.abs(changes)
    leaping = float((sizes > 1.5 * sizes.min()).mean())
    turning = float((changes[1:] * changes[:-1] < 0.0).mean())
    return leaping >= LEAPING and turning >= TURNING


def _suspects(
    readings: Floats, starts: Floats, lengths: Floats, spans: Floats
) -> Iterator[tuple[FindingKind, Bools]]:
    """Stretches at the highest and at the lowest number, and long ones anywhere."""
    taken = np.zeros(lengths.size, dtype=bool)
    for extreme in (readings.max(), readings.min()):
        cut = (readings[starts] == extreme) & (lengths >= CLIP_READINGS)
        if cut.sum() < CLIP_RUNS or spans[cut].sum() < CLIP_S:
            continue
        if lengths[cut].sum() >= PILED * _next_to(readings, float(extreme)):
            taken |= cut
            yield CLIPPED, cut
    stuck = ~taken & (lengths >= LONG_READINGS) & (spans >= LONG_S)
    if stuck.any() and not _seldom_given(spans):
        yield REPEATS, stuck


def seldom_given(view: View, point: str) -> bool:
    """Whether a channel holds its reading again and again: it is given seldom, and not stuck."""
    known = ~np.isnan(view.values(point))
    readings, times = view.values(point)[known], view.time[known]
    starts = np.append(0, np.flatnonzero(np.diff(readings)) + 1)
    ends = np.append(starts[1:], readings.size) - 1
    return _seldom_given(times[ends] - times[starts])


def _seldom_given(spans: Floats) -> bool:
    return int(np.count_nonzero(spans >= 0.5 * LONG_S)) > MAX_HELD


def _next_to(readings: Floats, extreme: float) -> int:
    """How many readings lie next to an extreme, within a few steps of the numbers."""
    away = np.abs(readings - extreme)
    step = float(away[away > 0.0].min(initial=np.inf))
    return int(((away > 0.0) & (away < (NEAR_STEPS + 0.5) * step)).sum())


def _hit(view: View, point: str, kind: FindingKind, marked: Bools, reading: float) -> Hit:
    begin, end = view.seconds(marked)
    count, valid = int(marked.sum()), int(view.channel(point).readings.size)
    return Hit(
        kind.found(
            point,
            begin,
            end,
            point=point,
            level=view.reading(point, reading),
            count=count,
            begin=begin,
            evidence={"count": float(count), "of": float(valid), "reading": reading},
        ),
        marked,
    )
