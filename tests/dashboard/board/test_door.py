"""Connections that send slowly, nothing, or too much: the others are served all the same.

What a length must be and what is answered where there is none: RFC 9112, 6.3; RFC 9110, 15.5.12.
"""

from __future__ import annotations

import contextlib
import socket
import ssl
import threading
import urllib.request
from collections.abc import Iterator

import pytest

from dashboard.board import server as server_module
from dashboard.board.app import create_app
from dashboard.board.door import (
    LONG_AT,
    MAX_ARRIVING_EACH,
    MAX_BYTES,
    MAX_HELD_EACH,
    SHORT_BYTES,
)
from dashboard.board.login import Password
from dashboard.board.server import BoardServer, Serving, bind, make_server
from dashboard.web.service import Board
from tests.support.board_runs import ROOT, MadeSource, made_document

CERTIFICATE = ROOT / "tests" / "data" / "board" / "cert.pem"
KEY = ROOT / "tests" / "data" / "board" / "key.pem"
TRUSTED = ssl.create_default_context(cafile=str(CERTIFICATE))

HALF_OPEN = b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Half: "
SLOW_BODY = b"POST /login HTTP/1.1\r\nHost: localhost\r\nContent-Length: 60000\r\n\r\np"
SILENT = b""


@contextlib.contextmanager
def serving(*, tls: bool = False, password: str | None = None) -> Iterator[BoardServer]:
    how = Serving(
        port=0, certificate=CERTIFICATE if tls else None, key=KEY if tls else None
    )  # the password is the application's
    app = create_app(
        Board(MadeSource({"a" * 64: made_document("SC-090")}, {})),
        password=Password(password) if password else None,
    )
    server = make_server(app.server, how)
    bind(server, how)
    thread = threading.Thread(target=server.serve, daemon=True)
    thread.start()
    try:
        yield server
    finally:
        server.stop()
        thread.join(20.0)
        assert not thread.is_alive()


def connect(server: BoardServer, sent: bytes, *, tls: bool = False) -> socket.socket:
    """A connection that has sent something; with TLS only where it sends anything at all."""
    plain = socket.create_connection(("127.0.0.1", server.port), timeout=60.0)
    if not sent:
        return plain
    found = TRUSTED.wrap_socket(plain, server_hostname="localhost") if tls else plain
    found.sendall(sent)
    return found


def page(server: BoardServer, *, tls: bool = False) -> int:
    url = f"{'https' if tls else 'http'}://localhost:{server.port}/"
    with urllib.request.urlopen(  # noqa: S310
        url, context=TRUSTED if tls else None, timeout=60.0
    ) as answer:
        return int(answer.status)


def head(server: BoardServer, sent: bytes) -> bytes:
    """First line of the answer to a request."""
    with connect(server, sent) as found:
        return found.makefile("rb").readline()


def post(path: str, length: str, more: str = "") -> bytes:
    told = f"POST {path} HTTP/1.1\r\nHost: localhost\r\n{more}Content-Length: {length}\r\n\r\n"
    return told.encode()


@pytest.mark.parametrize("tls", [False, True], ids=["plain", "tls"])
@pytest.mark.parametrize(
    "sent", [SILENT, HALF_OPEN, SLOW_BODY], ids=["silent", "half open", "slow body"]
)
def test_two_hundred_slow_connections_hold_no_page(sent: bytes, *, tls: bool) -> None:
    with serving(tls=tls) as server, contextlib.ExitStack() as open_ones:
        for _ in range(200):
            open_ones.enter_context(contextlib.closing(connect(server, sent, tls=tls)))
        assert page(server, tls=tls) == 200


def test_who_holds_too_many_loses_the_oldest_and_nobody_else_does() -> None:
    with serving() as server, contextlib.ExitStack() as open_ones:
        other = socket.create_connection(
            ("127.0.0.1", server.port), timeout=60.0, source_address=("127.0.0.2", 0)
        )
        open_ones.enter_context(contextlib.closing(other))
        first = connect(server, SILENT)
        open_ones.enter_context(contextlib.closing(first))
        for _ in range(MAX_HELD_EACH):
            open_ones.enter_context(contextlib.closing(connect(server, SILENT)))
        assert first.recv(1) == b""  # closed by the board
        other.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert other.makefile("rb").readline() == b"HTTP/1.1 200 OK\r\n"


