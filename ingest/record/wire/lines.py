"""Bytes to lines, and whether a line is one: half lines, garbage, checksums.

A logger may be plugged in mid-line and a cable may add noise; neither may stop a recording or slip
into it as a reading.
"""

from __future__ import annotations

import re
from functools import reduce
from operator import xor
from typing import Final

LONGEST_LINE: Final = 1 << 16
"""Bytes without a line end after which they are no line."""
_ENDS: Final = re.compile(rb"[\r\n]+")
_CONTROL: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ufffe\uffff]")
_NMEA: Final = re.compile(rb"\$?(.*)\*([0-9A-Fa-f]{2})\s*", re.DOTALL)


class LineSplitter:
    """Cuts a port's bytes into lines; what is left waits for the rest."""

    def __init__(self) -> None:
        self._rest = b""

    def feed(self, data: bytes) -> tuple[list[tuple[bytes, int]], list[bytes]]:
        """Take some bytes.

        Parameters
        ----------
        data
            As received.

        Returns
        -------
        tuple
            Lines without their ends, each with the number of bytes of `data` that follow it; and
            stretches too long to be lines.
        """
        text = self._rest + data
        lines: list[tuple[bytes, int]] = []
        start, size = 0, len(text)
        for end in _ENDS.finditer(text):
            if end.start() > start:
                lines.append((text[start : end.start()], size - end.end()))
            start = end.end()
        self._rest = text[start:]
        if len(self._rest) <= LONGEST_LINE:
            return lines, []
        long, self._rest = self._rest, b""
        return lines, [long]

    def cut(self) -> bytes:
        """Take the half line that waits: the port went away, its rest will not come."""
        rest, self._rest = self._rest, b""
        return rest


def decode_line(raw: bytes, encoding: str) -> str | None:
    """The text of a line; None where it is no text.

    UTF-8 is tried first: bytes of another encoding are hardly ever valid UTF-8 by chance.
    """
    text: str | None = None
    for name in ("utf-8", encoding):
        try:
            text = raw.decode(name)
            break
        except UnicodeDecodeError:
            continue
    if text is None or _CONTROL.search(text):
        return None
    text = text.strip("\ufeff")
    return text if text.strip() else None


def xor_checksum(body: bytes) -> int:
    """Exclusive or of the bytes between ``$`` and ``*``, as in NMEA 0183."""
    return reduce(xor, body, 0)


def check_nmea(raw: bytes) -> bytes | None:
    """What stands between ``$`` and ``*hh``, where the checksum is right; else None."""
    match = _NMEA.fullmatch(raw)
    if match is None or xor_checksum(match[1]) != int(match[2], 16):
        return None
    return match[1]
