"""One log's way of writing times: which column, which unit or pattern, which zone."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, timedelta, timezone, tzinfo
from typing import TYPE_CHECKING, Final

import numpy as np
import polars as pl

from ingest.arrays import Floats
from ingest.clock import text as clock_text
from ingest.clock.detect import UNIT_WORDS, complete_time, format_of_texts, time_unit
from ingest.clock.pattern import PatternError, strptime_format
from ingest.clock.text import DAY_S, Stamps, TextFormat
from ingest.clock.zone import UnknownZoneError, both_utc, to_utc, zone_of
from ingest.errors import Fault, UnusableRun
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.setup.model import LogTable, TimeTable
    from ingest.table.columns import Columns

PER_SECOND: Final = {"s": 1.0, "ms": 1e3, "us": 1e6, "epoch s": 1.0, "epoch ms": 1e3}
SECONDS_PER: Final = {"min": 60.0, "h": 3600.0}
TEXT_UNITS: Final = {
    "hh:mm:ss": clock_text.CLOCK,
    "mm:ss": clock_text.MINUTES,
    "hh:mm": clock_text.HOURS,
}
LATEST_S: Final = 4102444800.0
"""The year 2100; a date before 1970 or after this was written in another unit or pattern."""
BEYOND: Final = 1e18
"""No clock counts so far in any unit: such a number is no time."""
_FIRST_TIMES: Final = 20
_LONG_YEAR: Final = 1e6
_MINUTES: Final = re.compile(r"^(\d{1,4}):([0-5]\d)(?::([0-5]\d))?(?:[.,](\d+))?$")
MIN_READ: Final = 0.5
"""Share of rows that must have a time; below it the column is not what it is said to be."""


@dataclass(frozen=True)
class TimeReader:
    """How one log's times are read.

    Parameters
    ----------
    refs
        Its column, or its date and time columns.
    form
        The text format; None for plain numbers.
    unit
        The unit of plain numbers.
    zone
        Zone of times without an offset of their own: the stated one, else the offset that the
        log's first time carries; None where neither is known.
    glue
        What stands between date and time where they are two columns.
    """

    refs: tuple[str | int, ...]
    form: TextFormat | None = None
    unit: str | None = None
    zone: tzinfo | None = None
    glue: str = " "

    @property
    def absolute(self) -> bool:
        """Whether readings count from 1970-01-01."""
        if self.form is not None:
            return self.form.kind == "absolute"
        return self.unit in {"epoch s", "epoch ms"}

    @property
    def period(self) -> float | None:
        """Roll-over of a time of day, s; None where there is none."""
        if self.form is None or self.form.kind == "absolute":
            return None
        return DAY_S / 2 if self.form.twelve_hours else DAY_S

    @property
    def said(self) -> str:
        """The unit or format, for messages."""
        if self.form is not None:
            return f"a time written as {self.form.said}"
        return f"a number ({self.unit})"

    def texts(self, table: Columns) -> pl.Series:
        """The times as they stand, date and time joined; null where either is missing."""
        parts = [table.text(table.find(ref)) for ref in self.refs]
        if len(parts) == 1:
            return parts[0]
        frame = pl.DataFrame([part.alias(str(place)) for place, part in enumerate(parts)])
        texts: pl.Series = frame.select(pl.concat_str(pl.all(), separator=self.glue)).to_series()
        return texts

    def readings(self, table: Columns) -> Floats:
        """Clock readings of a table's rows, s; NaN where there is no time.

        Times without an offset of their own count as UTC where no zone is known: their
        differences are right all the same.
        """
        if self.form is None:
            return self._scaled(table.numbers(table.find(self.refs[0])).values.to_numpy())
        return self.of_stamps(clock_text.read_stamps(self.texts(table), self.form))

    def of_stamps(self, stamps: Stamps) -> Floats:
        """Clock readings of times read from text, as of `readings`."""
        own = np.isfinite(stamps.offset)
        if self.zone is not None and not own.all():
            local = to_utc(stamps.seconds, self.zone)
            return np.where(own, stamps.seconds - stamps.offset, local)
        return _own_offsets(stamps)

    def of_texts(self, texts: Sequence[str]) -> Floats:
        """Clock readings of texts as the log's own column has them, s; NaN where they are none."""
        if self.form is None:
            return self._scaled(np.array([_number(text) for text in texts], dtype=np.float64))
        column = pl.Series(list(texts), dtype=pl.String)
        return self.of_stamps(clock_text.read_stamps(column, self.form))

    def candidates(self, texts: Sequence[str]) -> list[Floats]:
        """Readings of texts written like the log's; a second array where an hour comes twice."""
        if self.form is None:
            numbers = self._scaled(np.array([_number(text) for text in texts], dtype=np.float64))
            clocks = np.array([_clock(text) for text in texts], dtype=np.float64)
            return [numbers if self.absolute else np.where(np.isnan(clocks), numbers, clocks)]
        if len(self.refs) > 1:  # date and time, as the log's two columns were joined
            texts = [self.glue.join(text.split(maxsplit=1)) for text in texts]
        stamps = clock_text.read_stamps(pl.Series(list(texts), dtype=pl.String), self.form)
        if self.zone is None or not self.absolute:
            return [stamps.seconds]  # the log shows a wall clock, whatever its zone
        own = np.isfinite(stamps.offset)
        return [
            np.where(own, stamps.seconds - stamps.offset, local)
            for local in both_utc(stamps.seconds, self.zone)
        ]

    def _scaled(self, numbers: Floats) -> Floats:
        unit = self.unit or "s"
        numbers = np.where(np.abs(numbers) > BEYOND, np.nan, numbers)
        if unit in SECONDS_PER:
            return numbers * SECONDS_PER[unit]
        return numbers if PER_SECOND[unit] == 1.0 else numbers / PER_SECOND[unit]


