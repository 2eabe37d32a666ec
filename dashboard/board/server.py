"""The board's server: Tornado's event loop, on this machine alone unless a password guards it."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import ssl
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tornado.netutil import bind_sockets

from dashboard.board.door import (
    BODY_S,
    HEADER_BYTES,
    HEADER_S,
    MAX_BYTES,
    MAX_HELD,
    Door,
    Requests,
    quiet_log,
)
from dashboard.board.login import SHORTEST
from dashboard.board.security import is_loopback
from ingest.errors import Fault, UnusableRun
from ingest.values import dataclass

if TYPE_CHECKING:
    import socket

    from flask import Flask

THREADS: Final = 16
"""That work on requests which are there whole; few wait for anything."""

BACKLOG: Final = 512
END_S: Final = 2.0
"""How long answers under way may take when the board ends."""


@dataclass(frozen=True)
class Serving:
    """How and to whom the board is served.

    Parameters
    ----------
    host
        Address to listen on.
    port
        0 takes a free one.
    password
        What visitors must know; None for nothing.
    certificate, key
        PEM files for TLS; both or neither.
    """

    host: str = "127.0.0.1"
    port: int = 8050
    password: str | None = None
    certificate: Path | None = None
    key: Path | None = None

    @property
    def secure(self) -> bool:
        """Whether it is served over TLS."""
        return self.certificate is not None

    def check(self) -> None:
        """Refuse what would leave the board open to others.

        Raises
        ------
        UnusableRun
            One fault for each thing wrong.
        """
        faults = []
        if not is_loopback(self.host) and self.password is None:
            faults.append(
                Fault(
                    f"--host {self.host}",
                    "no password",
                    "a password where other machines can reach the board",
                    "give --password-file, or set LUKEWARM_BOARD_PASSWORD, or leave --host out",
                )
            )
        if self.password is not None and len(self.password) < SHORTEST:
            faults.append(
                Fault(
                    "password",
                    f"{len(self.password)} characters",
                    f"{SHORTEST} or more",
                    "choose a longer one",
                )
            )
        if (self.certificate is None) != (self.key is None):
            faults.append(
                Fault("TLS", "one file", "a certificate and its key", "give --tls-cert, --tls-key")
            )
        faults += [
            Fault(str(path), "no such file", "a PEM file", "correct the path")
            for path in (self.certificate, self.key)
            if path is not None and not path.is_file()
        ]
        if faults:
            raise UnusableRun(faults)


class BoardServer:
    """An application being served; `prepare`, then `serve`, which returns after `stop`.

    Parameters
    ----------
    app
        The application.
    host, port
        Where to listen; port 0 takes a free one.
    tls
        For TLS; None for plain HTTP.
    """

    def __init__(self, app: Flask, host: str, port: int, tls: ssl.SSLContext | None) -> None:
        self._app = app
        self._host = host
        self._port = port
        self._tls = tls
        self._sockets: list[socket.socket] = []
        self._loop: asyncio.AbstractEventLoop | None = None
        self._ended = threading.Event()
        self._end: asyncio.Event | None = None

    @property
    def port(self) -> int:
        """The port it listens on, once prepared."""
        return int(self._sockets[0].getsockname()[1]) if self._sockets else self._port

    def prepare(self) -> None:
        """Take the port; raises OSError where it cannot be had."""
        self._sockets = bind_sockets(self._port, self._host, backlog=BACKLOG)

    def serve(self) -> None:
        """Serve until `stop`, or where it is the main thread until Ctrl+C or SIGTERM."""
        asyncio.run(self._serve())

    def stop(self) -> None:
        """End serving, from any thread; harmless when it has ended."""
        self._ended.set()
        if self._loop is not None and self._end is not None:
            with contextlib.suppress(RuntimeError):  # it has closed by itself
                self._loop.call_soon_threadsafe(self._end.set)
        else:
            for each in self._sockets:
                each.close()

    async def _serve(self) -> None:
        self._loop, self._end = asyncio.get_running_loop(), asyncio.Event()
        if self._ended.is_set():
            return
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGINT, signal.SIGTERM):
                signal.signal(number, lambda *_: self.stop())
        quiet_log()
        executor = ThreadPoolExecutor(THREADS, thread_name_prefix="board")
        requests = Requests(self._app, executor)
        door = Door(
            requests,
            ssl_options=self._tls,
            max_header_size=HEADER_BYTES,
            idle_connection_timeout=HEADER_S,
            body_timeout=BODY_S,
            max_body_size=MAX_BYTES,
            max_buffer_size=MAX_BYTES,
        )
        door.share(most_connections())
        requests.door = door
        door.add_sockets(self._sockets)
        try:
            await self._end.wait()
        finally:
            door.stop()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(door.close_all_connections(), END_S)
            executor.shutdown(wait=False, cancel_futures=True)


def most_connections() -> int:
    """How many connections this process may hold, with as many files again left for the rest."""
    try:
        import resource
    except ImportError:  # Windows counts no file descriptors
        return MAX_HELD
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return MAX_HELD if soft == resource.RLIM_INFINITY else max(16, min(MAX_HELD, soft // 2))


def make_server(app: Flask, serving: Serving) -> BoardServer:
    """A server that is ready to `prepare` and `serve`.

    Raises
    ------
    UnusableRun
        Where it would be open to others, or the certificate cannot be used.
    """
    serving.check()
    tls = None
    if serving.certificate is not None:
        tls = _tls(serving.certificate, serving.key)
    return BoardServer(app, serving.host, serving.port, tls)


def _tls(certificate: Path, key: Path | None) -> ssl.SSLContext:
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(certificate, key, password=_no_password)
    except (ssl.SSLError, OSError, ValueError) as error:
        raise UnusableRun(
            Fault(
                str(certificate),
                f"a certificate and key that cannot be used ({error.__class__.__name__})",
                "PEM files that belong together, the key without a password",
                "check both files",
            )
        ) from error
    return context


def _no_password() -> Any:
    raise ValueError("a key with a password")  # else OpenSSL would ask for it on the terminal


def names_of(serving: Serving) -> frozenset[str] | None:
    """Names a board answers to besides this machine's own; None for any, behind a password.

    Whoever knows the password may come by whatever name the shop gave the machine.
    """
    return frozenset() if serving.password is None else None


def address_of(server: BoardServer, serving: Serving) -> str:
    """Where a bound server is found."""
    port = server.port
    host = f"[{serving.host}]" if ":" in serving.host else serving.host
    return f"{'https' if serving.secure else 'http'}://{host}:{port}/"


def bind(server: BoardServer, serving: Serving) -> None:
    """Take the port.

    Raises
    ------
    UnusableRun
        Where it is taken or not allowed.
    """
    try:
        server.prepare()
    except OSError as error:
        raise UnusableRun(
            Fault(
                f"{serving.host}:{serving.port}",
                f"an address that cannot be used ({error.strerror or error})",
                "a free port of this machine",
                "try another --port",
            )
        ) from error
