"""A log in a gzip or zip archive, unpacked into a temporary folder; everything else as it lies.

What an archive says of its own size is not believed: the bytes are counted while they come out, and
an archive that unpacks to more than `MAX_BYTES`, or to more than `MAX_RATIO` times its own size,
is refused.
"""

from __future__ import annotations

import gzip
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import IO, Final

from ingest.errors import Fault, UnusableRun
from ingest.table.kinds import GZIP, WORKBOOK_PART, ZIP, first_bytes

MAX_BYTES: Final = 4 << 30
"""No log of one road test is larger, bytes."""
MAX_RATIO: Final = 300
"""Text of numbers shrinks to a tenth or a thirtieth; nothing but zeros to a thousandth."""
FREE_BYTES: Final = 64 << 20
"""Up to so many bytes no ratio is asked for."""
_PIECE: Final = 1 << 20
_SHOWN: Final = 20
_BESIDE: Final = ("__MACOSX/", ".DS_Store", "Thumbs.db", "desktop.ini")
"""What file managers add to an archive."""
_DAMAGED: Final = (EOFError, zlib.error, zipfile.BadZipFile, gzip.BadGzipFile, NotImplementedError)


@contextmanager
def unpacked(path: Path, most: int = MAX_BYTES) -> Iterator[Path]:
    """A file that can be read as it lies; the temporary one is gone afterwards.

    Parameters
    ----------
    path
        The file, packed or not.
    most
        Bytes that it may unpack to.

    Raises
    ------
    UnusableRun
        Where an archive is damaged or locked, holds several files or none, or grows too large.
    """
    head = first_bytes(path)
    if head.startswith(GZIP):
        with tempfile.TemporaryDirectory(prefix="lukewarm-") as folder:
            yield _out_of_gzip(path, Path(folder), most)
    elif head.startswith(ZIP) and not _is_document(path):
        with tempfile.TemporaryDirectory(prefix="lukewarm-") as folder:
            yield _out_of_zip(path, Path(folder), most)
    else:
        yield path


def _is_document(path: Path) -> bool:
    """Whether a zip archive is a workbook or another office document, which are such archives."""
    try:
        with zipfile.ZipFile(path) as archive:
            names = set(archive.namelist())
    except (OSError, *_DAMAGED):
        return False
    return bool(names & {WORKBOOK_PART, "[Content_Types].xml", "mimetype"})


def _out_of_gzip(path: Path, folder: Path, most: int) -> Path:
    name = path.name[:-3] if path.name.lower().endswith(".gz") else path.name
    target = folder / (name or "log")
    try:
        with gzip.open(path) as source:
            _copy(source, target, path, most)
    except _DAMAGED as error:
        raise UnusableRun(_damaged(path, error)) from error
    return _inside(path, target)


def _out_of_zip(path: Path, folder: Path, most: int) -> Path:
    try:
        with zipfile.ZipFile(path) as archive:
            member = _only_member(path, archive)
            target = folder / (PurePosixPath(member.filename.replace("\\", "/")).name or "log")
            with archive.open(member) as source:
                _copy(source, target, path, most)
    except _DAMAGED as error:
        raise UnusableRun(_damaged(path, error)) from error
    except RuntimeError as error:  # what zipfile says of a password
        raise UnusableRun(
            Fault(path.name, "a locked archive", "one without a password", "unpack it first")
        ) from error
    return _inside(path, target)


def _only_member(path: Path, archive: zipfile.ZipFile) -> zipfile.ZipInfo:
    members = [
        each
        for each in archive.infolist()
        if not each.is_dir() and not any(part in each.filename for part in _BESIDE)
    ]
    if len(members) == 1:
        return members[0]
    named = ", ".join(repr(each.filename[:60]) for each in members[:_SHOWN])
    more = f", and {len(members) - _SHOWN} more" if len(members) > _SHOWN else ""
    raise UnusableRun(
        Fault(
            path.name,
            f"an archive of {len(members)} files ({named}{more})"
            if members
            else "an empty archive",
            "an archive of one file, the log",
            "unpack it and name the log itself" if members else "copy it again from the logger",
        )
    )


def _copy(source: IO[bytes] | gzip.GzipFile, target: Path, path: Path, most: int) -> None:
    """Copy in pieces and count them.

    Raises
    ------
    UnusableRun
        Where there is more than any log has, or no room for it.
    """
    packed, total = max(path.stat().st_size, 1), 0
    try:
        with target.open("wb") as sink:
            while piece := source.read(_PIECE):
                total += len(piece)
                if total > most or (total > FREE_BYTES and total > MAX_RATIO * packed):
                    raise UnusableRun(
                        Fault(
                            path.name,
                            f"an archive that unpacks to more than {total >> 20} MiB",
                            f"a log of at most {most >> 20} MiB, packed by less than 1 : "
                            f"{MAX_RATIO}",
                            "check that this is the logger's file; unpack it first if it is",
                        )
                    )
                sink.write(piece)
    except OSError as error:
        if isinstance(error, gzip.BadGzipFile):
            raise
        raise UnusableRun(
            Fault(
                path.name,
                f"an archive that cannot be unpacked ({error.strerror or error})",
                "room for it in the temporary folder",
                "make room, or unpack it first",
            )
        ) from error


def _inside(path: Path, target: Path) -> Path:
    """The unpacked file, where it is no archive again.

    Raises
    ------
    UnusableRun
        Where it is one.
    """
    head = first_bytes(target)
    tar = len(head) > 262 and head[257:262] == b"ustar"
    if tar or head.startswith(GZIP) or (head.startswith(ZIP) and not _is_document(target)):
        raise UnusableRun(
            Fault(path.name, "an archive inside an archive", "one log", "unpack it first")
        )
    return target


def _damaged(path: Path, error: Exception) -> Fault:
    return Fault(
        path.name,
        f"a damaged archive ({str(error)[:100] or type(error).__name__})",
        "a whole one",
        "copy it again from the logger",
    )