def _own_offsets(stamps: Stamps) -> Floats:
    own = np.isfinite(stamps.offset)
    if not own.any():
        return stamps.seconds
    # a few rows without the offset the others carry cannot be placed among them
    return np.where(own, stamps.seconds - stamps.offset, np.nan)


def _number(text: str) -> float:
    try:
        return float(text if "." in text else text.replace(",", "."))
    except ValueError:
        return float("nan")


def _clock(text: str) -> float:
    """Seconds of ``mm:ss`` or ``h:mm:ss``, as people write into a log that counts seconds."""
    found = _MINUTES.match(text.strip())
    if found is None:
        return float("nan")
    first, second, third, fraction = found.groups()
    parts = [int(part) for part in (first, second, third) if part is not None]
    seconds = 0.0
    for part in parts:
        seconds = 60.0 * seconds + part
    return seconds + float(f"0.{fraction or 0}")


def stated_reader(time: TimeTable) -> TimeReader | None:
    """How times are read by a set-up that says it all; None where only the log can tell.

    Parameters
    ----------
    time
        The set-up's ``[log] time``.
    """
    try:
        zone = None if time.timezone is None else zone_of(time.timezone)
        form, unit = _written(time)
    except (UnknownZoneError, PatternError):  # said where the log is read
        return None
    refs = time.columns or (() if time.column is None else (time.column,))
    if not refs or (form is None and (unit is None or len(refs) > 1)):
        return None
    return TimeReader(tuple(refs), form, unit, zone)


def open_reader(table: Columns, log: LogTable) -> tuple[TimeReader, Floats]:
    """Find how a log's times are read, and read them.

    Parameters
    ----------
    table
        The log, or its first chunk.
    log
        The set-up's `[log]`.

    Returns
    -------
    tuple
        The reader and the readings of the table's rows, s (NaN where there is no time).

    Raises
    ------
    UnusableRun
        Where the column is missing, the unit, pattern or zone unknown, or most rows have no time.
    """
    time = complete_time(table, log.time)
    reader = _reader(table, time)
    if reader.form is None:
        zone = UTC if reader.absolute else None
        reader = replace(reader, zone=reader.zone or zone)
        readings = reader.readings(table)
    else:
        texts = reader.texts(table)
        stamps = clock_text.read_stamps(texts, reader.form)
        if reader.absolute and reader.zone is None:
            reader = replace(reader, zone=_own_zone(texts, stamps))
        readings = reader.of_stamps(stamps)
    if reader.form is not None and len(reader.refs) > 1 and not np.isfinite(readings).any():
        for glue in ("", "T"):
            other = replace(reader, glue=glue)
            if np.isfinite(found := other.readings(table)).any():
                reader, readings = other, found
    known = np.isfinite(readings)
    if reader.form is clock_text.CLOCK and known.any() and not known.all():
        # 59:59 followed by 1:00:00: a counter that writes its hours once it has some
        reader = replace(reader, form=clock_text.CLOCK_SHORT)
        readings = reader.readings(table)
        known = np.isfinite(readings)
    if np.count_nonzero(known) < MIN_READ * readings.size or not known.any():
        raise UnusableRun(_mostly_unread(table, reader, known))
    if reader.absolute:
        middle = float(np.median(readings[known]))
        if not 0 <= middle <= LATEST_S:
            raise UnusableRun(_absurd_date(table, reader, middle))
    return reader, readings


