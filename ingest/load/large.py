"""Logs too large to hold: read in chunks, averaged into bins of time while they are read."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Final

import numpy as np

from ingest.clock.log_clock import Clock, clock_of
from ingest.clock.order import Segment
from ingest.clock.reader import TimeReader, open_reader
from ingest.errors import Fault, UnusableRun
from ingest.findings import finding
from ingest.load.bins import Bins
from ingest.load.columns import (
    Faults,
    Parts,
    RawColumns,
    find_columns,
    read_columns,
    shared_columns,
    take_apart,
)
from ingest.run import Finding, Rejected, Sensor
from ingest.saying import say
from ingest.sensors.calibrate import RawChannel, calibrate
from ingest.table.open import iter_log

if TYPE_CHECKING:
    from ingest.files import RunFiles
    from ingest.table.columns import Columns

AVERAGED: Final = finding(
    "averaged",
    "The log has {size:.0f} MiB, so its {samples} samples were averaged into "
    "{bins} bins of {width:g s} while it was read.",
    do="Nothing: the figures need no finer steps.",
)

CHUNK_BYTES: Final = 16 * 2**20
REJECTED_CAP: Final = 1000
_ADDED: Final = frozenset({"rows", "cells", "count", "events"})


def load_large(files: RunFiles, chunk_bytes: int = CHUNK_BYTES) -> Parts:
    """Read a log in chunks.

    The log time goes on from chunk to chunk as if the log were read whole. A long-layout log must
    be in the order of its times: one written channel by channel cannot be told from a logger that
    restarted without holding it whole.

    Parameters
    ----------
    files
        The run's files.
    chunk_bytes
        Size of a chunk.

    Raises
    ------
    UnusableRun
        Where the log cannot be used.
    """
    stream = _Stream(files)
    for table in iter_log(files.log, files.setup.log, chunk_bytes=chunk_bytes):
        stream.take(table)
    return stream.finish()


class _Stream:
    """What is carried from chunk to chunk."""

    def __init__(self, files: RunFiles) -> None:
        self.files = files
        self.setup = files.setup
        self.bins = Bins(tuple(files.setup.channels))
        self.reader: TimeReader | None = None
        self.clock: Clock | None = None
        self.first_s = 0.0
        self.segments: list[Segment] = []
        self.sensors: dict[str, Sensor] = {}
        self.units: dict[str, str | None] = {}
        self.read = False
        self.findings: dict[tuple[str, str | None], tuple[Finding, int]] = {}
        self.rejected: list[Rejected] = []
        self.rejected_count = 0

    def take(self, table: Columns) -> None:
        """Add a chunk.

        Raises
        ------
        UnusableRun
            Where it cannot be used.
        """
        faults = Faults()
        clock = None
        with faults.caught():
            clock = self._clock(table)
        with faults.caught():
            columns = self._columns(table, clock, faults)
            result = calibrate(
                self.setup,
                columns.raw,
                log_file=table.file,
                time_s=columns.time if clock is not None else None,
                setup_file=self.files.setup_path.name,
            )
        faults.raise_any()
        self.clock = clock
        self.bins.add(columns.time, result.readings)
        for point in self.units:
            self.sensors.setdefault(point, result.sensors[point])
            logged = self.setup.channels[point].value is None
            self.read |= logged and bool(np.isfinite(columns.raw[point].values).any())
        own = clock.findings if clock is not None else ()
        for each in (*table.findings, *own, *columns.findings, *result.findings):
            self._note(each)
        for source in (table, clock, columns):
            if source is not None:
                self.rejected += source.rejected[: REJECTED_CAP - len(self.rejected)]
                self.rejected_count += source.rejected_count

    def finish(self) -> Parts:
        """Means over the whole log.

        Raises
        ------
        UnusableRun
            Where a channel is nowhere in it.
        """
        channels = self.setup.channels
        missing = [point for point in channels if point not in self.units]
        if missing or self.clock is None:
            raise UnusableRun(
                Fault(
                    f"run.toml [channels.{point}] column",
                    f"{channels[point].source!r}, which is no channel of the log",
                    "one of the log's channels",
                    "correct the name or leave the channel out",
                )
                for point in missing
            )
        time, readings = self.bins.means()
        whole = dataclasses.replace(
            self.clock,
            time=np.array([self.first_s, float(self.clock.time[-1])]),
            rows=np.zeros(0, dtype=np.int64),
            segments=tuple(self.segments),
        )
        findings = [_repeated(finding, parts) for finding, parts in self.findings.values()]
        findings.append(self._averaged(time.size))
        sensors = {point: self.sensors[point] for point in channels}
        return Parts(
            whole, time, readings, sensors, findings, self.rejected, self.rejected_count, self.read
        )

    def _clock(self, table: Columns) -> Clock:
        if self.reader is None:
            self.reader, readings = open_reader(table, self.setup.log)
        else:
            readings = self.reader.readings(table)
        spread = self.setup.log.layout == "wide"
        clock = clock_of(table, self.reader, readings, spread=spread, after=self.clock)
        if self.clock is None:
            self.first_s = float(clock.time[0])
        for segment in clock.segments:
            last = self.segments[-1] if self.segments else None
            if last is not None and last.shift == segment.shift:
                first = min(last.first, segment.first)
                segment = Segment(first, max(last.last, segment.last), last.shift)
                self.segments.pop()
            self.segments.append(segment)
        return clock

    def _columns(self, table: Columns, clock: Clock | None, faults: Faults) -> RawColumns:
        channels = self.setup.channels
        long = take_apart(table, self.setup.log)
        # a channel of the long layout may be absent from a chunk; finish() sees to all of them
        places = find_columns(table, long, channels, faults if long is None else Faults())
        columns = read_columns(table, self.setup, clock, long, places, self.files.setup_path.name)
        if not self.units:
            columns.findings += shared_columns(places, channels)
        for point in columns.raw:
            if self.units.get(point) is None:
                self.units[point] = columns.raw[point].unit
        raw = columns.raw
        columns.raw = {
            point: raw[point] if point in raw else self._absent(point, columns.time.size)
            for point in channels
            if point in raw or long is not None
        }
        return columns

    def _absent(self, point: str, count: int) -> RawChannel:
        """A channel without a reading in this chunk; any unit will do while it is not known."""
        quantity = self.setup.quantity(point)
        unit = self.units.get(point) or (quantity.unit if quantity else None)
        return RawChannel(np.full(count, np.nan), unit, self.setup.channels[point].source)

    def _note(self, finding: Finding) -> None:
        key = finding.fault, finding.channel
        if key not in self.findings:
            self.findings[key] = finding, 1
            return
        first, parts = self.findings[key]
        evidence = dict(first.evidence)
        for name in _ADDED & evidence.keys() & finding.evidence.keys():
            one, other = evidence[name], finding.evidence[name]
            if isinstance(one, int | float) and isinstance(other, int | float):
                evidence[name] = one + other
        merged = dataclasses.replace(
            first,
            to_s=first.to_s if finding.to_s is None else finding.to_s,
            evidence=evidence,
        )
        self.findings[key] = merged, parts + 1

    def _averaged(self, bins: int) -> Finding:
        size = self.files.log.stat().st_size / 2**20
        return AVERAGED.found(
            size=size,
            samples=self.bins.samples,
            bins=bins,
            width=self.bins.width,
            evidence={"samples": self.bins.samples, "bins": bins, "bin_s": self.bins.width},
        )


def _repeated(finding: Finding, parts: int) -> Finding:
    if parts == 1:
        return finding
    detail = say(
        "{detail} (The first of {parts} parts of the log in which this was found.)",
        detail=finding.detail,
        parts=parts,
    )
    return dataclasses.replace(finding, detail=detail)
