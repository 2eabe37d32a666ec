"""A log of any kind → its columns; the reader is chosen by the file's first bytes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

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
    if whole_up_to is not None and path.stat().st_size > whole_up_to:
        return None
    return read_text_table(path, log, max_bytes=max_bytes, hashed=hashed)


def iter_log(path: Path, log: LogTable, *, chunk_bytes: int) -> Iterator[Columns]:
    """Read a log in parts of about `chunk_bytes`, all with the same columns.

    Raises
    ------
    UnusableRun
        Where the file cannot be read or holds no table.
    """
    yield from iter_text(path, log, chunk_bytes=chunk_bytes)
