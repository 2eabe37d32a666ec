"""A run folder, or a log with a set-up, to a `Run`.

Everything wrong with the files is collected and said at once; what is merely doubtful becomes a
finding. Nothing is written.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import polars as pl

from ingest.arrays import Floats
from ingest.clock.log_clock import Clock, build_clock, clock_of, in_order
from ingest.clock.reader import open_reader
from ingest.clock.turned import is_newest_first
from ingest.errors import Fault, UnusableRun
from ingest.events.controls import Events, lever_disagreement, no_events, read_events
from ingest.files import JOURNAL, RunFiles, file_sha256, find_files
from ingest.files import read_text as read_text
from ingest.files import run_folders as run_folders
from ingest.files import write_text as write_text
from ingest.load.bench import require_bench
from ingest.load.columns import (
    NO_NUMBERS,
    NO_READING_WORDS,
    Faults,
    Parts,
    find_columns,
    in_blocks,
    read_columns,
    shared_columns,
    take_apart,
)
from ingest.load.corrected import with_corrections
from ingest.load.doubts import setup_findings
from ingest.load.start import engine_start, wall_clock
from ingest.run import Finding, Run
from ingest.sensors.calibrate import calibrate
from ingest.table.open import open_log
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.setup.model import Setup
    from ingest.table.columns import Columns
    from ingest.table.long import LongTable

WHOLE_UP_TO: Final = 256 * 2**20
"""A log of up to this many bytes is held in memory; a larger one is averaged into bins."""


LONGEST_S: Final = 60.0 * 86400.0
"""No road test, and no logger left running over a winter's weekend, is longer than this, s."""


@dataclass(frozen=True)
class OpenedRun:
    """A run whose set-up and log have been read and not yet understood.

    Parameters
    ----------
    files
        Its files.
    table
        The log's columns; None where it is too large to hold.
    """

    files: RunFiles
    table: Columns | None


def run_files(place: Path, setup: Path | None = None) -> RunFiles:
    """The files of a run; those of a recording are put in order first.

    Parameters
    ----------
    place, setup
        As for `load_run`.

    Raises
    ------
    UnusableRun
        Where a file is missing or lies outside the folder, with one fault for each.
    """
    if not (place / JOURNAL).is_dir():
        return find_files(place, setup)
    from ingest.record.recover import prepare  # most runs were not recorded here

    return find_files(place, setup, prepare(place))


def load_run(place: Path, setup: Path | None = None, *, whole_up_to: int = WHOLE_UP_TO) -> Run:
    """Load a run.

    Parameters
    ----------
    place
        A run folder, a run.toml, or a log (then `setup` is needed).
    setup
        A set-up to use instead of the folder's own.
    whole_up_to
        Size of the log above which its samples are averaged into bins while it is read, bytes.

    Raises
    ------
    UnusableRun
        Where the data cannot be used, with one fault for each thing wrong.
    """
    return load_opened(open_run(place, setup, whole_up_to=whole_up_to))


def open_run(
    place: Path, setup: Path | None = None, *, whole_up_to: int = WHOLE_UP_TO
) -> OpenedRun:
    """The first part of `load_run`: reading, hashing and parsing, which need no interpreter.

    While another thread does this, the interpreter is free for the run before.

    Raises
    ------
    UnusableRun
        Where a file cannot be read or the log holds no table.
    """
    files = run_files(place, setup)
    if not files.setup.channels:
        raise UnusableRun(
            Fault(
                f"{files.setup_path.name} [channels]",
                "no channel",
                "at least one [channels.NAME] table",
                f"draft one with `lukewarm setup {files.log.name} --out run.toml`",
            )
        )
    require_bench(files.setup, files.setup_path.name)
    table = open_log(files.log, files.setup.log, whole_up_to=whole_up_to, hashed=True)
    return OpenedRun(files, table)


def load_opened(opened: OpenedRun) -> Run:
    """The second part of `load_run`.

    Raises
    ------
    UnusableRun
        Where the data cannot be used, with one fault for each thing wrong.
    """
    files = opened.files
    if opened.table is None:
        from ingest.load.large import load_large  # few logs are

        parts = load_large(files)
        return _assemble(files, parts, _events(files, parts.clock))
    return _assemble(files, *_load_whole(files, opened.table))