def _reader(table: Columns, time: TimeTable) -> TimeReader:
    refs = (time.column,) if time.column is not None else tuple(time.columns or ())
    faults: list[Fault] = []
    zone = form = unit = None
    if not refs:
        faults.append(
            Fault("run.toml [log] time columns", "an empty list", "column names", "name them")
        )
    for ref in refs:
        try:
            table.find(ref)
        except UnusableRun as error:
            place = "run.toml [log] time"
            faults += [replace(fault, where=place) for fault in error.faults]
    if time.timezone is not None:
        try:
            zone = zone_of(time.timezone)
        except UnknownZoneError as error:
            faults.append(
                Fault(
                    "run.toml [log] time timezone",
                    repr(time.timezone),
                    'the name of a time zone such as "America/Detroit", or "UTC", or "-05:00"',
                    str(error) or "correct it",
                )
            )
    try:
        form, unit = _written(time)
    except PatternError as error:
        faults.append(
            Fault(
                "run.toml [log] time format",
                f"{time.format!r} with {error}",
                '"iso8601" or a strptime pattern such as "%d.%m.%Y %H:%M:%S"',
                "correct the pattern",
            )
        )
    if form is None and unit is None and time.format is None:
        faults.append(
            Fault(
                "run.toml [log] time unit",
                repr(time.unit),
                "one of " + ", ".join(f'"{word}"' for word in UNIT_WORDS),
                "correct the unit",
            )
        )
    if form is None and len(refs) > 1 and not faults:
        faults.append(
            Fault(
                "run.toml [log] time columns",
                f'{len(refs)} columns with unit = "{time.unit}"',
                "columns with a format",
                'write format = "..." instead of the unit',
            )
        )
    if faults:
        raise UnusableRun(faults)
    return TimeReader(refs, form, unit, zone)


def _written(time: TimeTable) -> tuple[TextFormat | None, str | None]:
    """The text format, or the unit of plain numbers; neither where the unit is unknown."""
    if time.format is not None:
        plain = "".join(time.format.lower().split()).replace("-", "").replace("_", "")
        if plain in {"iso", "iso8601"}:
            return clock_text.ISO, None
        return strptime_format(time.format), None
    unit = time_unit(time.unit or "")
    if unit in TEXT_UNITS:
        return TEXT_UNITS[unit], None
    return None, unit


def _mostly_unread(table: Columns, reader: TimeReader, known: np.ndarray) -> Fault:
    count = int(np.count_nonzero(known))
    where = f"{table.file} time column {', '.join(repr(str(ref)) for ref in reader.refs)}"
    texts = reader.texts(table)
    unread = texts.filter(pl.Series(~known)).drop_nulls().head(100).to_list()
    if not unread:
        filled = f"a time in {count} of {known.size} rows" if known.size else "no rows"
        return Fault(where, filled, "a time in every row", "name the column that holds the time")
    hint = format_of_texts(unread)
    place = int(np.flatnonzero(~known & texts.is_not_null().to_numpy())[0])
    return Fault(
        f"{where} (line {table.line(place)})",
        f"{unread[0]!r}, and {known.size - count} of {known.size} rows that cannot be read",
        reader.said,
        f"write {hint} in run.toml, [log] time" if hint else "correct its unit or format",
    )


def _absurd_date(table: Columns, reader: TimeReader, reading: float) -> Fault:
    year = 1970 + reading / (365.2425 * DAY_S)
    named = f"{math.floor(year)}" if abs(year) < _LONG_YEAR else f"{year:.2g}"
    return Fault(
        f"{table.file} time column {', '.join(repr(str(ref)) for ref in reader.refs)}",
        f"the year {named}, read as {reader.said}",
        "a date between 1970 and 2100",
        "correct the unit or format in run.toml, [log] time",
    )


def _own_zone(texts: pl.Series, stamps: Stamps) -> tzinfo | None:
    """The offset that a log's first times carry."""
    offsets = stamps.offset
    if texts.null_count():
        offsets = offsets[texts.is_not_null().to_numpy()]
    offsets = offsets[:_FIRST_TIMES]
    offsets = offsets[np.isfinite(offsets)]
    return timezone(timedelta(seconds=float(offsets[0]))) if offsets.size else None
