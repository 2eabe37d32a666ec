"""A thread for each port: opens it, reads it, waits for it when it is gone, opens it again."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, Final

from ingest.errors import Fault, LostPort, LukewarmError, UnusableRun
from ingest.record.journal import Kind, monotonic_ns
from ingest.record.ports.port import open_port, reason_of, resolve, write_line
from ingest.record.ports.trouble import claim, why_doubtful
from ingest.record.said import PortState

if TYPE_CHECKING:
    from filelock import BaseFileLock

    from ingest.record.wire.count import PortCounters
    from ingest.record.wire.time import HostClock
    from ingest.setup.serial import PortTable

FIRST_WAIT_S: Final = 0.1
LONGEST_WAIT_S: Final = 3.0
CHUNK: Final = 1 << 16

Take = Callable[[int, Kind, bytes], None]
"""Takes what a port gave: its index, what it is, the bytes."""


class PortReader(threading.Thread):
    """Reads one port for as long as the recording lasts.

    Parameters
    ----------
    index
        The port's index.
    table
        Its settings.
    take
        Where everything goes; raises `JournalError` when the recording cannot go on.
    """

    def __init__(self, index: int, table: PortTable, take: Take) -> None:
        super().__init__(name=f"port {index + 1}", daemon=True)
        self.table = table
        self.url: str | None = None
        self.state = "waiting"
        self.reason = ""
        self.since_ns = self.last_byte_ns = monotonic_ns()
        self.error: LukewarmError | None = None
        self._index = index
        self._take = take
        self._stopping = threading.Event()
        self._claim: BaseFileLock | None = None
        self._claimed = ""

    def claim(self) -> None:
        """Claim the port, if it is known which one it is.

        Raises
        ------
        LostPort
            Where another recorder has it.
        """
        url = resolve(self.table)
        if url != self._claimed:
            self.release()
            self._claim, self._claimed = claim(url), url

    def release(self) -> None:
        """Give the port free for other recorders."""
        if self._claim is not None:
            self._claim.release()
        self._claim, self._claimed = None, ""

    def stop(self) -> None:
        """Ask the thread to end; `join` waits for it."""
        self._stopping.set()

    def run(self) -> None:
        """Open, read, and again."""
        wait, said = FIRST_WAIT_S, ""
        try:
            while not self._stopping.is_set():
                reason = self._once()
                if self._stopping.is_set():
                    break
                if self.state == "open":
                    wait = FIRST_WAIT_S
                if self.state == "open" or not said:
                    self.mark("lost", reason=reason)
                said = reason
                self._set("waiting", reason)
                self.pause(wait)
                wait = min(2 * wait, LONGEST_WAIT_S)
        except LukewarmError as error:
            self.error = error
        finally:
            self.release()
        self._set("ended", self.reason)

    def _once(self) -> str:
        """Open the port and read it until it goes away; gives why it did."""
        try:
            self.url = resolve(self.table)
            self.claim()
            port = open_port(self.table, self.url)
        except LostPort as error:
            return str(error)
        try:
            for line in self.table.on_open:
                write_line(port, line, self.table.end)
            self.mark("opened", url=self.url)
            self._set("open", "")
            self.read(port)
        except LukewarmError:
            raise
        except Exception as error:  # whatever a driver throws, the recording goes on
            return reason_of(error)
        finally:
            _close(port)
        return "stopped"

    def read(self, port: Any) -> None:
        """Read an open port until the recording stops.

        Raises
        ------
        OSError
            Where the port goes away.
        JournalError
            Where the recording cannot go on.
        """
        is_socket = (self.url or "").startswith("socket://")
        while not self.is_stopping():
            data = port.read(1)
            if data:
                try:
                    data += self._rest_of_socket(port) if is_socket else _what_waits(port)
                finally:
                    self.give(data)

    def _rest_of_socket(self, port: Any) -> bytes:
        """What waits in a socket: pyserial does not say how much, but takes it in one go.

        With a wait of its own pyserial would drop what it holds when the other end hangs up.
        """
        wait, port.timeout = port.timeout, 0
        try:
            return bytes(port.read(CHUNK))
        finally:
            port.timeout = wait

    def give(self, data: bytes) -> None:
        """Hand on what was read."""
        if data:
            self.last_byte_ns = monotonic_ns()
            self._take(self._index, Kind.DATA, data)

    def mark(self, what: str, **more: object) -> None:
        """Note something in the journal."""
        self._take(self._index, Kind.MARK, json.dumps({"what": what} | more).encode())

    def pause(self, seconds: float) -> None:
        """Wait, unless the recording stops."""
        self._stopping.wait(max(seconds, 0.0))

    def port_state(self, clock: HostClock, counters: PortCounters, now_ns: int) -> PortState:
        """How the port is doing, and what is odd about it.

        Parameters
        ----------
        clock
            Of the recording.
        counters
            What came over the port.
        now_ns
            Monotonic clock, ns.
        """
        reason = self.reason
        if self.state == "open":
            silent_s = (now_ns - max(self.last_byte_ns, self.since_ns)) / 1e9
            open_s = (now_ns - self.since_ns) / 1e9
            reason = why_doubtful(self.url, self.table.baud, counters, open_s, silent_s)
        return PortState(
            self.table.label, self.url, self.state, clock.seconds(self.last_byte_ns), reason,
        )  # fmt: skip

    def is_stopping(self) -> bool:
        """Whether the thread was asked to end."""
        return self._stopping.is_set()

    def _set(self, state: str, reason: str) -> None:
        if state != self.state:
            self.since_ns = monotonic_ns()
        self.state, self.reason = state, reason


def _what_waits(port: Any) -> bytes:
    waiting = port.in_waiting
    return bytes(port.read(min(waiting, CHUNK))) if waiting else b""


def _close(port: Any) -> None:
    try:
        port.close()
    except OSError:
        return


def claim_all(readers: Sequence[PortReader]) -> None:
    """Claim every port that can be identified; one that is not there yet is claimed when it comes.

    Raises
    ------
    UnusableRun
        With a fault for each port that another recorder has.
    """
    faults = []
    for reader in readers:
        if reader.table.url is None:
            continue
        try:
            reader.claim()
        except LostPort:
            faults.append(
                Fault(
                    f"port {reader.table.url}",
                    "a recorder that has it already",
                    "a port nobody records from",
                    "end that recorder first, or give another port",
                )
            )
    if faults:
        raise UnusableRun(faults)