def test_where_all_are_taken_the_busiest_visitor_makes_room(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(server_module, "most_connections", lambda: 8)
    with serving() as server, contextlib.ExitStack() as open_ones:
        held = [connect(server, SILENT) for _ in range(8)]
        for each in held:
            open_ones.enter_context(contextlib.closing(each))
        other = socket.create_connection(
            ("127.0.0.1", server.port), timeout=60.0, source_address=("127.0.0.2", 0)
        )
        open_ones.enter_context(contextlib.closing(other))
        assert held[0].recv(1) == b""
        other.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert other.makefile("rb").readline() == b"HTTP/1.1 200 OK\r\n"


@pytest.mark.parametrize("limit", ["HEADER_S", "BODY_S"])
@pytest.mark.parametrize("tls", [False, True], ids=["plain", "tls"])
def test_a_request_must_arrive_in_time(
    monkeypatch: pytest.MonkeyPatch, limit: str, *, tls: bool
) -> None:
    monkeypatch.setattr(server_module, limit, 0.2)
    sent = [SILENT, HALF_OPEN] if limit == "HEADER_S" else [SLOW_BODY]
    with serving(tls=tls) as server:
        for each in sent:
            with (
                contextlib.closing(connect(server, each, tls=tls)) as found,
                contextlib.suppress(ConnectionResetError),
            ):
                assert found.recv(100) == b""


def test_what_is_too_long_is_refused_before_it_is_sent() -> None:
    with serving() as server:
        assert b" 413 " in head(server, post(LONG_AT, str(MAX_BYTES + 1)))
        assert b" 413 " in head(server, post("/login", str(SHORT_BYTES + 1)))
        assert b" 413 " in head(server, post("/", "9" * 18))
        assert b" 411 " in head(server, post(LONG_AT, "5", "Transfer-Encoding: chunked\r\n"))
        for length in ("-1", "five", "9" * 30, "٥", "1, 2"):
            sent = post(LONG_AT, "0").replace(b": 0", b": " + length.encode())
            assert b" 400 " in head(server, sent), length


def test_one_visitor_has_a_share_of_what_may_be_on_its_way() -> None:
    long = post(LONG_AT, str(MAX_BYTES))
    assert 2 * MAX_BYTES > MAX_ARRIVING_EACH
    with serving() as server:
        with contextlib.closing(connect(server, long)):
            assert b" 503 " in head(server, long)
        waits = False
        while not waits:  # given back as soon as the board sees that the other has gone
            with connect(server, long) as again:
                again.settimeout(0.5)
                try:
                    again.recv(1)
                except TimeoutError:
                    waits = True


def test_a_stranger_may_send_no_file_where_there_is_a_password() -> None:
    with serving(password="lamplighter") as server:  # noqa: S106
        assert b" 401 " in head(server, post(LONG_AT, str(SHORT_BYTES + 1)))


@pytest.mark.parametrize(
    "sent",
    [
        b"\0\1\2\3\r\n\r\n",
        b"GET\r\n\r\n",
        b"GET / HTTP/9.9\r\nHost: localhost\r\n\r\n",
        b"GET / HTTP/1.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost:port\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: [\r\n\r\n",
        b"GET / HTTP/1.1\r\nno colon\r\n\r\n",
        b"GET http://other.example/ HTTP/1.1\r\nHost: other.example\r\n\r\n",
        b"G\xc3\x84T / HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"GET /%ff%00%0d%0a HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"TRACE / HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"POST /login HTTP/1.1\r\nHost: localhost\r\nContent-Length: 0\r\nOrigin: http://[\r\n\r\n",
    ],
)
def test_a_request_that_is_none_is_said_to_be_so(
    sent: bytes, capfd: pytest.CaptureFixture[str]
) -> None:
    with serving() as server:
        status = head(server, sent).split()[1]
        assert status.startswith(b"4"), status
        assert page(server) == 200
    assert "Traceback" not in capfd.readouterr().err


def test_a_board_ends_with_connections_open() -> None:
    with contextlib.ExitStack() as open_ones, serving() as server:
        for sent in (SILENT, HALF_OPEN, SLOW_BODY):
            open_ones.enter_context(contextlib.closing(connect(server, sent)))
