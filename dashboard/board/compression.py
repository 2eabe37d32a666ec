"""Answers packed by Flask-Compress; scripts and styles once, for all visitors.

Browsers unpack Brotli where the page came over TLS or from their own machine, and gzip anywhere.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import TYPE_CHECKING, Final

from flask import request
from flask_compress import Compress

from dashboard.board.security import STATIC

if TYPE_CHECKING:
    from flask import Flask, Request, Response

BROTLI_LEVEL: Final = 5
"""As quick as gzip, and a tenth smaller; higher levels win little and take long."""

GZIP_LEVEL: Final = 7
"""A hundredth smaller than the usual one."""

SHORTEST: Final = 1024
"""Bytes; shorter answers are sent as they are."""

PACKABLE: Final = (
    *("text/html", "text/css", "text/plain", "text/csv", "text/javascript"),
    *("application/json", "application/javascript", "image/svg+xml"),
)

KEPT: Final = 128
"""Packed scripts and styles that are kept in memory."""

FRESH: Final = ""
"""Key of every answer that is made anew each time."""


class Packed:
    """The last scripts and styles packed; fresh answers pass by.

    A visitor may ask for one script by any number of addresses, so that not all can be kept.
    """

    def __init__(self) -> None:
        self._held: OrderedDict[str, bytes] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: str) -> bytes | None:
        """What is kept under a key."""
        with self._lock:
            return self._held.get(key)

    def set(self, key: str, value: bytes) -> None:
        """Keep something, unless it was made for one visitor."""
        if key.endswith(f";{FRESH}"):
            return
        with self._lock:
            self._held[key] = value
            self._held.move_to_end(key)
            while len(self._held) > KEPT:
                self._held.popitem(last=False)


def pack_answers(server: Flask) -> None:
    """Pack every answer a browser says it can unpack."""
    server.config.update(
        COMPRESS_ALGORITHM=["br", "gzip"],
        COMPRESS_BR_LEVEL=BROTLI_LEVEL,
        COMPRESS_LEVEL=GZIP_LEVEL,
        COMPRESS_STREAMS=False,
        COMPRESS_MIMETYPES=list(PACKABLE),
        COMPRESS_MIN_SIZE=SHORTEST,
        COMPRESS_CACHE_BACKEND=Packed,
        COMPRESS_CACHE_KEY=_key,
    )
    Compress(server)

    @server.after_request
    def hold(response: Response) -> Response:
        if request.path.startswith(STATIC) and response.status_code == 200:
            response.headers.setdefault("Cache-Control", "public, max-age=3600")
            # a file that was to be sent is read here, so it is closed here
            source = response.response
            response.direct_passthrough = False
            response.get_data()
            if (close := getattr(source, "close", None)) is not None:
                close()
        return response


def _key(request: Request) -> str:
    return request.path if request.path.startswith(STATIC) else FRESH
