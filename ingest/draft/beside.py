"""Finds the description of a vehicle bus that lies beside a log of its traffic."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ingest.errors import Fault, UnusableRun
from ingest.table.open import kind_of_log

if TYPE_CHECKING:
    from pathlib import Path


def dbc_beside(log: Path) -> str | None:
    """Name of the only DBC file in a log's folder; None where there is none, or none is needed.

    Raises
    ------
    UnusableRun
        Where several may describe a log of bus traffic.
    """
    try:
        names = sorted(
            each.name
            for each in log.parent.iterdir()
            if each.suffix.lower() == ".dbc" and each.is_file()
        )
    except OSError:  # a folder that may not be listed
        return None
    if not names or kind_of_log(log) != "bus":
        return None
    if len(names) > 1:
        raise UnusableRun(
            Fault(
                str(log.parent),
                f"several DBC files ({', '.join(names[:8])})",
                "the one that describes this log",
                "leave the right one beside the log, or name it in [log] dbc of a run.toml",
            )
        )
    return names[0]
