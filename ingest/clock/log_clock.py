"""A log's clock: the log time of its rows, and of event times written the same way.

Log time is what everything counts in until the engine start is known. For elapsed time and for a
time of day it is the column's own reading in seconds; for times with a date it counts from the
log's first row.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.arrays import Floats
from ingest.clock import text as clock_text
from ingest.clock.findings import order_findings, spacing_findings, unread_finding
from ingest.clock.order import NotAClockError, Ordered, Rows, Segment, Tail, put_in_order
from ingest.clock.reader import TimeReader, open_reader
from ingest.clock.text import DAY_S
from ingest.clock.turned import Turned, is_newest_first, turned_finding
from ingest.errors import Fault, UnusableRun
from ingest.run import Finding, Rejected
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.setup.model import LogTable
    from ingest.table.columns import Columns

OVERFLOWS_S: Final = {"ms": (2**16 / 1e3, 2**32 / 1e3), "us": (2**32 / 1e6,)}
"""Where counters of 16 and 32 bits start again."""
REJECTED_CAP: Final = 1000
"""Most rows without a time that are kept as text; all are counted."""


@dataclass(frozen=True)
class Clock:
    """Log time of a log's rows.

    Parameters
    ----------
    reader
        How its times are written.
    time
        Shape (n,): log time, s, strictly increasing (in the long layout: not decreasing).
    rows
        Shape (n,): the table's rows these belong to.
    zero
        Clock reading that log time counts from, s.
    segments
        Stretches over which log time goes on with the clock.
    tail
        Where the log goes on, if this is a chunk of it.
    started
        Wall clock of the first row; without a zone where none is known, None where the log has
        no dates.
    findings
        What was wrong with the clock; times in log time.
    rejected
        Rows without a usable time, up to `REJECTED_CAP`.
    rejected_count
        How many there were.
    wall_zero
        What the wall's clock showed in the first row, s since 1970-01-01; None without dates.
    """

    reader: TimeReader
    time: Floats
    rows: Rows
    zero: float
    segments: tuple[Segment, ...]
    tail: Tail
    started: datetime | None = None
    findings: tuple[Finding, ...] = ()
    rejected: tuple[Rejected, ...] = ()
    rejected_count: int = 0
    wall_zero: float | None = None

    def log_time(self, texts: Sequence[str]) -> Floats:
        """Log time of times written like the log's own, roll-over and set clock included.

        Where a clock was set back the same reading stands for two moments; then the first that
        is not before the text above it is taken. Where the log has dates, a time of day alone is
        taken to be on the log's own day.

        Parameters
        ----------
        texts
            As they stand in the events file.

        Returns
        -------
        ndarray
            s, NaN where a text is no such time.
        """
        return self.placed(texts)[0]

    def placed(self, texts: Sequence[str]) -> tuple[Floats, list[bool]]:
        """As `log_time`, and which texts are a time of day alone although the log has dates."""
        choices = self.reader.candidates(texts)
        alone = self._time_of_day(texts, choices[0])
        result = np.full(len(texts), np.nan)
        above = -np.inf
        for place in range(len(texts)):
            readings = {float(choice[place]) for choice in choices}
            if alone is not None and np.isfinite(alone[place]):
                readings = {float(alone[place]) + day * DAY_S for day in (0, 1)}
            readings = {round(each - self.zero, 6) for each in readings if np.isfinite(each)}
            if readings:
                result[place] = above = self._place(readings, above)
        return result, [False] * len(texts) if alone is None else np.isfinite(alone).tolist()

    def _time_of_day(self, texts: Sequence[str], dated: Floats) -> Floats | None:
        if self.wall_zero is None or np.isfinite(dated).all():
            return None
        series = pl.Series(list(texts), dtype=pl.String)
        clock = clock_text.read_stamps(series, clock_text.CLOCK).seconds
        midnight = np.floor(self.wall_zero / DAY_S) * DAY_S
        shift = self.zero - self.wall_zero  # to the clock's own reading, as in the first row
        return np.where(np.isfinite(dated), np.nan, midnight + clock + shift)

    def _place(self, readings: Iterable[float], above: float) -> float:
        ends = [(each.first + each.shift, each.last + each.shift) for each in self.segments]
        inside: list[float] = []
        outside: list[float] = []
        around = (0.0,) if self.reader.period is None else (0.0, *self._periods())
        for index, segment in enumerate(self.segments):
            low = ends[index - 1][1] if index else ends[0][0]
            high = ends[index + 1][0] if index + 1 < len(ends) else ends[index][1]
            for reading in readings:
                here = reading + segment.shift
                if low <= here <= high:
                    inside.append(here)
                outside += [here + turn for turn in around]
        if inside:
            later = [each for each in inside if each >= above]
            chosen = min(later or inside)
        else:
            first, last = ends[0][0], ends[-1][1]
            chosen = min(outside, key=lambda each: max(first - each, each - last))
        return chosen

    def _periods(self) -> tuple[float, float]:
        period = self.reader.period or 0.0
        return -period, period


def build_clock(table: Columns, log: LogTable) -> Clock:
    """Log time of a whole log.

    Parameters
    ----------
    table
        The log.
    log
        The set-up's `[log]`; with `layout = "long"` rows may share a time.

    Raises
    ------
    UnusableRun
        Where the times cannot be read or do not increase.
    """
    reader, readings = open_reader(table, log)
    return in_order(table, reader, readings, spread=log.layout == "wide")


def in_order(table: Columns, reader: TimeReader, readings: Floats, *, spread: bool) -> Clock:
    """As `clock_of`, of a whole log whose rows may stand newest first."""
    if not is_newest_first(readings):
        return clock_of(table, reader, readings, spread=spread)
    clock = clock_of(Turned(table), reader, readings[::-1], spread=spread)
    findings = (turned_finding(table.height), *clock.findings)
    return replace(clock, rows=table.height - 1 - clock.rows, findings=findings)


def clock_of(
    table: Columns,
    reader: TimeReader,
    readings: Floats,
    *,
    spread: bool = True,
    after: Clock | None = None,
) -> Clock:
    """Log time of a table whose clock readings are known.

    Parameters
    ----------
    table
        The log, or a chunk of it.
    reader
        How its times are written.
    readings
        Clock readings of its rows, s; NaN where there is none.
    spread
        Whether rows that share a time are spread.
    after
        Clock of the chunk before, where the log comes in chunks.

    Raises
    ------
    UnusableRun
        Where the times do not increase.
    """
    known = np.isfinite(readings)
    if after is not None:
        zero = after.zero
    else:
        zero = float(readings[known][0]) if reader.absolute else 0.0
    raw = np.round(readings - zero, 6) if zero else readings  # a float of 1.8e9 s has 0.2 us left
    try:
        ordered = put_in_order(
            raw,
            period=reader.period,
            overflows=OVERFLOWS_S.get(reader.unit or "", ()),
            elapsed=not reader.absolute,
            restarts=table.restarts,
            after=after.tail if after is not None else None,
            spread=spread,
        )
    except NotAClockError as error:
        raise UnusableRun(_no_clock(table, reader, error)) from error
    spacing: list[Finding] = []
    if spread:
        spacing = spacing_findings(ordered.time, ordered.equal, ordered.largest_group)
    rejected, count = _rejected(table, reader, known, ordered)
    wall = _wall(table, reader, readings) if after is None else after.wall_zero
    return Clock(
        reader=reader,
        time=ordered.time,
        rows=ordered.rows,
        zero=zero,
        segments=ordered.segments,
        tail=ordered.tail,
        started=_started(reader, ordered, zero) if after is None else after.started,
        findings=(
            *unread_finding(rejected, count - ordered.stray.size, known.size),
            *order_findings(ordered, table),
            *spacing,
        ),
        rejected=rejected,
        rejected_count=count,
        wall_zero=wall,
    )


def _no_clock(table: Columns, reader: TimeReader, error: NotAClockError) -> Fault:
    return Fault(
        f"{table.file} time column {', '.join(repr(str(ref)) for ref in reader.refs)}",
        str(error),
        "a time that increases from row to row",
        "name the column that holds the time, or sort the rows oldest first",
    )


def _rejected(
    table: Columns, reader: TimeReader, known: NDArray[np.bool_], ordered: Ordered
) -> tuple[tuple[Rejected, ...], int]:
    unread = np.flatnonzero(~known)
    if unread.size + ordered.stray.size == 0:
        return (), 0
    texts = reader.texts(table)
    reasons = [(int(row), f"no time: it is not {reader.said}") for row in unread[:REJECTED_CAP]]
    reasons += [
        (int(row), "its time jumps away from its neighbors' and comes back")
        for row in ordered.stray[:REJECTED_CAP]
    ]
    rejected = tuple(
        Rejected(table.file, table.line(row), (texts[row] or "")[:200], reason)
        for row, reason in sorted(reasons)[:REJECTED_CAP]
    )
    return rejected, int(unread.size + ordered.stray.size)


def _wall(table: Columns, reader: TimeReader, readings: Floats) -> float | None:
    """What the log's clock on the wall showed in its first row, s since 1970-01-01."""
    if reader.form is None or not reader.absolute:
        return None
    first = int(np.flatnonzero(np.isfinite(readings))[0])
    text = reader.texts(table).slice(first, 1)
    return float(clock_text.read_stamps(text, reader.form).seconds[0])


def _started(reader: TimeReader, ordered: Ordered, zero: float) -> datetime | None:
    """Wall clock of the first row, by the longest stretch over which the clock was not set."""
    if not reader.absolute:
        return None
    longest = max(ordered.segments, key=lambda each: each.last - each.first)
    seconds = zero + float(ordered.time[0]) - longest.shift
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=round(seconds, 6))
    zone = reader.zone
    return moment.replace(tzinfo=None) if zone is None else moment.astimezone(zone)
