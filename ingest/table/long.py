"""A log of the long layout: one reading a row, with the channel's name beside it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import field
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from ingest.table.names import match_name
from ingest.table.units import clean_unit, names_no_unit
from ingest.values import dataclass

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ingest.table.cells import Numbers


@dataclass(frozen=True)
class LongChannel:
    """The readings of one channel of a long log.

    Parameters
    ----------
    name
        As in the file, stripped.
    rows
        Rows of the table that hold this channel's readings, ascending; the times stand there.
    numbers
        One value for each of `rows`.
    units
        Units of the units column, with counts; more than one where it changed in mid-file.
    """

    name: str
    rows: NDArray[np.int64]
    numbers: Numbers
    units: dict[str, int] = field(default_factory=dict)

    @property
    def unit(self) -> str | None:
        """The most frequent unit, or None where none is given."""
        return max(self.units, key=lambda unit: self.units[unit]) if self.units else None


@dataclass(frozen=True)
class LongTable:
    """Channels of a long log, parsed when they are asked for.

    Parameters
    ----------
    file
        Name for messages.
    names
        Channels in the order they first appear. Rows without a name belong to none
        (`unnamed_rows`).
    """

    file: str
    names: tuple[str, ...]
    unnamed_rows: int
    _rows: tuple[NDArray[np.int64], ...]
    _values: pl.Series
    _units: pl.Series | None
    _read: Callable[[pl.Series, NDArray[np.int64]], Numbers]

    def find(self, ref: str) -> int:
        """Index of a channel by its name (`ingest.table.names.match_name`).

        Raises
        ------
        UnusableRun
            Where there is no such channel.
        """
        return match_name(ref, self.names, self.file, "channel")

    def channel(self, index: int) -> LongChannel:
        """Readings of one channel."""
        rows = self._rows[index]
        units: dict[str, int] = {}
        if self._units is not None:
            met = self._units.gather(rows).drop_nulls().value_counts(name="count")
            # in an order of its own: the library's changes from one run to the next
            counts = sorted(met.iter_rows(), key=lambda row: (-row[1], row[0]))
            for unit, count in counts:
                if not names_no_unit(unit):
                    cleaned = clean_unit(unit)
                    units[cleaned] = units.get(cleaned, 0) + count
        return LongChannel(
            self.names[index], rows, self._read(self._values.gather(rows), rows), units
        )


def group_rows(names: pl.Series) -> tuple[tuple[str, ...], tuple[NDArray[np.int64], ...], int]:
    """Names in order of first appearance, the rows of each, and how many rows have none."""
    frame = pl.DataFrame({"name": names}).with_row_index("row")
    groups = (
        frame.drop_nulls("name")
        .group_by("name", maintain_order=True)
        .agg(pl.col("row").cast(pl.Int64))
    )
    rows = tuple(series.to_numpy() for series in groups["row"])
    return tuple(groups["name"].to_list()), rows, names.null_count()
