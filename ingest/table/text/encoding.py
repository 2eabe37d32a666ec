r"""Bytes of a log → UTF-8 bytes with ``\n`` line ends, and what was assumed on the way.

Detected: byte-order marks (UTF-8, UTF-16, UTF-32), UTF-16 without one (every other byte is NUL),
UTF-8 (it decodes), words of another script (charset-normalizer, and it is said), else Windows-1252,
whose few undefined bytes are read as Latin-1. A UTF-8 file with some damaged bytes stays UTF-8: the
damaged bytes become U+FFFD and are counted. Digits are the same in all of these.
"""

from __future__ import annotations

import codecs
import re
from typing import Final

from ingest.errors import Fault, UnusableRun
from ingest.values import dataclass

_MARKS: Final[tuple[tuple[bytes, str], ...]] = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),  # before UTF-16, whose mark it starts with
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)

_KINDS: Final[tuple[tuple[bytes, str, str], ...]] = (
    (b"PK\x03\x04", "a zip archive or a spreadsheet workbook", "export the sheet as CSV"),
    (
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1",
        "an old or a locked spreadsheet workbook",
        "save it as .xlsx without a password, or export the sheet as CSV",
    ),
    (b"\x1f\x8b", "a gzip archive", "unpack it first"),
    (b"BZh", "a bzip2 archive", "unpack it first"),
    (b"\xfd7zXZ\x00", "an xz archive", "unpack it first"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive", "unpack it first"),
    (b"%PDF-", "a PDF page", "export the log as text"),
    (b"PAR1", "a Parquet file", "export the log as CSV"),
    (b"SQLite format 3\x00", "a database file", "export the log as CSV"),
    (b"\x89PNG", "a picture", "name the log file instead"),
    (b"\xff\xd8\xff", "a picture", "name the log file instead"),
    (b"\x89HDF", "an HDF file", "export the log as CSV"),
)
"""Files that are often mistaken for logs: first bytes, what it is, what to do."""

_CONTROL: Final = bytes(b for b in range(0x20) if b not in b"\x00\t\n\r\f\x1a\x1b\x1c\x1d\x1e\x1f")
_FEW_CONTROLS: Final = 4
_CONTROL_SHARE: Final = 0.01
"""More control characters than this are no text; random bytes hold about 10 %."""

_SCRIPTS: Final = (
    *("cp1252", "cp1251", "koi8_r", "cp866", "cp1253", "cp1250", "cp1254", "cp1257"),
    *("cp932", "euc_jp", "gb18030", "big5", "cp949"),
)
_WORD: Final = re.compile(rb"[\x80-\xff]{3}")
"""Western words have no three letters in a row that are not ASCII; others have nothing else."""
_ASCII: Final = frozenset(range(0x80))
_LOOKED_AT: Final = 4096


def _decoded(byte: int, encoding: str) -> str:
    return bytes([byte]).decode(encoding, errors="replace")


_SAME: Final = frozenset(
    byte
    for byte in range(0x80, 0x100)
    if len({_decoded(byte, each) for each in ("cp1252", "cp1250", "cp1254", "cp1257")}) == 1
)
"""Bytes that are the same sign in the encodings of all of Europe's Latin scripts."""

_WIDE: Final = {"utf-16-le": 2, "utf-16-be": 2, "utf-16": 2, "utf-32-le": 4, "utf-32-be": 4}


@dataclass(frozen=True, slots=True)
class Encoding:
    """How the bytes are written.

    Parameters
    ----------
    name
        Python's name of the encoding.
    mark
        Length of the byte-order mark, bytes.
    doubtful
        Whether the names may be wrong in it.
    """

    name: str
    mark: int = 0
    doubtful: bool = False

    @property
    def unit(self) -> int:
        """Bytes of the smallest character."""
        return _WIDE.get(self.name, 1)


def detect_encoding(head: bytes, stated: str | None, file: str) -> Encoding:
    """Tell the encoding from the first bytes of a file.

    Raises
    ------
    UnusableRun
        Where the bytes are no text, or the stated encoding is not known.
    """
    for start, kind, remedy in _KINDS:
        if head.startswith(start):
            raise UnusableRun(Fault(file, kind, "a text log", remedy))
    if stated is not None:
        return _stated(head, stated, file)
    for mark, name in _MARKS:
        if head.startswith(mark):
            return Encoding(name, len(mark))
    wide = _wide_without_mark(head)
    if wide is not None:
        return wide
    _refuse_binary(head, file)
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return Encoding("utf-8") if _mostly_utf8(head) else _of_one_script(head)
    return Encoding("utf-8")


def _of_one_script(head: bytes) -> Encoding:
    """The encoding of a text that is neither ASCII nor UTF-8."""
    high = set(head) - _ASCII
    if not _WORD.search(head):
        return Encoding("cp1252", doubtful=not high <= _SAME)
    from charset_normalizer import from_bytes

    words = b"\n".join(dict.fromkeys(line for line in head.split(b"\n") if not line.isascii()))
    # more of the same is not more to go by, but short headers are too little for the library
    best = from_bytes(words[:_LOOKED_AT] * 3, cp_isolation=list(_SCRIPTS)).best()
    return Encoding(codecs.lookup(best.encoding).name if best else "cp1252", doubtful=True)


def to_utf8(data: bytes, encoding: Encoding) -> tuple[bytes, int]:
    """Recode to UTF-8.

    Parameters
    ----------
    data
        Whole characters, without the byte-order mark.

    Returns
    -------
    bytes, int
        The text in UTF-8, and how many damaged characters were replaced by U+FFFD.
    """
    if encoding.name == "utf-8":
        if data.isascii():
            return data, 0
        try:
            data.decode()
        except UnicodeDecodeError:
            if not _mostly_utf8(data):
                # the first screenful was plain ASCII, so nothing spoke for either encoding yet
                return _latin(data).encode(), 0
        else:
            return data, 0
    elif encoding.name == "cp1252":
        return _latin(data).encode(), 0
    text = data.decode(encoding.name, errors="replace")
    damaged = text.count("\ufffd")
    return text.encode("utf-8", errors="replace"), damaged


def unify_line_ends(data: bytes) -> bytes:
    r"""Turn every line end (``\\r\\n``, ``\\r\\r\\n``, a lone ``\\r``) into ``\\n``."""
    for written in (b"\r\n", b"\r\n", b"\r"):  # twice, for \r\r\n
        if b"\r" not in data:
            break
        data = data.replace(written, b"\n")
    return data


def _stated(head: bytes, stated: str, file: str) -> Encoding:
    try:
        name = codecs.lookup(stated.strip()).name
        b"0".decode(name, errors="replace")
    except (LookupError, ValueError, TypeError) as error:
        raise UnusableRun(
            Fault(
                "run.toml [log] encoding",
                repr(stated),
                "the name of a text encoding",
                'write for example "utf-8", "utf-16" or "windows-1252", or leave the key out',
            )
        ) from error
    for mark, marked in _MARKS:
        if head.startswith(mark) and name.replace("-sig", "") in (marked, marked[:6]):
            return Encoding(marked, len(mark))
    bare = {"utf-16": "utf-16-le", "utf-32": "utf-32-le", "utf-8-sig": "utf-8"}
    if name == "utf-16":
        return _wide_without_mark(head) or Encoding("utf-16-le")
    if bare.get(name, name) in ("utf-8", "cp1252", "iso8859-1"):
        _refuse_binary(head, file)
    return Encoding(bare.get(name, name))


def _wide_without_mark(head: bytes) -> Encoding | None:
    """UTF-16 without a mark: digits and delimiters have NUL as one of their two bytes."""
    part = head[: min(len(head), 4096) // 2 * 2]
    if not part:
        return None
    half = len(part) / 2
    even, odd = part[::2].count(0) / half, part[1::2].count(0) / half
    if odd > 0.6 and even < 0.05 and len(part[::2].translate(None, _CONTROL)) > 0.9 * half:
        return Encoding("utf-16-le")
    if even > 0.6 and odd < 0.05 and len(part[1::2].translate(None, _CONTROL)) > 0.9 * half:
        return Encoding("utf-16-be")
    return None


def _refuse_binary(head: bytes, file: str) -> None:
    text = head.translate(None, b"\0")
    if not text.strip():
        found = "nothing but NUL bytes" if head.strip() else "an empty file"
        raise UnusableRun(Fault(file, found, "a text log", "copy it again from the logger"))
    controls = len(text) - len(text.translate(None, _CONTROL))
    # NUL bytes alone are what a power loss leaves in a text file; among other controls they count
    if controls > max(_FEW_CONTROLS, _CONTROL_SHARE * len(text)):
        raise UnusableRun(
            Fault(
                file,
                f"a binary file ({controls} control characters in its first {len(head)} bytes)",
                "a text log",
                "export the log as CSV with the logger's own software",
            )
        )


def _mostly_utf8(data: bytes) -> bool:
    """Whether more non-ASCII characters decode as UTF-8 than do not."""
    text = data.decode("utf-8", errors="replace")
    damaged = text.count("\ufffd")
    sound = sum(1 for character in text if character > "\x7f") - damaged
    return sound > damaged


def _latin(data: bytes) -> str:
    try:
        return data.decode("cp1252")
    except UnicodeDecodeError:
        return data.decode("latin-1")
