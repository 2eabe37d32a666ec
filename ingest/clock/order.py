"""Raw clock readings put into one strictly increasing log time.

The policies, each reported with its count and place and none of them silent:

==================  ===============================================================================
disorder            what is done
==================  ===============================================================================
out of order        a step back of at most two sampling intervals or 1 s: the rows are sorted,
                    unless rows come at one spacing before and after it (a late row leaves a hole
                    where it belongs; a clock that was set repeats times that are there already)
stray time          up to three rows whose time jumps away and comes back: rejected
roll-over           midnight of a time of day, overflow of a counter: the period is added
restart             elapsed time falls back to its beginning: continues one interval later
step back           any other step back: continues one interval later
clock set           a step ahead of more than a day: continues one interval later
gap                 any other step ahead: stays as it is
equal times         spread evenly within the step to the next time
==================  ===============================================================================
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Floats
from ingest.values import dataclass

Rows = NDArray[np.int64]

DAY_S: Final = 86400.0
OUT_OF_ORDER_INTERVALS: Final = 2.0
OUT_OF_ORDER_S: Final = 1.0
"""A step back of up to the longer of these is rows out of order, not a clock that was set: stamps
that jitter, channels written by several threads. Moving the rest of the log for each adds up."""
SET_BACK_ROWS: Final = 8
EVEN: Final = 0.25
"""Steps of so many rows on both sides of a step back are within this share of the usual one, twice
this where several times come again, if the clock was set; jitter is hardly ever so even so long."""
STRAY_ROWS: Final = 3
STRAY_INTERVALS: Final = 4.0
STRAY_S: Final = 1.0
"""A time that comes back to within the longer of these, a row, of where it left was stray."""
MAX_BACKWARD: Final = 0.25
MAX_LOST: Final = 0.5
"""Where more than a quarter of the steps go back, and they take back more than half of what the
others go ahead, the column is no clock at all; small disorder in every cycle takes back little."""

StepKind = Literal["roll-over", "overflow", "restart", "step back", "clock set"]


class NotAClockError(ValueError):
    """The column does not increase; the message says how it behaves."""


@dataclass(frozen=True, slots=True)
class ClockStep:
    """A place where the clock's own reading does not go on.

    Parameters
    ----------
    kind
        What it was taken for.
    row
        First row after it.
    size
        New reading minus the one before it, s.
    at
        Log time of that row, s.
    """

    kind: StepKind
    row: int
    size: float
    at: float


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch over which log time is the clock's reading plus a constant.

    Parameters
    ----------
    first, last
        Clock readings at its ends, s.
    shift
        Log time minus clock reading, s.
    """

    first: float
    last: float
    shift: float


@dataclass(frozen=True, slots=True)
class Tail:
    """Where a chunk of a long log ended, so that the next one can go on.

    Parameters
    ----------
    reading
        Its last clock reading, s.
    shift
        Log time minus clock reading there, s.
    interval
        Typical sampling interval, s.
    begin
        The log's first clock reading, s.
    """

    reading: float
    shift: float
    interval: float
    begin: float


@dataclass(frozen=True, slots=True)
class Ordered:
    """Rows in the order of their log time.

    Parameters
    ----------
    time
        Log time, s, strictly increasing.
    rows
        The rows these belong to.
    stray
        Rows rejected because their time jumps away and comes back.
    sorted_rows
        How many rows stood out of order.
    equal
        How many rows had the time of the row before them.
    largest_group
        Most rows that shared one time.
    steps
        Where the reading did not go on.
    segments
        In the order of the log.
    tail
        For the next chunk.
    """

    time: Floats
    rows: Rows
    stray: Rows
    sorted_rows: int
    equal: int
    largest_group: int
    steps: tuple[ClockStep, ...]
    segments: tuple[Segment, ...]
    tail: Tail


def put_in_order(
    raw: Floats,
    *,
    period: float | None = None,
    overflows: Sequence[float] = (),
    elapsed: bool = True,
    restarts: Sequence[int] = (),
    after: Tail | None = None,
    spread: bool = True,
) -> Ordered:
    """Make one increasing log time of the clock's readings.

    Parameters
    ----------
    raw
        Shape (n,), s; NaN rows are left out of the result.
    period
        Roll-over of a time of day, s.
    overflows
        Values at which a counter starts again at zero, s.
    elapsed
        False for a clock with dates: it cannot restart at zero.
    restarts
        Rows before which the logger wrote its header again.
    after
        Tail of the chunk before, where the log comes in chunks.
    spread
        Whether equal times are spread (not in the long layout, where channels share a time).

    Raises
    ------
    NotAClockError
        Where fewer than two readings differ, they do not increase, or too little to be told apart.
    """
    rows = np.flatnonzero(np.isfinite(raw))
    reading = raw if rows.size == raw.size else raw[rows]
    if after is not None:
        reading = np.concatenate(([after.reading], reading))
        rows = np.concatenate(([-1], rows))
    step = np.diff(reading)
    interval = _typical(reading, step, after)
    backward = step < 0
    places = np.flatnonzero(backward | (step > DAY_S)) + 1
    if not places.size and after is None:
        return _goes_on(reading, rows, step, interval, spread=spread)
    lost = -float(step[backward].sum()) > MAX_LOST * float(step[~backward].sum())
    if step.size >= 4 and lost and np.count_nonzero(backward) > MAX_BACKWARD * step.size:
        raise NotAClockError(
            f"{np.count_nonzero(backward)} of {step.size} steps from row to row going back"
        )
    scan = _Scan(reading, rows, interval, period, tuple(overflows), elapsed, frozenset(restarts))
    scan.shift = after.shift if after else 0.0
    scan.begin = after.begin if after else float(reading[0])
    scan.run(places)
    return _finish(scan, spread=spread, skip=after is not None)


