"""The board's server: cheroot, on this machine alone unless a password guards it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from dashboard.board.login import SHORTEST
from dashboard.board.security import is_loopback
from ingest.errors import Fault, UnusableRun

if TYPE_CHECKING:
    from cheroot.wsgi import Server
    from flask import Flask

MAX_BYTES: Final = 96 * 2**20
"""Of one request: a log of 64 MiB as the browser sends it, a third longer."""

HEADER_BYTES: Final = 64 * 1024
THREADS: Final = 8
SILENT_S: Final = 60


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


def make_server(app: Flask, serving: Serving) -> Server:
    """A server that is ready to `prepare` and `serve`, or `safe_start`.

    Raises
    ------
    UnusableRun
        Where it would be open to others, or the certificate cannot be used.
    """
    from cheroot.wsgi import Server

    serving.check()
    server = Server(
        (serving.host, serving.port),
        app,
        numthreads=THREADS,
        server_name="lukewarm",
        max=4 * THREADS,
        request_queue_size=64,
        timeout=SILENT_S,
    )
    server.max_request_body_size = MAX_BYTES
    server.max_request_header_size = HEADER_BYTES
    server.software = "lukewarm"
    if serving.certificate is not None:
        server.ssl_adapter = _tls(serving.certificate, serving.key)
    return server


def _tls(certificate: Path, key: Path | None) -> Any:
    import ssl

    from cheroot.ssl.builtin import BuiltinSSLAdapter

    try:
        adapter = BuiltinSSLAdapter(str(certificate), str(key))
    except (ssl.SSLError, OSError) as error:
        raise UnusableRun(
            Fault(
                str(certificate),
                f"a certificate and key that cannot be used ({error.__class__.__name__})",
                "PEM files that belong together, the key without a password",
                "check both files",
            )
        ) from error
    adapter.context.minimum_version = ssl.TLSVersion.TLSv1_2
    return adapter


def names_of(serving: Serving) -> frozenset[str] | None:
    """Names a board answers to besides this machine's own; None for any, behind a password.

    Whoever knows the password may come by whatever name the shop gave the machine.
    """
    return frozenset() if serving.password is None else None


def address_of(server: Server, serving: Serving) -> str:
    """Where a bound server is found."""
    port = server.bind_addr[1]
    host = f"[{serving.host}]" if ":" in serving.host else serving.host
    return f"{'https' if serving.secure else 'http'}://{host}:{port}/"


def bind(server: Server, serving: Serving) -> None:
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
