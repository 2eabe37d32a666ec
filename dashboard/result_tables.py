"""Results of many runs as tables on disk: a batch in memory, the rest written."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

BATCH: Final = 1000
"""Runs a part: some 20 MB of results in memory, and a hundred files for a hundred thousand runs."""


class ResultTables:
    """Documents go in, Parquet tables come out; leave its `with` block to write the last part.

    Parameters
    ----------
    folder
        Where; there must be nothing in it.

    Raises
    ------
    UnusableRun
        Where it cannot be made, or holds something already.
    """

    def __init__(self, folder: Path) -> None:
        from ingest.export.parts import TableParts

        self._parts = TableParts(folder)
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