def _load_whole(files: RunFiles, table: Columns) -> tuple[Parts, Events]:
    """Understand a log held whole; all its faults and those of the events are raised at once."""
    setup, faults = files.setup, Faults()
    clock, columns, result, events = None, None, None, no_events()
    with faults.caught():
        long = take_apart(table, setup.log)
        places = find_columns(table, long, setup.channels, faults)
        with faults.caught():
            clock = _clock(table, setup, long, places)
            events = _events(files, clock)
        columns = read_columns(table, setup, clock, long, places, files.setup_path.name)
        columns.findings += shared_columns(places, setup.channels)
        result = calibrate(
            setup,
            columns.raw,
            log_file=table.file,
            time_s=columns.time if clock is not None else None,
            setup_file=files.setup_path.name,
        )
    faults.raise_any()
    assert clock is not None and columns is not None and result is not None  # noqa: S101, PT018
    parts = Parts(
        clock,
        columns.time,
        result.readings,
        result.sensors,
        [*table.findings, *clock.findings, *columns.findings, *result.findings],
        [*table.rejected, *clock.rejected, *columns.rejected],
        table.rejected_count + clock.rejected_count + columns.rejected_count,
        any(np.isfinite(columns.raw[point].values).any() for point in places),
        table.sha256,
    )
    return parts, events


def _clock(
    table: Columns, setup: Setup, long: LongTable | None, places: Mapping[str, int]
) -> Clock:
    if long is None:
        return build_clock(table, setup.log)
    reader, readings = open_reader(table, setup.log)
    if is_newest_first(readings) or not in_blocks(long, readings, places):
        return in_order(table, reader, readings, spread=False)
    order = np.argsort(readings, kind="stable")
    clock = clock_of(table, reader, readings[order], spread=False)
    return dataclasses.replace(clock, rows=order[clock.rows])


def _events(files: RunFiles, clock: Clock) -> Events:
    if files.events is None or files.setup.events is None:
        return no_events()
    return read_events(files.events, clock, files.setup.events.offset)


def _assemble(files: RunFiles, parts: Parts, events: Events) -> Run:
    """Count time from the engine start and put everything together.

    Raises
    ------
    UnusableRun
        Where there is no reading at all, or the stated engine start lies after the log.
    """
    setup = files.setup
    if not parts.read:
        raise UnusableRun(
            Fault(
                files.log.name,
                f"no reading in any of the {len(setup.channels)} channels{_cells_met(parts)}",
                "numbers in the columns that run.toml names",
                "check that the logger was recording, and the columns in run.toml",
            )
        )
    with_corrections(parts, files.corrections)
    start, findings = engine_start(setup.run, events.frame, parts.clock)
    started, disagreements = wall_clock(setup.run, parts.clock, start)
    noted, *rest = events.frame.get_columns()
    controls = pl.DataFrame([noted - start, *rest])
    time = _counted_from(parts.time, start)
    if time.size and not float(time[-1]) - float(time[0]) <= LONGEST_S:
        raise UnusableRun(
            Fault(
                files.log.name,
                f"times that span {float(time[-1]) - float(time[0]):.3g} s",
                f"a log of at most {LONGEST_S / 86400.0:.0f} days",
                "correct unit or format of the time in run.toml, [log] time",
            )
        )
    names = {point: sensor.column for point, sensor in parts.sensors.items()}
    readings = pl.DataFrame(
        [
            pl.Series("time_s", time),
            *(
                pl.Series(names[point], values, nan_to_null=True)
                for point, values in parts.readings.items()
            ),
        ]
    )
    in_log_time = [*parts.findings, *events.findings, *findings, *disagreements]
    lever = parts.readings.get("temp_lever")
    return Run(
        setup=setup,
        readings=readings,
        controls=controls,
        sensors=parts.sensors,
        findings=(
            *setup_findings(setup, files.setup_path.name, files.log),
            *(_moved(finding, start) for finding in (*in_log_time, *files.recording.findings)),
            *(() if lever is None else lever_disagreement(controls, time, lever)),
        ),
        rejected=(*parts.rejected, *events.rejected),
        rejected_count=parts.rejected_count + events.rejected_count,
        sha256={
            name: parts.sha256 if path == files.log and parts.sha256 else file_sha256(path)
            for name, path in files.raw().items()
        },
        started=started or files.recording.started,
        engine_start_s=start,
        name=files.name,
    )


def _cells_met(parts: Parts) -> str:
    """What was found in place of readings, with a cell as it stands."""
    for finding in parts.findings:
        if finding.fault in NO_NUMBERS | {NO_READING_WORDS.name}:
            said = finding.detail.rstrip(".")
            return f"; {finding.channel}: {said[0].lower()}{said[1:]}"
    return ""


def _counted_from(time: Floats, start: float) -> Floats:
    """Times from the engine start, without the last digits that subtracting leaves behind."""
    exact = time - start
    if exact.size and not float(exact[-1]) - float(exact[0]) <= LONGEST_S:
        return exact  # refused, whatever its digits
    rounded = np.round(exact, 9)
    return rounded if np.all(np.diff(rounded) > 0) else exact


def _moved(finding: Finding, start: float) -> Finding:
    if finding.from_s is None and finding.to_s is None:
        return finding
    return dataclasses.replace(
        finding,
        from_s=None if finding.from_s is None else finding.from_s - start,
        to_s=None if finding.to_s is None else finding.to_s - start,
    )
