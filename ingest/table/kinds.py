"""What a file is, by its first bytes; its name says nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Final, Literal

from ingest.bus.traffic import is_bus_log

Kind = Literal["text", "workbook", "parquet", "mdf", "bus"]

GZIP: Final = b"\x1f\x8b"
"""RFC 1952, 2.3.1."""
ZIP: Final = b"PK\x03\x04"
"""PKWARE APPNOTE, 4.3.7; workbooks (ECMA-376 part 2) are such archives too."""
WORKBOOK_PART: Final = "xl/workbook.xml"

_STARTS: Final[tuple[tuple[bytes, Kind], ...]] = (
    (ZIP, "workbook"),
    (b"PAR1", "parquet"),  # the Parquet format's magic number
    (b"MDF     ", "mdf"),  # ASAM MDF, identification block; the other is one not closed in order
    (b"UnFinMF ", "mdf"),
)
_HEAD: Final = 512


def first_bytes(path: Path) -> bytes:
    """First bytes of a file; none where it cannot be read."""
    try:
        with path.open("rb") as stream:
            return stream.read(_HEAD)
    except OSError:
        return b""


def kind_of_file(path: Path) -> Kind:
    """What a file is once it is unpacked; text where nothing else shows."""
    head = first_bytes(path)
    if is_bus_log(head):
        return "bus"
    return next((kind for start, kind in _STARTS if head.startswith(start)), "text")
