"""A table that a program holds already, with a set-up, to a `Run`.

It is written out as plain text and read as a log is, so that a table and the file it came from
give one and the same run: the same checks, the same findings.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

import polars as pl

from ingest.clock.detect import time_unit
from ingest.clock.reader import PER_SECOND, SECONDS_PER
from ingest.errors import Fault, UnusableRun
from ingest.files import files_with_log
from ingest.load.load import OpenedRun, load_opened
from ingest.table.text.read import read_text_table

if TYPE_CHECKING:
    from ingest.run import Run
    from ingest.setup.model import Setup, TimeTable

LOG_NAME: Final = "frame.csv"
"""What the table is called in messages and digests."""

MOMENT: Final = "%Y-%m-%dT%H:%M:%S%.6f"
EPOCH: Final = frozenset({"epoch s", "epoch ms"})


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
        files = files_with_log(log, setup, _plain)
        _as_written(frame, files.setup.log.time).write_csv(log)
        return load_opened(OpenedRun(files, read_text_table(log, files.setup.log, hashed=True)))


def _as_written(frame: pl.DataFrame, time: TimeTable | None) -> pl.DataFrame:
    """Every column as numbers or texts; the time as the set-up says the log writes it.

    The events, which are in the log's own time, then still mean the same.
    """
    columns = []
    for place, (name, kind) in enumerate(frame.schema.items()):
        told = time if time is not None and time.column in (name, place + 1) else None
        column = pl.col(name)
        if kind.is_float():
            column = column.fill_nan(None)
        elif isinstance(kind, pl.Datetime):
            column = _moment(column, kind, told)
        elif isinstance(kind, pl.Duration):
            column = _counted(column.dt.total_microseconds(), _unit(told))
        elif kind == pl.Boolean:
            column = column.cast(pl.Int8)
        columns.append(column)
    return frame.select(columns)


def _moment(column: pl.Expr, kind: pl.Datetime, told: TimeTable | None) -> pl.Expr:
    """Moments as the set-up has them written, else as ISO 8601."""
    unit = _unit(told)
    if unit in EPOCH:
        if kind.time_zone is None and told is not None and told.timezone:
            column = column.dt.replace_time_zone(told.timezone, ambiguous="earliest")
        return _counted(column.dt.epoch("us"), unit)
    pattern = told.format if told is not None else None
    if told is not None and told.timezone and kind.time_zone:
        column = column.dt.convert_time_zone(told.timezone)
    if pattern is None or "%" not in pattern:
        return column.dt.to_string(f"{MOMENT}%:z" if kind.time_zone else MOMENT)
    return column.dt.to_string(pattern.replace("%f", "%6f"))


def _unit(told: TimeTable | None) -> str | None:
    return time_unit(told.unit) if told is not None and told.unit is not None else None


def _counted(microseconds: pl.Expr, unit: str | None) -> pl.Expr:
    """In the unit of plain numbers that the set-up names, else in seconds."""
    return microseconds / (
        1e6 * SECONDS_PER.get(unit or "s", 1.0) / PER_SECOND.get(unit or "s", 1.0)
    )


def _plain(setup: Setup) -> Setup:
    """The set-up with what it says of the log's writing replaced by how the table is written."""
    plain = {
        "delimiter": ",",
        "decimal": ".",
        "thousands": None,
        "encoding": "utf-8",
        "header": True,
    }
    return setup.model_copy(update={"log": setup.log.model_copy(update=plain)})
