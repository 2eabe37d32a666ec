"""Instruments that answer a question (SCPI, IEEE 488.2): asked in turn, once a period."""

from __future__ import annotations

import time
from typing import Any

from ingest.record.ports.port import write_line
from ingest.record.ports.reader import PortReader


class QueryReader(PortReader):
    """Asks every question of a port once a period and hands on the answers."""

    def read(self, port: Any) -> None:
        """Ask an open port until the recording stops; see `PortReader.read`."""
        due = time.monotonic()
        while not self.is_stopping():
            for at, query in enumerate(self.table.query):
                waiting = port.in_waiting  # what came too late belongs to the question before
                self.give(port.read(waiting) if waiting else b"")
                self.mark("asked", query=at)
                write_line(port, query.ask, self.table.end)
                if not self._answer(port):
                    self.mark("unanswered", query=at)
                if self.is_stopping():
                    return
            due = max(due + self.table.period, time.monotonic() - self.table.period)
            self.pause(due - time.monotonic())

    def _answer(self, port: Any) -> bool:
        """Hand on one line; False where none came in time."""
        until = time.monotonic() + self.table.timeout
        while not self.is_stopping() and time.monotonic() < until:
            data = port.read(1)
            if not data:
                break
            waiting = port.in_waiting
            data += port.read(waiting) if waiting else b""
            self.give(data)
            if data[-1:] in b"\r\n":
                return True
        return False
