"""The channels a set-up names, as raw numbers on one row index, from either layout."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import field
from typing import TYPE_CHECKING, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.arrays import Floats
from ingest.clock.order import Rows, spread_equal
from ingest.errors import Fault, UnusableRun
from ingest.findings import finding
from ingest.points import POINTS
from ingest.run import Finding, Rejected, Sensor
from ingest.sensors.calibrate import RawChannel
from ingest.sensors.read_once import read_once, said_once
from ingest.sensors.units import UnknownUnit, conversion, same_unit
from ingest.table.cells import says_fault
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.clock.log_clock import Clock
    from ingest.setup.model import ChannelTable, LogTable, Setup
    from ingest.table.cells import Numbers
    from ingest.table.columns import Columns
    from ingest.table.long import LongChannel, LongTable

CELL_UNIT_DISAGREES: Final = finding(
    "cell_unit_disagrees",
    "The column is in {unit}, but its cells say {own}; its readings were left out.",
    do="Correct the unit of the channel in run.toml, or the log's.",
    forbids=True,
)

NO_READING_WORDS: Final = finding(
    "no_reading_words",
    "Cells that say that there is no reading: {cells} of {count} ({named}).",
    do="Check the channel's sensor if that is more than expected.",
)
UNREADABLE_CELLS: Final = finding(
    "unreadable_cells",
    "Cells that are neither a number nor a word for no reading: "
    "{cells}, the first {text!r} in line {line}.",
    do="If the word means no reading, add it to no_reading in [log].",
)
PARENTHESES: Final = finding(
    "parentheses",
    "Numbers in parentheses are left out: {cells} cells that are no number, the first {text!r} in "
    "line {line}; nothing says whether they are below zero.",
    do="Write numbers below zero with a minus; a spreadsheet has a number format for it.",
)
NO_NUMBERS: Final = frozenset({UNREADABLE_CELLS.name, PARENTHESES.name})
"""Findings of cells that hold neither a number nor a word for no reading."""

IN_PARENTHESES: Final = re.compile(r"\(\s*[\d.,]+\s*\)")
COLUMN_SHARED: Final = finding(
    "column_shared",
    "{points} are read from one column, {column}.",
    do="Give each measuring point its own column in run.toml.",
)
SEVERAL_UNITS: Final = finding(
    "several_units",
    "The log gives several units ({named}); readings in another unit than {unit} are left out.",
    do="Set the logger to one unit for this channel, or state the unit in run.toml.",
    forbids=True,
)

NAMED: Final = 6


@dataclass
class Faults:
    """Collects what is wrong, so that everything is said at once."""

    found: list[Fault] = field(default_factory=list)

    @contextmanager
    def caught(self) -> Iterator[None]:
        """Keep the faults of an `UnusableRun` raised inside."""
        try:
            yield
        except UnusableRun as error:
            self.found += [each for each in error.faults if each not in self.found]

    def raise_any(self) -> None:
        """Raise all that were found.

        Raises
        ------
        UnusableRun
            Where there is one.
        """
        if self.found:
            raise UnusableRun(self.found)


@dataclass
class Parts:
    """What is made of a log; all times in log time.

    Parameters
    ----------
    clock
        Its clock.
    time
        Shape (n,), s, strictly increasing.
    readings
        By measuring point, shape (n,), in stored units, NaN where there is none.
    sensors
        By measuring point.
    findings, rejected, rejected_count
        What was wrong with it.
    read
        Whether any cell held a number.
    sha256
        Hex digest of the log; None where it was not read in one piece.
    """

    clock: Clock
    time: Floats
    readings: dict[str, Floats]
    sensors: dict[str, Sensor]
    findings: list[Finding]
    rejected: list[Rejected]
    rejected_count: int
    read: bool
    sha256: str | None = None


@dataclass
class RawColumns:
    """Raw channels and what was wrong with their cells.

    Parameters
    ----------
    time
        Shape (n,): log time of the rows, s, strictly increasing.
    raw
        By measuring point, each of shape (n,).
    findings, rejected, rejected_count
        Times in log time.
    """

    time: Floats
    raw: dict[str, RawChannel] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)
    rejected_count: int = 0

    def note_cells(self, point: str, numbers: Numbers) -> None:
        """Take over what the reader says of a channel's cells."""
        self.findings += [dataclasses.replace(each, channel=point) for each in numbers.findings]
        words = {word: count for word, count in numbers.words.items() if word}
        if words:
            most = sorted(words.items(), key=lambda each: -each[1])
            named = ", ".join(f"{word!r} {count} times" for word, count in most[:NAMED])
            self.findings.append(
                NO_READING_WORDS.found(
                    point,
                    cells=sum(words.values()),
                    count=len(numbers.values),
                    named=named,
                    evidence={
                        "cells": sum(words.values()),
                        "of_fault": sum(n for word, n in words.items() if says_fault(word)),
                    },
                )
            )
        if numbers.bad_count:
            first = numbers.bad[0]
            kind = PARENTHESES if IN_PARENTHESES.fullmatch(first.text) else UNREADABLE_CELLS
            self.findings.append(
                kind.found(
                    point,
                    cells=numbers.bad_count,
                    text=first.text,
                    line=first.line,
                    evidence={"cells": numbers.bad_count},
                )
            )
        self.rejected += numbers.bad
        self.rejected_count += numbers.bad_count


