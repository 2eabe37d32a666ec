"""A table that a program holds already, with a set-up, to a `Run`.

It is written out as plain text and read as a log is, so that a table and the file it came from
give one and the same run: the same checks, the same findings.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from ingest.errors import Fault, UnusableRun
from ingest.files import files_with_log
from ingest.load.load import OpenedRun, load_opened
from ingest.table.text.read import read_table

if TYPE_CHECKING:
    from ingest.run import Run
    from ingest.setup.model import LogTable, Setup

LOG_NAME = "frame.csv"
"""What the table is called in messages and digests."""

MOMENT = "%Y-%m-%dT%H:%M:%S%.6f"


def load_frame(frame: pl.DataFrame, setup: Path) -> Run:
    """Load a run from a table.

    Parameters
    ----------
    frame
        One row a sample (or, with `layout = "long"`, a reading), columns as the set-up names them:
        numbers, texts, or moments for the time. Null and NaN are no reading.
    setup
        The run.toml; an events file it names lies beside it. What it says of how the log is written
        (delimiter, decimal mark, encoding) does not concern a table.

    Raises
    ------
    UnusableRun
        Where the data cannot be used, with one fault for each thing wrong.
    """
    if frame.height == 0 or frame.width < 2:
        raise UnusableRun(
            Fault(
                "the frame",
                f"{frame.height} rows in {frame.width} columns",
                "one row a sample, a column for the time and one for each channel",
                "check how the table was read",
            )
        )
    with tempfile.TemporaryDirectory(prefix="lukewarm-") as folder:
        log = Path(folder) / LOG_NAME
        _as_written(frame).write_csv(log)
        files = files_with_log(log, setup, lambda told: _plain(told, frame))
        return load_opened(OpenedRun(files, read_table(log, files.setup.log, hashed=True)))


def _as_written(frame: pl.DataFrame) -> pl.DataFrame:
    """Every column as numbers or texts."""
    columns = []
    for name, kind in frame.schema.items():
        column = pl.col(name)
        if kind.is_float():
            column = column.fill_nan(None)
        elif isinstance(kind, pl.Datetime):
            column = column.dt.to_string(f"{MOMENT}%:z" if kind.time_zone else MOMENT)
        elif isinstance(kind, pl.Duration):
            column = column.dt.total_microseconds() / 1e6
        elif kind == pl.Boolean:
            column = column.cast(pl.Int8)
        columns.append(column)
    return frame.select(columns)


def _plain(setup: Setup, frame: pl.DataFrame) -> Setup:
    """The set-up with what it says of the log's writing replaced by how the table is written."""
    log = setup.log.model_copy(
        update={
            "delimiter": ",",
            "decimal": ".",
            "thousands": None,
            "encoding": "utf-8",
            "header": True,
        }
    )
    return setup.model_copy(update={"log": log.model_copy(update={"time": _time(log, frame)})})


def _time(log: LogTable, frame: pl.DataFrame) -> object:
    """How the time is written: a column of moments or durations says so itself."""
    time = log.time
    if time is None or time.column is None:
        return time
    at = time.column
    name = frame.columns[at - 1] if isinstance(at, int) and at <= frame.width else at
    kind = frame.schema.get(str(name))
    if isinstance(kind, pl.Datetime):
        return time.model_copy(update={"format": "iso8601", "unit": None})
    if isinstance(kind, pl.Duration):
        return time.model_copy(update={"format": None, "unit": "s"})
    return time
