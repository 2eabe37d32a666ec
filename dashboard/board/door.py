"""Who holds a connection, how long a request may take to arrive, how much may be on its way.

Tornado reads every connection in one event loop and gives a request to a working thread only when
it is there whole, so that somebody who sends slowly, or nothing, holds a socket and nothing else.
Sockets are shared out here: a visitor who holds too many loses the one that has waited longest,
and where all are taken, the visitor with the most does. A newcomer always gets in.
"""

from __future__ import annotations

import contextlib
import logging
import socket
from collections import Counter
from collections.abc import Callable
from concurrent.futures import Executor
from http import HTTPStatus
from typing import TYPE_CHECKING, Any, Final

from tornado.httpserver import HTTPServer
from tornado.httputil import (
    HTTPConnection,
    HTTPHeaders,
    HTTPInputError,
    HTTPMessageDelegate,
    HTTPServerConnectionDelegate,
    HTTPServerRequest,
    RequestStartLine,
    ResponseStartLine,
)
from tornado.ioloop import IOLoop
from tornado.iostream import IOStream, StreamClosedError
from tornado.wsgi import WSGIContainer
from werkzeug.test import run_wsgi_app

if TYPE_CHECKING:
    from flask import Flask

MAX_BYTES: Final = 96 * 2**20
"""Of one request: a log of 64 MiB as the browser sends it, a third longer."""

SHORT_BYTES: Final = 64 * 1024
"""Of a request that brings no file."""

LONG_AT: Final = "/_dash-update-component"
"""Where files arrive."""

MAX_ARRIVING: Final = 256 * 2**20
"""Bytes of all long requests that are on their way or worked on, together."""

MAX_ARRIVING_EACH: Final = 128 * 2**20
"""Of one visitor's."""

HEADER_BYTES: Final = 64 * 1024
HEADER_S: Final = 20.0
"""For a whole head, TLS handshake and all; also how long an idle connection is kept."""

BODY_S: Final = 120.0
"""For a whole body."""

UNSENT_S: Final = 60.0
"""How long a visitor may leave an answer lying who takes nothing of it at all."""

MAX_HELD_EACH: Final = 64
"""Connections of one visitor; a browser holds six a page."""

MAX_HELD: Final = 512

ADMITS: Final = "lukewarm_admits"
"""Among an application's extensions: whether a ``Cookie`` header may send a long request."""


class Door(HTTPServer):
    """Tornado's server with connections shared out among visitors."""

    _held: dict[IOStream, str]
    _most: int
    busy: set[IOStream]

    def share(self, most: int) -> None:
        """Say how many connections there are to share out."""
        self._held, self.busy, self._most = {}, set(), most

    def handle_stream(self, stream: IOStream, address: tuple[Any, ...]) -> None:
        """Take in a connection, at the cost of the longest-waiting one where there are too many."""
        visitor = str(address[0]) if address else ""
        count = Counter(self._held.values())
        if count[visitor] >= MAX_HELD_EACH:
            self._put_out(visitor)
        elif len(self._held) >= self._most:
            self._put_out(count.most_common(1)[0][0])
        self._held[stream] = visitor
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            with contextlib.suppress(OSError):
                after = int(UNSENT_S * 1000)
                stream.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, after)
        super().handle_stream(stream, address)

    def _put_out(self, visitor: str) -> None:
        for stream, whose in self._held.items():
            if whose == visitor and stream not in self.busy:
                del self._held[stream]
                stream.close()
                return

    def on_close(self, server_conn: Any) -> None:
        """Forget a connection that has ended."""
        self._held.pop(server_conn.stream, None)
        self.busy.discard(server_conn.stream)
        super().on_close(server_conn)


class Requests(HTTPServerConnectionDelegate):
    """Requests for a WSGI application: what is refused before it is read, and who works on it.

    Parameters
    ----------
    app
        The application.
    executor
        Its threads.
    """

    def __init__(self, app: Flask, executor: Executor) -> None:
        self.app = app
        self.executor = executor
        self.container = WSGIContainer(app, executor)
        self.arriving: Counter[str] = Counter()
        self.door: Door | None = None

    def start_request(self, server_conn: object, request_conn: HTTPConnection) -> _Arriving:
        """One request is about to arrive."""
        return _Arriving(self, server_conn, request_conn)

    def refusal(self, path: str, headers: HTTPHeaders, visitor: str) -> HTTPStatus | None:
        """Why a request is not even read; None where it is."""
        if "Transfer-Encoding" in headers:
            return HTTPStatus.LENGTH_REQUIRED
        length = _length(headers)
        if length <= SHORT_BYTES:
            return None
        admits: Callable[[str], bool] | None = self.app.extensions.get(ADMITS)
        if length > MAX_BYTES or path != LONG_AT:
            return HTTPStatus.REQUEST_ENTITY_TOO_LARGE
        if admits is not None and not admits(headers.get("Cookie", "")):
            return HTTPStatus.UNAUTHORIZED
        if (
            self.arriving.total() + length > MAX_ARRIVING
            or self.arriving[visitor] + length > MAX_ARRIVING_EACH
        ):
            return HTTPStatus.SERVICE_UNAVAILABLE
        return None


