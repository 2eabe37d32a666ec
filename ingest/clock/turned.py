"""A log that was written newest row first, as its rows were measured."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from ingest.arrays import Floats
from ingest.findings import finding
from ingest.run import Finding

if TYPE_CHECKING:
    import polars as pl

    from ingest.table.cells import Numbers
    from ingest.table.columns import Columns
    from ingest.table.long import LongTable

TURNED_ROUND: Final = finding(
    "turned_round",
    "the log's {rows} rows stand newest first and were turned round",
    do="Nothing; let the logger write oldest first where it can.",
)

MIN_STEPS: Final = 3
BACK_SHARE: Final = 0.98
"""Share of the steps that go back; a clock that was set makes a few go ahead."""
MIDNIGHT_S: Final = 43200.0
"""A larger step ahead is a time of day that passed midnight."""


def is_newest_first(readings: Floats) -> bool:
    """Whether clock readings go back from row to row, shape (n,), NaN where there is none."""
    known = readings[np.isfinite(readings)]
    steps = np.diff(known)
    back = np.count_nonzero(steps < 0)
    ahead = np.count_nonzero((steps > 0) & (steps < MIDNIGHT_S))
    return bool(back >= MIN_STEPS and back >= BACK_SHARE * (back + ahead))


def turned_finding(rows: int) -> Finding:
    """What is to be said of such a log."""
    return TURNED_ROUND.found(rows=rows, evidence={"rows": float(rows)})


class Turned:
    """A log with its last row first; see `ingest.table.columns.Columns`.

    Parameters
    ----------
    table
        The log.
    """

    def __init__(self, table: Columns) -> None:
        self._table = table
        self.file = table.file
        self.names = table.names
        self.has_names = table.has_names
        self.units = table.units
        self.remarks = table.remarks
        self.height = table.height
        self.width = table.width
        self.first_row = table.first_row
        self.restarts = tuple(self.height - row for row in reversed(table.restarts))
        self.rejected = table.rejected
        self.rejected_count = table.rejected_count
        self.findings = table.findings
        self.sha256 = table.sha256

    def find(self, ref: str | int) -> int:
        """Column by its name or number."""
        return self._table.find(ref)

    def line(self, row: int) -> int:
        """1-based line that a row stands on."""
        return self._table.line(self.height - 1 - row)

    def prepare(self, numbers: Sequence[int] = (), text: Sequence[int] = ()) -> None:
        """Read some columns in one go."""
        self._table.prepare(numbers, text)

    def text(self, index: int) -> pl.Series:
        """Cells of a column as written."""
        return self._table.text(index).reverse()

    def numbers(self, index: int) -> Numbers:
        """A column as numbers."""
        found = self._table.numbers(index)
        return dataclasses.replace(found, values=found.values.reverse())

    def long(self, name: str | int, value: str | int, unit: str | int | None = None) -> LongTable:
        """Take a log of one reading a row apart; its rows are those of the log as written."""
        return self._table.long(name, value, unit)