def _goes_on(
    reading: Floats, rows: Rows, step: Floats, interval: float, *, spread: bool
) -> Ordered:
    """The readings of a clock that nowhere goes back nor jumps by a day: log time is what it says.

    What `_finish` makes of a scan without places, at a fraction of its cost.
    """
    time = reading + 0.0
    equal, largest = (0, 1) if step.min() > 0 else _groups(time)
    first, last = float(reading[0]), float(reading[-1])
    return Ordered(
        _spread(time) if equal and spread else time,
        rows,
        rows[:0],
        0,
        equal,
        largest,
        (),
        (Segment(first, last, 0.0),),
        Tail(last, 0.0, interval, first),
    )


def _typical(reading: Floats, step: Floats, after: Tail | None) -> float:
    ahead = np.sort(step)
    ahead = ahead[np.searchsorted(ahead, 0.0, side="right") :]
    if ahead.size:  # their median
        return float(ahead[(ahead.size - 1) // 2] + ahead[ahead.size // 2]) / 2.0
    if after is not None:
        return after.interval
    if reading.size < 2:
        raise NotAClockError(f"{reading.size} row{'' if reading.size == 1 else 's'} with a time")
    if np.any(step < 0):
        raise NotAClockError("every step from row to row going back")
    raise NotAClockError("the same time in every row")


@dataclass
class _Scan:
    """Goes once through the places where the clock does not simply go on."""

    reading: Floats
    rows: Rows
    interval: float
    period: float | None
    overflows: tuple[float, ...]
    elapsed: bool
    restarts: frozenset[int]
    shift: float = 0.0
    begin: float = 0.0
    keep: NDArray[np.bool_] = field(init=False)
    steps: list[ClockStep] = field(default_factory=list)
    breaks: list[tuple[int, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.keep = np.ones(self.reading.size, dtype=np.bool_)

    def run(self, places: Rows) -> None:
        self.breaks.append((0, self.shift))
        for place in places.tolist():
            if self.keep[place]:
                self._place(place)

    def _place(self, here: int) -> None:
        before = self._kept_before(here)
        size = float(self.reading[here] - self.reading[before])
        if 0 <= size <= DAY_S:
            return  # the rows between were stray
        short = 0 < -size <= max(OUT_OF_ORDER_INTERVALS * self.interval, OUT_OF_ORDER_S)
        if short and not self._is_set_back(before, here):
            return  # sorted at the end
        if self._reject_stray(before, here, size):
            return
        kind, forward = self._kind(before, here, size)
        self.shift += forward
        self.breaks.append((here, self.shift))
        log_time = float(self.reading[here]) + self.shift
        self.steps.append(ClockStep(kind, int(self.rows[here]), size, log_time))

    def _is_set_back(self, before: int, here: int) -> bool:
        """Whether a short step back was the clock's, so that no row is where it does not belong.

        All rows from it on that repeat times, and those that had these times, come at the usual
        spacing.
        """
        reading = self.reading
        if here + 1 == reading.size or before != here - 1:
            return False
        if abs(reading[here + 1] - reading[here] - self.interval) > 2 * EVEN * self.interval:
            return False  # as with nearly every row that is merely late
        again = 1
        while here + again < reading.size and reading[here + again] <= reading[before]:
            again += 1
        rows = max(again, SET_BACK_ROWS)
        first, last = max(before - rows, 0), here + rows + 1
        if not self.keep[first:here].all():
            return False
        steps = np.concatenate((np.diff(reading[first:here]), np.diff(reading[here:last])))
        uneven = np.abs(steps - self.interval) > EVEN * min(again, 2) * self.interval
        return steps.size >= SET_BACK_ROWS and not uneven.any()

    def _kept_before(self, here: int) -> int:
        before = here - 1
        while not self.keep[before]:  # ends: the first row of a stretch is never rejected
            before -= 1
        return before

    def _reject_stray(self, before: int, here: int, size: float) -> bool:
        """Reject up to three rows whose time jumps away from its neighbors' and comes back."""
        reading, near = self.reading, max(STRAY_INTERVALS * self.interval, STRAY_S)
        for count in range(1, STRAY_ROWS + 1):
            back = here + count
            if back < reading.size:  # here strays, `back` goes on from `before`
                resumed = 0 < reading[back] - reading[before] <= (count + 1) * near
                if resumed and abs(reading[back] - reading[back - 1]) > near:
                    self.keep[here:back] = False
                    return True
            origin = before - count
            if size < 0 and origin >= 0 and self.keep[origin : before + 1].all():
                resumed = 0 < reading[here] - reading[origin] <= (count + 1) * near
                if resumed and reading[origin + 1] - reading[origin] > (count + 1) * near:
                    self.keep[origin + 1 : before + 1] = False
                    return True
        return False

    def _kind(self, before: int, here: int, size: float) -> tuple[StepKind, float]:
        """What a step is taken for, and how much it moves log time on."""
        goes_on = self.interval - size
        if size > DAY_S:
            return "clock set", goes_on
        if self.period is not None and self.period / 2 < -size < self.period:
            return "roll-over", self.period
        for overflow in self.overflows:
            if 0 < size + overflow <= 10 * self.interval:
                return "overflow", overflow
        if self.elapsed:
            # a clock that goes back to its beginning stands nearer to it than to where it was
            close = min(max(20 * self.interval, 2.0), -size)
            again = (
                abs(self.reading[here] - self.begin) <= close or abs(self.reading[here]) <= close
            )
            if again or int(self.rows[here]) in self.restarts:
                return "restart", goes_on
        return "step back", goes_on


def _finish(scan: _Scan, *, spread: bool, skip: bool) -> Ordered:
    starts = np.array([place for place, _ in scan.breaks])
    shifts = np.array([shift for _, shift in scan.breaks])
    lengths = np.diff(starts, append=scan.reading.size)
    time = scan.reading + np.repeat(shifts, lengths)
    stray = scan.rows[~scan.keep]
    segments = tuple(
        Segment(float(part.min()), float(part.max()), float(shift))
        for start, length, shift in zip(starts, lengths, shifts, strict=True)
        if (part := scan.reading[start : start + length][scan.keep[start : start + length]]).size
    )
    last = int(np.flatnonzero(scan.keep)[-1])
    tail = Tail(float(scan.reading[last]), scan.shift, scan.interval, scan.begin)
    rows, time = scan.rows[scan.keep], time[scan.keep]
    sorted_rows = 0
    if np.any(np.diff(time) < 0):
        sorted_rows = int(np.count_nonzero(time < np.maximum.accumulate(time)))
        order = np.argsort(time, kind="stable")
        rows, time = rows[order], time[order]
    equal, largest = _groups(time)
    if equal and spread:
        time = _spread(time)
    if skip:
        mine = rows >= 0
        rows, time = rows[mine], time[mine]
    return Ordered(
        time,
        rows,
        stray,
        sorted_rows,
        equal,
        largest,
        tuple(scan.steps),
        segments,
        tail,
    )


def _groups(time: Floats) -> tuple[int, int]:
    new = np.diff(time, prepend=-np.inf) > 0
    equal = time.size - int(np.count_nonzero(new))
    if equal == 0:
        return 0, 1
    return equal, int(np.diff(np.flatnonzero(new), append=time.size).max())


def _spread(time: Floats) -> Floats:
    spread = spread_equal(time)
    if np.any(np.diff(spread) <= 0):
        raise NotAClockError("times closer together than their size lets a number hold")
    return spread


def spread_equal(time: Floats) -> Floats:
    """Spread rows that share a time evenly over the step to the next time.

    A logger that writes whole seconds but samples ten times a second gives ten rows one time. The
    step is at most the typical one, so that a gap stays a gap. The first and the last group may
    be cut by the log's ends: their rows keep the typical group's spacing and stand at the end of
    the first step and at the beginning of the last.

    Parameters
    ----------
    time
        Shape (n,), s, not decreasing.

    Returns
    -------
    ndarray
        Shape (n,), strictly increasing.
    """
    starts = np.flatnonzero(np.diff(time, prepend=-np.inf) > 0)
    counts = np.diff(starts, append=time.size)
    value = time[starts]
    step = np.diff(value)
    usual = float(np.median(step)) if step.size else 1.0
    width = np.minimum(np.append(step, usual), usual)
    inner = counts[1:-1] if counts.size > 2 else counts
    usual_count = float(np.median(inner))
    spacing = width / counts
    shift = np.zeros(counts.size)
    for end in (0, -1):
        spacing[end] = width[end] / max(counts[end], usual_count)
    if counts[0] > 1 or usual_count > 1:
        shift[0] = width[0] - spacing[0] * counts[0]
    within = np.arange(time.size) - np.repeat(starts, counts)
    spread: Floats = time + np.repeat(shift, counts) + within * np.repeat(spacing, counts)
    return spread
