"""What every reader of a log gives: its raw columns, and everything that was not used.

The clock, the loader and the draft know a log through this protocol alone; `ingest.table.open`
chooses the reader by what the file is. Delimited text (`ingest.table.text.read`) was the first.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

from ingest.table.long import LongTable, group_rows

if TYPE_CHECKING:
    import numpy as np
    import polars as pl
    from numpy.typing import NDArray

    from ingest.run import Finding, Rejected
    from ingest.table.cells import CellReader, Numbers


class Columns(Protocol):
    """Raw columns of a log, or of a part of one; columns are counted from 0, rows too."""

    @property
    def file(self) -> str:
        """Name of the file, for messages."""

    @property
    def names(self) -> tuple[str, ...]:
        """Column names as in the file, stripped; numbers where it has none."""

    @property
    def has_names(self) -> bool:
        """Whether the file names its columns."""

    @property
    def units(self) -> tuple[str | None, ...]:
        """Unit of each column as the file gives it, or None."""

    @property
    def remarks(self) -> tuple[tuple[str, ...], ...]:
        """Rows above the readings that are neither names nor units, as stripped cells."""

    @property
    def height(self) -> int:
        """Number of rows."""

    @property
    def width(self) -> int:
        """Number of columns."""

    @property
    def first_row(self) -> int:
        """Rows of the file before this part."""

    @property
    def restarts(self) -> tuple[int, ...]:
        """Rows before which the logger started again."""

    @property
    def rejected(self) -> tuple[Rejected, ...]:
        """Rows that were not used, up to a cap."""

    @property
    def rejected_count(self) -> int:
        """How many rows were not used."""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What is doubtful about the file as a whole."""

    @property
    def sha256(self) -> str | None:
        """Hex digest of the file's bytes where it was made on the way."""

    def find(self, ref: str | int) -> int:
        """Column by its name (see `ingest.table.names.match_name`) or its 1-based number.

        Raises
        ------
        UnusableRun
            Where there is no such column, or more than one.
        """

    def line(self, row: int) -> int:
        """1-based line (of a sheet: its row) that a row stands on."""

    def prepare(self, numbers: Sequence[int] = (), text: Sequence[int] = ()) -> None:
        """Read some columns in one go, where that is faster."""

    def text(self, index: int) -> pl.Series:
        """Cells of a column as written, stripped; null where empty. Shape (height,)."""

    def numbers(self, index: int) -> Numbers:
        """A column as numbers. Shape (height,)."""

    def long(self, name: str | int, value: str | int, unit: str | int | None = None) -> LongTable:
        """Take a log of one reading a row apart by the channel names in column `name`.

        Raises
        ------
        UnusableRun
            Where one of the columns is not there.
        """


def long_table(
    table: Columns,
    cells: CellReader,
    name: str | int,
    value: str | int,
    unit: str | int | None,
) -> LongTable:
    """Take a log of one reading a row apart (`ingest.table.columns.Columns.long`).

    Parameters
    ----------
    table
        The log.
    cells
        Reads its cells.
    name, value, unit
        Columns that say which channel a row belongs to, its reading and its unit.

    Raises
    ------
    UnusableRun
        Where one of the columns is not there.
    """
    at, value_at = table.find(name), table.find(value)
    unit_at = None if unit is None else table.find(unit)
    table.prepare(text=[at, value_at, *([] if unit_at is None else [unit_at])])
    names, rows, unnamed = group_rows(table.text(at))
    values = table.text(value_at)
    reader = cells.for_column(values)

    def read(some: pl.Series, at_rows: NDArray[np.int64]) -> Numbers:
        return reader.from_text(some, at_rows)

    units = None if unit_at is None else table.text(unit_at)
    return LongTable(table.file, names, unnamed, rows, values, units, read)
