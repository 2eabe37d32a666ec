"""A Parquet file → its columns, each read when it is asked for."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import polars as pl

from ingest.errors import Fault, UnusableRun
from ingest.findings import finding
from ingest.run import Finding
from ingest.table.typed import TypedColumns, is_plain
from ingest.table.units import unit_of_name

if TYPE_CHECKING:
    from ingest.setup.model import LogTable

MAX_ROWS: Final = 50_000_000
"""A file of one repeated row packs without end; no road test has more rows."""
COLUMNS_LEFT_OUT: Final = finding(
    "columns_left_out",
    "columns that hold lists or records were left out: {names}",
    do="Write one column a channel where one of these is needed.",
)

_NAMED: Final = 20


def read_parquet(path: Path, log: LogTable, content: bytes | None = None) -> TypedColumns:
    """Open a Parquet file.

    Parameters
    ----------
    path
        The file.
    log
        The set-up's `[log]`.
    content
        Its bytes, where it will not lie there for long.

    Raises
    ------
    UnusableRun
        Where it is damaged, has no rows, or far too many.
    """
    try:
        lazy = pl.scan_parquet(path if content is None else content)
        schema = lazy.collect_schema()
        height = int(lazy.select(pl.len()).collect().item())
    except (OSError, pl.exceptions.PolarsError) as error:
        raise UnusableRun(_damaged(path, error)) from error
    if not 0 < height <= MAX_ROWS:
        found = f"{height} rows" if height else "no reading"
        raise UnusableRun(
            Fault(path.name, found, f"1 to {MAX_ROWS} rows", "check that the logger was recording")
        )
    kept = [name for name, kind in schema.items() if is_plain(kind)]
    left = [name for name in schema.names() if name not in set(kept)]

    def read(index: int) -> pl.Series:
        try:
            return lazy.select(kept[index]).collect().to_series()
        except (OSError, pl.exceptions.PolarsError) as error:
            raise UnusableRun(_damaged(path, error)) from error

    return TypedColumns(
        file=path.name,
        names=tuple(name.strip() for name in kept),
        units=tuple(_unit(name, schema[name]) for name in kept),
        height=height,
        read=read,
        no_reading=log.no_reading,
        findings=tuple(_left_out(left)),
    )


def _unit(name: str, kind: pl.DataType) -> str | None:
    return "s" if kind == pl.Duration else unit_of_name(name)


def _left_out(names: list[str]) -> list[Finding]:
    if not names:
        return []
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return [
        COLUMNS_LEFT_OUT.found(
            names=f"{', '.join(names[:_NAMED])}{more}", evidence={"count": float(len(names))}
        )
    ]


def _damaged(path: Path, error: Exception) -> Fault:
    first = (str(error).splitlines() or [type(error).__name__])[0]
    return Fault(
        path.name, f"a damaged Parquet file ({first[:120]})", "a whole one", "copy it again"
    )
