"""Columns that have types: what Parquet files and measurement files hold.

Numbers are taken as they are, moments become ISO 8601 texts, durations seconds, texts go through
the same grammar of cells as delimited text. A number of four bytes stands for the shortest decimal
that gives it back, which is what its writer had: 21.35 and not 21.350000381.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import field
from typing import Final

import polars as pl

from ingest.errors import Fault, UnusableRun
from ingest.run import Finding, Rejected
from ingest.table.cells import CellReader, Numbers
from ingest.table.columns import long_table
from ingest.table.long import LongTable
from ingest.table.marks import Marks
from ingest.table.names import match_name, match_number
from ingest.values import dataclass

_MOMENT: Final = "%Y-%m-%dT%H:%M:%S%.6f"
_WORDS: Final = (pl.String, pl.Categorical, pl.Enum)


@dataclass(frozen=True, eq=False)
class TypedColumns:
    """Columns read one by one when they are asked for; see `ingest.table.columns.Columns`.

    Parameters
    ----------
    file
        Name of the file.
    names, units
        One a column.
    height
        Rows.
    read
        Gives a column by its place, of `height` cells.
    no_reading
        The set-up's words and numbers for no reading.
    findings
        What is doubtful about the file.
    groups
        Where each column comes from, where the file has several groups; named where two columns
        have one name.
    """

    file: str
    names: tuple[str, ...]
    units: tuple[str | None, ...]
    height: int
    read: Callable[[int], pl.Series]
    no_reading: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    groups: tuple[str, ...] = ()
    _cells: dict[int, pl.Series] = field(default_factory=dict, repr=False)

    has_names: bool = True
    remarks: tuple[tuple[str, ...], ...] = ()
    first_row: int = 0
    restarts: tuple[int, ...] = ()
    rejected: tuple[Rejected, ...] = ()
    rejected_count: int = 0
    sha256: str | None = None

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.names)

    def find(self, ref: str | int) -> int:
        """Column by its name or its 1-based number.

        Raises
        ------
        UnusableRun
            Where there is no such column, or more than one.
        """
        if isinstance(ref, int):
            return match_number(ref, self.width, self.file)
        same = [at for at, name in enumerate(self.names) if name == ref.strip()]
        if len(same) > 1 and self.groups:
            where = ", ".join(f"{self.groups[at]} ({at + 1})" for at in same)
            raise UnusableRun(
                Fault(
                    self.file,
                    f"{len(same)} channels called {ref!r}, in the groups {where}",
                    "one channel of that name",
                    'name the group in [log] sheet = "...", or give the column\'s number',
                )
            )
        return match_name(ref, self.names, self.file)

    def line(self, row: int) -> int:
        """1-based number of a row."""
        return row + 1

    def prepare(self, numbers: Sequence[int] = (), text: Sequence[int] = ()) -> None:
        """Nothing: columns lie apart already."""

    def text(self, index: int) -> pl.Series:
        """Cells of a column as texts, stripped; null where empty."""
        cells = self._column(index)
        if cells.dtype == pl.String:
            stripped = cells.str.strip_chars()
            return stripped.set((stripped == "").fill_null(value=False), None)
        return cells.cast(pl.String)

    def numbers(self, index: int) -> Numbers:
        """A column as numbers."""
        cells = self._column(index)
        reader = self._reader()
        return (
            reader.from_text(self.text(index))
            if cells.dtype == pl.String
            else (reader.from_values(cells))
        )

    def long(self, name: str | int, value: str | int, unit: str | int | None = None) -> LongTable:
        """Take a log of one reading a row apart (`ingest.table.columns.Columns.long`)."""
        return long_table(self, self._reader(), name, value, unit)

    def _reader(self) -> CellReader:
        def reject(row: int, text: str, reason: str) -> Rejected:
            return Rejected(self.file, row + 1, text[:200], reason)

        return CellReader(Marks(), self.no_reading, reject)

    def _column(self, index: int) -> pl.Series:
        if index not in self._cells:
            self._cells[index] = plain(self.read(index))
        return self._cells[index]


def is_plain(kind: pl.DataType) -> bool:
    """Whether cells of a kind can be a reading, a time or a word."""
    return kind.is_numeric() or kind.is_temporal() or kind == pl.Boolean or kind in _WORDS


def plain(cells: pl.Series) -> pl.Series:
    """Cells as Float64 (null for NaN and infinity) or as String."""
    kind = cells.dtype
    if kind == pl.Float32:
        cells = cells.cast(pl.String).cast(pl.Float64, strict=False)
    elif kind == pl.Duration:
        known = cells.dt.total_nanoseconds().cast(pl.Float64).to_numpy()
        cells = pl.Series(known / 1e9)  # polars multiplies by 1e-9, which rounds once more
    elif kind == pl.Datetime:
        zone = "%:z" if getattr(kind, "time_zone", None) else ""
        return cells.dt.to_string(_MOMENT + zone)
    elif kind.is_temporal() or not kind.is_numeric():
        return cells.cast(pl.String)
    values = cells.cast(pl.Float64)
    return values.set((~values.is_finite()).fill_null(value=False), None)
