"""Results of many runs as tables on disk: a batch in memory, the rest written."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from ingest.export.parts import TableParts

BATCH: Final = 1000
"""Runs a part: some 20 MB of results in memory, and a hundred files for a hundred thousand runs."""


class ResultTables:
    """Documents go in, Parquet tables come out; leave its `with` block to write the last part.

    Parameters
    ----------
    parts
        Where they are written.
    """

    def __init__(self, parts: TableParts) -> None:
        self._parts = parts
        self._batch: list[Mapping[str, Any]] = []
        self._written = 0

    def add(self, document: Mapping[str, Any]) -> None:
        """Take the next run's result, or its entry with ``error``."""
        self._batch.append(document)
        if len(self._batch) >= BATCH:
            self._write()

    def _write(self) -> None:
        from analysis.tables import frames

        if self._batch:
            self._parts.write(frames(self._batch, self._written + 1))
            self._written += len(self._batch)
            self._batch.clear()

    def __enter__(self) -> ResultTables:
        return self

    def __exit__(self, *_: object) -> None:
        self._write()  # with an error too: what is done is done