def _length(headers: HTTPHeaders) -> int:
    text = headers.get("Content-Length", "0")
    if not (text.isascii() and text.isdigit() and len(text) < 19):
        raise HTTPInputError("a length that is no number")
    return int(text)


class _Arriving(HTTPMessageDelegate):
    """One request on its way."""

    def __init__(self, requests: Requests, server_conn: Any, request_conn: Any) -> None:
        self._requests = requests
        self._stream: IOStream = server_conn.stream
        self._conn = request_conn
        self._visitor = str(request_conn.context.remote_ip)
        self._counted = 0
        self._body: list[bytes] = []
        self._environ: dict[str, Any] = {}

    def headers_received(
        self, start_line: RequestStartLine | ResponseStartLine, headers: HTTPHeaders
    ) -> None:
        assert isinstance(start_line, RequestStartLine)  # noqa: S101 - a server is sent no other
        # a copy: `environ` takes the length out, which says how much of a body is to be read
        request = HTTPServerRequest(
            connection=self._conn, start_line=start_line, headers=headers.copy()
        )
        refused = self._requests.refusal(request.path, headers, self._visitor)
        if refused is not None:
            self._answer(f"{refused.value} {refused.phrase}", HTTPHeaders(), b"")
            return
        length = _length(headers)
        if length > SHORT_BYTES:
            self._counted = length
            self._requests.arriving[self._visitor] += length
        try:
            self._environ = self._requests.container.environ(request)
        except ValueError as error:
            raise HTTPInputError("a host that is none") from error

    def data_received(self, chunk: bytes) -> None:
        self._body.append(chunk)

    def finish(self) -> None:
        from io import BytesIO

        body, self._body = b"".join(self._body), []
        self._environ["wsgi.input"] = BytesIO(body)
        self._environ["CONTENT_LENGTH"] = str(len(body))
        self._busy(begins=True)
        IOLoop.current().spawn_callback(self._work)

    def on_connection_close(self) -> None:
        self._body = []
        self._forget()

    async def _work(self) -> None:
        try:
            answer = await IOLoop.current().run_in_executor(
                self._requests.executor, _run, self._requests.app, self._environ
            )
        except RuntimeError:  # the threads have been sent home
            self._stream.close()
            return
        finally:
            self._environ = {}
            self._forget()
            self._busy(begins=False)
        self._answer(*answer)

    def _answer(self, status: str, headers: HTTPHeaders, body: bytes) -> None:
        code, _, reason = status.partition(" ")
        if int(code) not in (204, 304) and "Content-Length" not in headers:
            headers["Content-Length"] = str(len(body))
        headers["Server"] = "lukewarm"
        with contextlib.suppress(StreamClosedError):
            self._conn.write_headers(
                ResponseStartLine("HTTP/1.1", int(code), reason), headers, chunk=body
            )
            self._conn.finish()

    def _busy(self, *, begins: bool) -> None:
        if self._requests.door is not None:
            busy = self._requests.door.busy
            (busy.add if begins else busy.discard)(self._stream)

    def _forget(self) -> None:
        arriving = self._requests.arriving
        arriving[self._visitor] -= self._counted
        self._counted = 0
        if not arriving[self._visitor]:
            del arriving[self._visitor]


def _run(app: Flask, environ: dict[str, Any]) -> tuple[str, HTTPHeaders, bytes]:
    """What an application answers, whole."""
    parts, status, found = run_wsgi_app(app, environ)
    try:
        body = b"".join(parts)
    finally:
        close = getattr(parts, "close", None)
        if close is not None:
            close()
    headers = HTTPHeaders()
    for name, value in found:
        headers.add(name, value)
    return status, headers, body


def quiet_log() -> None:
    """Keep the server's own log to what is an error of ours: strangers' mistakes are none."""
    for name in ("tornado.access", "tornado.general"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