def find_columns(
    table: Columns, long: LongTable | None, channels: Mapping[str, ChannelTable], faults: Faults
) -> dict[str, int]:
    """Place of each channel's column (its name's place, in the long layout), by measuring point.

    A channel whose column is missing is left out and becomes a fault.
    """
    places: dict[str, int] = {}
    for point, channel in channels.items():
        column = channel.column
        if column is None:
            continue
        with faults.caught():
            try:
                places[point] = table.find(column) if long is None else long.find(str(column))
            except UnusableRun as error:
                place = f"run.toml [channels.{point}] column"
                raise UnusableRun(
                    [dataclasses.replace(each, where=place) for each in error.faults]
                ) from error
    return places


def shared_columns(
    places: Mapping[str, int], channels: Mapping[str, ChannelTable]
) -> list[Finding]:
    """A finding for each column that several measuring points are read from."""
    users: dict[int, list[str]] = {}
    for point, place in places.items():
        users.setdefault(place, []).append(point)
    return [
        COLUMN_SHARED.found(
            points[0], points=" and ".join(points), column=repr(channels[points[0]].column)
        )
        for points in users.values()
        if len(points) > 1
    ]


def wide_columns(
    table: Columns,
    clock: Clock | None,
    places: Mapping[str, int],
    channels: Mapping[str, ChannelTable],
) -> RawColumns:
    """Channels of the wide layout, one column each.

    Parameters
    ----------
    table
        The log, or a chunk of it.
    clock
        Its clock; None where it cannot be read, so that units are still checked.
    places
        Column of each measuring point.
    channels
        The set-up's channels.
    """
    columns = RawColumns(np.zeros(0) if clock is None else clock.time)
    rows = None if clock is None or _is_every(clock.rows, table.height) else clock.rows
    for point, place in places.items():
        numbers = table.numbers(place)
        values = numbers.values.to_numpy()
        unit, own = table.units[place], _most(numbers.cell_units)
        if unit is not None and own is not None and _contradicts(point, unit, own):
            values = np.full(values.size, np.nan)
            columns.findings.append(_other_unit(point, unit, own))
        columns.raw[point] = RawChannel(
            values if rows is None else values[rows],
            unit or own,
            channels[point].source,
        )
        columns.note_cells(point, numbers)
    return columns


def long_columns(
    long: LongTable,
    clock: Clock | None,
    unit_texts: pl.Series,
    places: Mapping[str, int],
    channels: Mapping[str, ChannelTable],
) -> RawColumns:
    """Channels of the long layout: each at its own times, all on the union of these.

    Rows of one channel that share a time are spread as in the wide layout.

    Parameters
    ----------
    long
        The log, or a chunk of it.
    clock
        Its clock; None where it cannot be read, so that units are still checked.
    unit_texts
        The units column of its table, one text a row; all null where there is none.
    places
        Place of each measuring point's name.
    channels
        The set-up's channels.
    """
    time_of_row = np.full(len(unit_texts), np.nan)
    if clock is not None:
        time_of_row[clock.rows] = clock.time
    own: dict[str, tuple[Floats, Floats]] = {}
    units: dict[str, str | None] = {}
    columns = RawColumns(np.zeros(0))
    for point, place in places.items():
        channel = long.channel(place)
        columns.note_cells(point, channel.numbers)
        time = time_of_row[channel.rows]
        values = channel.numbers.values.to_numpy()
        if len(channel.units) > 1:
            values = np.where(_in_unit(unit_texts, channel), values, np.nan)
            columns.findings.append(_several_units(point, channel))
        order = np.argsort(time, kind="stable")  # rows without a time come last
        order = order[: int(np.count_nonzero(np.isfinite(time)))]
        time = time[order]
        if np.any(np.diff(time) <= 0):
            time = spread_equal(time)
        own[point] = time, values[order]
        units[point] = channel.unit or _most(channel.numbers.cell_units)
    columns.time = np.unique(np.concatenate([time for time, _ in own.values()] or [np.zeros(0)]))
    for point, (time, values) in own.items():
        placed = np.full(columns.time.size, np.nan)
        placed[np.searchsorted(columns.time, time)] = values
        columns.raw[point] = RawChannel(placed, units[point], channels[point].source)
    return columns


