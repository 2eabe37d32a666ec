"""Tables that grow while they are written: a folder a table, in it Parquet files one after another.

Every Parquet reader takes such a folder as one table; whoever writes it holds one part at a time.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.errors import Fault, UnusableRun
from ingest.files import make_folder, write_whole

if TYPE_CHECKING:
    import polars as pl


class TableParts:
    """A new folder of tables.

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
        make_folder(folder)
        there = next(folder.iterdir(), None)
        if there is not None:
            raise UnusableRun(
                Fault(
                    str(folder),
                    f"a folder that holds {there.name!r} already",
                    "a new or an empty folder",
                    "name another one, or empty it",
                )
            )
        self._folder = folder
        self._count = 0

    def write(self, tables: Mapping[str, pl.DataFrame]) -> None:
        """Write the next part of every table, each as a whole or not at all.

        Raises
        ------
        UnusableRun
            Where it cannot be written.
        """
        for name, frame in tables.items():
            make_folder(self._folder / name)
            write_whole(self._folder / name / f"part-{self._count:05}.parquet", frame.write_parquet)
        self._count += 1
