"""Answers packed with gzip; scripts and styles once, for all visitors."""

from __future__ import annotations

import gzip
import hashlib
from typing import Final

from flask import Flask, Response, request

from dashboard.board.security import STATIC
from dashboard.web.service import Recent

SHORTEST: Final = 1024
"""Bytes; shorter answers are sent as they are."""

PACKABLE: Final = ("text/", "application/json", "application/javascript", "image/svg")

STATIC_LEVEL: Final = 9
FRESH_LEVEL: Final = 4

KEPT: Final = 128
"""Packed scripts and styles that are kept in memory."""


def pack_answers(server: Flask) -> None:
    """Pack every answer a browser says it can unpack."""
    packed: Recent[bytes] = Recent(KEPT)

    @server.after_request
    def pack(response: Response) -> Response:
        if not _packable(response):
            return response
        response.direct_passthrough = False
        # a file that was to be sent is read here, so it is closed here
        source = response.response
        data = response.get_data()
        if (close := getattr(source, "close", None)) is not None:
            close()
        if len(data) < SHORTEST:
            return response
        if request.path.startswith(STATIC):
            key = hashlib.sha256(data).hexdigest()
            short = packed.get(key, lambda: gzip.compress(data, STATIC_LEVEL, mtime=0))
            response.headers.setdefault("Cache-Control", "public, max-age=3600")
        else:
            short = gzip.compress(data, FRESH_LEVEL, mtime=0)
        response.set_data(short)
        response.headers["Content-Encoding"] = "gzip"
        response.headers["Content-Length"] = str(len(short))
        response.vary.add("Accept-Encoding")
        return response


def _packable(response: Response) -> bool:
    return (
        response.status_code == 200
        and "Content-Encoding" not in response.headers
        and "gzip" in request.headers.get("Accept-Encoding", "").lower()
        and (response.mimetype or "").startswith(PACKABLE)
    )
