"""A log of any kind → its columns; the reader is chosen by the file's first bytes.

Delimited text, workbooks, Parquet, measurement files (MDF), logs of bus traffic, and any of them in
a gzip or zip archive.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, nullcontext
from typing import TYPE_CHECKING

from ingest.table.kinds import GZIP, ZIP, Kind, first_bytes, kind_of_file
from ingest.table.text.read import iter_text, read_text_table

if TYPE_CHECKING:
    from pathlib import Path

    from ingest.setup.model import LogTable
    from ingest.table.columns import Columns


def open_log(
    path: Path,
    log: LogTable,
    *,
    whole_up_to: int | None = None,
    max_bytes: int | None = None,
    hashed: bool = False,
) -> Columns | None:
    """Read a log.

    Parameters
    ----------
    path
        The file.
    log
        The set-up's `[log]`.
    whole_up_to
        A log of lines larger than this, bytes, is not read: `iter_log` takes it in parts.
    max_bytes
        Read about so much of a log of lines and no more.
    hashed
        Whether `Columns.sha256` is wanted, where it costs no second reading.

    Returns
    -------
    Columns or None
        None where the log is too large to be read whole.

    Raises
    ------
    UnusableRun
        Where the file cannot be read or holds no table.
    """
    with _as_it_lies(path) as place:
        kind = kind_of_file(place)
        if kind != "text":
            return _read_whole(place, log, kind, path, preview=max_bytes is not None)
        if whole_up_to is not None and _size(place) > whole_up_to:
            return None
        return read_text_table(place, log, max_bytes=max_bytes, hashed=hashed and place == path)


def iter_log(path: Path, log: LogTable, *, chunk_bytes: int) -> Iterator[Columns]:
    """Read a log in parts of about `chunk_bytes`, all with the same columns.

    Raises
    ------
    UnusableRun
        Where the file cannot be read or holds no table.
    """
    with _as_it_lies(path) as place:
        kind = kind_of_file(place)
        if kind == "text":
            yield from iter_text(place, log, chunk_bytes=chunk_bytes)
        else:
            yield _read_whole(place, log, kind, path)


def kind_of_log(path: Path) -> Kind:
    """What a log is, out of its archive where it is in one."""
    with _as_it_lies(path) as place:
        return kind_of_file(place)


def _as_it_lies(path: Path) -> AbstractContextManager[Path]:
    """The file, out of its archive where it is in one."""
    if not first_bytes(path).startswith((GZIP, ZIP)):
        return nullcontext(path)
    from ingest.table.packed import unpacked

    return unpacked(path)


def _read_whole(
    path: Path, log: LogTable, kind: Kind, given: Path, *, preview: bool = False
) -> Columns:
    """A log of a kind that is not read in parts; its reader is loaded only now.

    `given` is the log or its archive; `preview` asks for a part, where the reader can give one.
    """
    if kind == "workbook":
        from ingest.table.workbook.read import read_workbook

        return read_workbook(path, log)
    if kind == "parquet":
        from ingest.table.parquet import read_parquet

        return read_parquet(path, log, path.read_bytes() if path != given else None)
    if kind == "bus":
        from ingest.table.bus_log import read_bus_log

        return read_bus_log(path, log, given.parent, preview=preview)
    from ingest.table.mdf import read_mdf

    return read_mdf(path, log)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:  # the reader says what is wrong with it
        return 0
