"""The files made from a journal: log.csv, events.csv, rejected.csv; appended in whole lines."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from ingest.access import create
from ingest.record.wire.derivation import EVENTS_NAME, LOG_NAME

REJECTED_NAME: Final = "rejected.csv"
REJECTED_CAP: Final = 100_000
"""Most lines listed as rejected; all are counted, and the journal keeps every one."""
EVENT_HEAD: Final = ("time", "control", "position")
_NAMES: Final = (LOG_NAME, EVENTS_NAME, REJECTED_NAME)


class DerivedFiles:
    """The three files, open for appending.

    Parameters
    ----------
    folder
        Where they are.
    fresh
        Whether to begin them anew.
    """

    def __init__(self, folder: Path, *, fresh: bool) -> None:
        flags = os.O_WRONLY | os.O_APPEND
        if fresh:
            flags |= os.O_TRUNC
        self._files = [create(folder / name, flags) for name in _NAMES]
        self._log: list[str] = []
        self._events = io.StringIO(newline="")
        self._rejected = io.StringIO(newline="")
        self._event_rows = csv.writer(self._events, lineterminator="\n")
        self._rejected_rows = csv.writer(self._rejected, lineterminator="\n")
        if fresh:
            self._event_rows.writerow(EVENT_HEAD)
            self._rejected_rows.writerow(("host_s", "port", "reason", "text"))

    def log(self, line: str) -> None:
        """Add a line to the log."""
        self._log.append(line)

    def event(self, time: str, control: str, position: str) -> None:
        """Add an event."""
        self._event_rows.writerow((time, control, position))

    def events_anew(self, rows: Iterable[tuple[str, str, str]]) -> None:
        """Write the events file again from its beginning; for an event that was taken back.

        Raises
        ------
        OSError
            Where the disk takes no more.
        """
        self._events.seek(0)
        self._events.truncate()
        os.ftruncate(self._files[1], 0)
        self._event_rows.writerow(EVENT_HEAD)
        self._event_rows.writerows(rows)

    def rejected(self, host_s: float, port: str, reason: str, text: str) -> None:
        """Add a line that was not used."""
        self._rejected_rows.writerow((f"{host_s:.6f}", port, reason, text[:200]))

    def flush(self) -> None:
        """Hand everything to the operating system.

        Raises
        ------
        OSError
            Where the disk takes no more.
        """
        if self._log:
            self._log.append("")
            text = "\n".join(self._log)
            self._log = []
            self._append(0, text)
        for at, buffer in ((1, self._events), (2, self._rejected)):
            text = buffer.getvalue()
            if text:
                buffer.seek(0)
                buffer.truncate()
                self._append(at, text)

    def close(self, *, durable: bool = False) -> None:
        """Close the files; what was not flushed is dropped.

        Parameters
        ----------
        durable
            Whether to force them to disk first.
        """
        try:
            for file in self._files if durable else ():
                os.fsync(file)
        finally:
            for file in self._files:
                os.close(file)

    def _append(self, at: int, text: str) -> None:
        view = memoryview(text.encode("utf-8", errors="replace"))
        while view:
            view = view[os.write(self._files[at], view) :]
