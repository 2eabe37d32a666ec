"""Where a replay goes: a pseudo-terminal, or a socket that a recorder connects to."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import sys
import time
from typing import Final, Protocol
from urllib.parse import urlsplit

from ingest.errors import Fault, UnusableRun, WrongUse

_WRITE_WAIT_S: Final = 0.2
_LOOK_EVERY_S: Final = 0.02
_EMPTY_LOOKS: Final = 20


class Outlet(Protocol):
    """Somewhere to send a logger's lines."""

    url: str
    """What a recorder opens to hear it."""

    def listened(self) -> bool:
        """Whether somebody listens."""

    def send(self, data: bytes) -> bool:
        """Send; False where nobody listens any more."""

    def drain(self, longest_s: float) -> None:
        """Wait until everything was read, or nobody listens."""

    def close(self) -> None:
        """Hang up."""


def open_outlet(to: str) -> Outlet:
    """An outlet.

    Parameters
    ----------
    to
        ``pty`` or ``socket://host:port``; port 0 takes any that is free.

    Raises
    ------
    WrongUse
        Where it is neither.
    UnusableRun
        Where there is no such outlet on this computer.
    """
    if to == "pty":
        if sys.platform == "win32":
            raise UnusableRun(
                Fault(
                    "--to pty",
                    "a computer without pseudo-terminals",
                    "socket://127.0.0.1:4000 on Windows",
                    "use that, and record from the same",
                )
            )
        return PtyOutlet()
    place = urlsplit(to)
    try:
        port = place.port
    except ValueError:
        port = None
    if place.scheme != "socket" or port is None:
        raise WrongUse(
            Fault("--to", repr(to), "pty, or socket://host:port", "for example socket://:4000")
        )
    try:
        return SocketOutlet(place.hostname or "127.0.0.1", port)
    except OSError as error:
        raise UnusableRun(
            Fault(
                f"--to {to}",
                f"a place that cannot be taken ({error.strerror or error})",
                "a free port of this computer",
                "give another port number",
            )
        ) from error


class SocketOutlet:
    """Waits for one listener at a time."""

    def __init__(self, host: str, port: int) -> None:
        self._server = socket.create_server((host, port))
        self._server.setblocking(False)
        self._peer: socket.socket | None = None
        self.url = f"socket://{host}:{self._server.getsockname()[1]}"

    def listened(self) -> bool:
        """Whether somebody is connected; takes the next one who waits."""
        if self._peer is None:
            with contextlib.suppress(BlockingIOError):
                self._peer, _ = self._server.accept()
                self._peer.setblocking(False)
        if self._peer is not None:
            try:
                if self._peer.recv(4096) == b"":
                    self._hang_up()
            except BlockingIOError:
                pass
            except OSError:
                self._hang_up()
        return self._peer is not None

    def send(self, data: bytes) -> bool:
        """Send everything; False where the listener left."""
        view = memoryview(data)
        while view and self._peer is not None:
            _, ready, _ = select.select([], [self._peer], [], _WRITE_WAIT_S)
            try:
                if ready:
                    view = view[self._peer.send(view) :]
                elif not self.listened():
                    break
            except OSError:
                self._hang_up()
        return not view

    def drain(self, longest_s: float) -> None:
        """End the stream; the system delivers what is on its way."""
        if self._peer is None:
            return
        with contextlib.suppress(OSError):
            self._peer.shutdown(socket.SHUT_WR)
            self._peer.settimeout(longest_s)
            while self._peer.recv(4096):
                continue

    def close(self) -> None:
        """Hang up and free the port."""
        self._hang_up()
        self._server.close()

    def _hang_up(self) -> None:
        if self._peer is not None:
            self._peer.close()
            self._peer = None


if sys.platform != "win32":
    import fcntl
    import struct
    import termios
    import tty

    class PtyOutlet:
        """A pseudo-terminal; whoever opens its other end listens."""

        def __init__(self) -> None:
            self._master, other = os.openpty()
            tty.setraw(other)
            self.url = os.ttyname(other)
            os.close(other)
            os.set_blocking(self._master, False)

        def listened(self) -> bool:
            """Whether the other end is open."""
            poll = select.poll()
            poll.register(self._master, 0)
            return not any(state & select.POLLHUP for _, state in poll.poll(0))

        def send(self, data: bytes) -> bool:
            """Send everything; False where the other end was closed."""
            view = memoryview(data)
            while view:
                _, ready, _ = select.select([], [self._master], [], _WRITE_WAIT_S)
                try:
                    if ready:
                        view = view[os.write(self._master, view) :]
                except BlockingIOError:
                    continue
                except OSError:
                    return False
                if not self.listened():
                    return False
            return True

        def drain(self, longest_s: float) -> None:
            """Wait until the other end has read everything: closing would throw it away."""
            until = time.monotonic() + longest_s
            empty = 0  # the terminal hands on in pieces, and shows only the one at hand
            while self.listened() and time.monotonic() < until and empty < _EMPTY_LOOKS:
                empty = 0 if self._unread() else empty + 1
                time.sleep(_LOOK_EVERY_S)

        def close(self) -> None:
            """Hang up."""
            os.close(self._master)

        def _unread(self) -> int:
            other = os.open(self.url, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            try:
                answer = fcntl.ioctl(other, termios.FIONREAD, b"\0" * 4)
            finally:
                os.close(other)
            return int(struct.unpack("i", answer)[0])
