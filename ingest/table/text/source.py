"""The file itself: its bytes in blocks of whole lines, as UTF-8 with newlines."""

from __future__ import annotations

import codecs
import hashlib
import io
from collections.abc import Iterator
from typing import TYPE_CHECKING, BinaryIO, Final, Self

from ingest.errors import Fault, UnusableRun
from ingest.table.text.bytes import LONGEST_LINE
from ingest.table.text.encoding import Encoding, detect_encoding, to_utf8, unify_line_ends
from ingest.values import dataclass

if TYPE_CHECKING:
    from pathlib import Path

    from ingest.setup.model import LogTable

SAMPLE: Final = 32 << 10
"""Bytes looked at first."""
LARGEST_SAMPLE: Final = 8 << 20
_AS_ASCII: Final = frozenset({"utf-8", "cp1252"})
_FAR_SAMPLE: Final = 16 << 10


@dataclass(frozen=True, slots=True)
class Block:
    """Whole lines of a file.

    Parameters
    ----------
    text
        UTF-8 with newlines.
    damaged
        Characters that could not be decoded.
    last
        Whether the file ends here, so that a last line without a line end may be cut off.
    skipped
        Lines of the file left out before the first one here.
    sha256
        Hex digest of the file where it was asked for.
    """

    text: bytes
    damaged: int
    last: bool
    skipped: int = 0
    sha256: str | None = None


class Source:
    """An open log.

    Parameters
    ----------
    path
        The file.
    log
        The set-up's `[log]`.
    content
        What is read in place of the file's own bytes: lines made of a workbook.

    Raises
    ------
    UnusableRun
        Where the file cannot be read, is empty or is no text.
    """

    def __init__(self, path: Path, log: LogTable, content: bytes | None = None) -> None:
        self.name = path.name
        try:
            self._file: BinaryIO = path.open("rb") if content is None else io.BytesIO(content)
            self._head = self._file.read(SAMPLE)
            self._size = self._file.seek(0, 2)
        except OSError as error:
            raise UnusableRun(
                Fault(
                    path.name,
                    f"no readable file ({error.strerror or error})",
                    "the logger's file",
                    "correct file = ... in [log], or put the file there",
                )
            ) from error
        if not self._head:
            self._file.close()
            raise UnusableRun(
                Fault(self.name, "an empty file", "a text log", "copy it again from the logger")
            )
        try:
            self.encoding: Encoding = detect_encoding(self._head, log.encoding, self.name)
        except UnusableRun:
            self._file.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def head(self, size: int) -> tuple[bytes, bool]:
        """First whole lines of about `size` bytes, and whether that is the whole file."""
        if size > len(self._head):
            self._file.seek(0)
            self._head = self._file.read(size)
        raw, whole = self._head[:size], size >= self._size
        text, _ = self._decode(raw[self.encoding.mark :])
        return (text if whole else text[: text.rfind(b"\n") + 1]), whole

    def far(self) -> list[bytes]:
        """Whole lines from the middle and the end of a long file."""
        pieces = []
        for part in (0.3, 0.6, 0.95):
            start = int(part * self._size)
            start -= (start - self.encoding.mark) % self.encoding.unit
            if start < SAMPLE:
                continue
            self._file.seek(start)
            text, _ = self._decode(self._file.read(_FAR_SAMPLE))
            pieces.append(text[text.find(b"\n") + 1 : text.rfind(b"\n") + 1])
        return pieces

    def whole(self, max_bytes: int | None, skip: int = 0, *, hashed: bool = False) -> Block:
        """The whole file, or whole lines of its first `max_bytes`.

        Up to `skip` lines at its beginning are left out where that spares copying the rest.
        """
        if max_bytes is not None and max_bytes < self._size:
            text, damaged = self._decode(self._read(0, max_bytes)[self.encoding.mark :])
            return Block(text[: text.rfind(b"\n") + 1], damaged, last=False)
        above = self._length_of(skip)
        raw = self._read(above, None)
        digest = None
        if hashed:
            sha256 = hashlib.sha256(self._head[:above])
            sha256.update(raw)
            digest = sha256.hexdigest()
        text, damaged = self._decode(raw if above else raw[self.encoding.mark :])
        return Block(text.rstrip(b"\x1a"), damaged, True, skip if above else 0, digest)

    def _read(self, start: int, stop: int | None) -> bytes:
        """Bytes of the file from `start` up to `stop` or its end."""
        if len(self._head) >= self._size:
            return self._head[start:stop]
        self._file.seek(start)
        return self._file.read(-1 if stop is None else stop - start)

    def _length_of(self, lines: int) -> int:
        """Bytes of the first lines; 0 where they are not plain text as it stands."""
        end = 0
        for _ in range(lines):
            end = self._head.find(b"\n", end) + 1
            if not end:
                return 0
        above = self._head[:end]
        plain = self.encoding.name in _AS_ASCII and above.isascii() and b"\r" not in above
        return end if plain else 0

    def blocks(self, size: int) -> Iterator[Block]:
        """The whole file in blocks of about `size` bytes.

        Raises
        ------
        UnusableRun
            Where a line is longer than `LONGEST_LINE`.
        """
        self._file.seek(self.encoding.mark)
        size = max(size, 1024) // 4 * 4
        wide = self.encoding.unit > 1
        decoder = codecs.getincrementaldecoder(self.encoding.name)(errors="replace")
        carry = b""
        while True:
            raw = self._file.read(size)
            last = len(raw) < size
            if wide:
                raw = decoder.decode(raw, last).encode("utf-8", errors="replace")
            data = carry + raw
            if last:
                yield self._block(data.rstrip(b"\x1a"), last=True, wide=wide)
                return
            cut = data.rfind(b"\n") + 1 or data.rfind(b"\r", 0, len(data) - 1) + 1
            if not cut and len(data) > LONGEST_LINE:
                raise UnusableRun(
                    Fault(
                        self.name,
                        f"{len(data)} bytes without a line end",
                        f"lines of at most {LONGEST_LINE} bytes",
                        "check that this is the logger's file",
                    )
                )
            carry = data[cut:]
            if cut:
                yield self._block(data[:cut], last=False, wide=wide)

    def _block(self, data: bytes, *, last: bool, wide: bool) -> Block:
        if wide:
            return Block(unify_line_ends(data), data.count("\ufffd".encode()), last)
        text, damaged = self._decode(data)
        return Block(text, damaged, last)

    def _decode(self, data: bytes) -> tuple[bytes, int]:
        if self.encoding.name in _AS_ASCII and data.isascii():
            return unify_line_ends(data), 0
        text, damaged = to_utf8(data, self.encoding)
        if codecs.BOM_UTF8 in text:
            text = text.replace(codecs.BOM_UTF8, b"")  # a restarted logger writes it again
        return unify_line_ends(text), damaged