def in_blocks(long: LongTable, readings: Floats, places: Mapping[str, int]) -> bool:
    """Whether a long log goes back in time only from channel to channel.

    Such a log was written one channel after the other: it is sorted, and its clock was not set.
    """
    known = readings[np.isfinite(readings)]
    if not np.any(np.diff(known) < 0):
        return False
    for place in places.values():
        own = readings[long.channel(place).rows]
        if np.any(np.diff(own[np.isfinite(own)]) < 0):
            return False
    return True


def _in_unit(unit_texts: pl.Series, channel: LongChannel) -> NDArray[np.bool_]:
    """Which of a channel's rows are in its most frequent unit."""
    mine = unit_texts.gather(channel.rows)
    usual = channel.unit or ""
    like = [text for text in mine.unique().drop_nulls().to_list() if _same(text, usual)]
    return mine.is_in(like).fill_null(value=False).to_numpy()


def _same(text: str, unit: str) -> bool:
    try:
        return same_unit(text, unit)
    except UnknownUnit:
        return text.strip() == unit


def _contradicts(point: str, unit: str, other: str) -> bool:
    """Whether two units are both known, and not the same."""
    quantity = POINTS[point].name if point in POINTS else None
    try:
        return conversion(unit, quantity) != conversion(other, quantity)
    except UnknownUnit:
        return False


def _other_unit(point: str, unit: str, own: str) -> Finding:
    return CELL_UNIT_DISAGREES.found(point, unit=repr(unit), own=repr(own))


def _several_units(point: str, channel: LongChannel) -> Finding:
    named = ", ".join(f"{unit!r} {count} times" for unit, count in channel.units.items())
    return SEVERAL_UNITS.found(point, named=named, unit=repr(channel.unit))


def take_apart(table: Columns, log: LogTable) -> LongTable | None:
    """The channels of a long log; None for a wide one.

    Raises
    ------
    UnusableRun
        Where the columns that say which channel a row belongs to are missing.
    """
    if log.layout == "wide" or log.name is None or log.value is None:
        return None
    return table.long(log.name, log.value, log.unit)


def read_columns(
    table: Columns,
    setup: Setup,
    clock: Clock | None,
    long: LongTable | None,
    places: Mapping[str, int],
    setup_file: str,
) -> RawColumns:
    """Raw channels of a table in either layout, and those that were read once.

    Parameters
    ----------
    table
        The log, or a chunk of it.
    setup
        The set-up.
    clock
        Its clock; None where it cannot be read, so that units are still checked.
    long
        Its channels in the long layout.
    places
        Place of each measuring point's column (its name's, in the long layout).

    Raises
    ------
    UnusableRun
        Where the value of a channel that was read once is none.
    """
    if long is None:
        columns = wide_columns(table, clock, places, setup.channels)
    else:
        unit = setup.log.unit
        nothing = pl.Series([None] * table.height, dtype=pl.String)
        texts = nothing if unit is None else table.text(table.find(unit))
        columns = long_columns(long, clock, texts, places, setup.channels)
    for point, channel in setup.channels.items():
        if channel.value is not None:
            count = next((raw.values.size for raw in columns.raw.values()), columns.time.size)
            columns.raw[point] = read_once(setup, point, count, setup_file)
            columns.findings.append(said_once(point))
    columns.raw = {point: columns.raw[point] for point in setup.channels if point in columns.raw}
    return columns


def _is_every(rows: Rows, height: int) -> bool:
    return rows.size == height and bool(np.all(np.diff(rows) == 1))


def _most(units: Mapping[str, int]) -> str | None:
    return max(units, key=lambda unit: units[unit]) if units else None
