"""The append-only journal of a recording: raw bytes on disk before anything is made of them.

``journal/000001.bin`` and so on, one segment a start. A segment is a row of framed records, each
with its own checksum, so that a torn end is skipped and damage in the middle costs one record.
Records are written with one unbuffered system call and forced to disk by a thread of their own.
"""

from __future__ import annotations

import os
import struct
import threading
import time
import zlib
from collections.abc import Callable, Iterator
from enum import IntEnum
from pathlib import Path
from typing import Final

from ingest.access import create, make_folder
from ingest.errors import Fault, LukewarmError
from ingest.values import dataclass

FOLDER: Final = "journal"
MAGIC: Final = b"\xf5Lw1"
LARGEST_PAYLOAD: Final = 1 << 20
SYNC_EVERY_S: Final = 0.4
"""How often what was written is forced to disk; the promise is 1 s."""
_HEADER: Final = struct.Struct("<4sBBHIqqI")
_CRC_AT: Final = _HEADER.size - 4
_BLOCK: Final = 1 << 20


class Kind(IntEnum):
    """What a record holds."""

    DATA = 1
    """Bytes as the port gave them (Modbus: the registers of one block as JSON)."""
    EVENT = 2
    """A control event noted by hand, as JSON."""
    MARK = 3
    """Something that happened to a port or to the recording, as JSON."""
    CLOCK = 4
    """The monotonic clock beside the wall's, as JSON; the first record of every segment."""


class JournalError(LukewarmError):
    """The journal cannot be written: the disk is full, gone or read-only."""


@dataclass(frozen=True, slots=True)
class Record:
    """One record.

    Parameters
    ----------
    port
        Index of the port, 0 for the first; of no meaning for events and clocks.
    kind
        What it holds.
    mono_ns
        Monotonic clock when it was received, ns; comparable within one start of the computer.
    wall_ns
        Wall clock then, ns since 1970.
    payload
        Its bytes.
    """

    port: int
    kind: Kind
    mono_ns: int
    wall_ns: int
    payload: bytes


@dataclass
class Damage:
    """What could not be read of a journal.

    Parameters
    ----------
    places
        Places where reading had to look for the next whole record.
    skipped
        Bytes passed over there.
    torn
        Bytes of unfinished records at the ends of segments.
    """

    places: int = 0
    skipped: int = 0
    torn: int = 0


def monotonic_ns() -> int:
    """A clock that no clock step moves and that goes on while the computer sleeps, ns."""
    clock = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic_ns() if clock is None else time.clock_gettime_ns(clock)


def boot_identity() -> str | None:
    """Name of this start of the computer, within which monotonic clocks compare."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return None


def frame(record: Record) -> bytes:
    """A record as it stands on disk."""
    head = _HEADER.pack(
        MAGIC,
        record.port,
        record.kind,
        0,
        len(record.payload),
        record.mono_ns,
        record.wall_ns,
        0,
    )[:_CRC_AT]
    crc = zlib.crc32(record.payload, zlib.crc32(head))
    return head + crc.to_bytes(4, "little") + record.payload


def segments(folder: Path) -> list[Path]:
    """The segments of a run folder's journal, oldest first."""
    place = folder / FOLDER
    if not place.is_dir():
        return []
    return sorted(each for each in place.glob("*.bin") if each.stem.isdigit())


class Journal:
    """The segment being written. Safe to use from several threads.

    Parameters
    ----------
    folder
        The run folder; a new segment is begun in its ``journal``.
    on_sync
        Called after each flush to disk with the time of the oldest record it covers and the time
        now, both ns of `monotonic_ns`.

    Raises
    ------
    JournalError
        Where the segment cannot be made.
    """

    def __init__(self, folder: Path, on_sync: Callable[[int, int], None] | None = None) -> None:
        place = folder / FOLDER
        taken = segments(folder)
        self.path = place / f"{int(taken[-1].stem) + 1 if taken else 1:06d}.bin"
        flags = os.O_WRONLY | os.O_EXCL | os.O_APPEND
        try:
            make_folder(place)
            self._file = create(self.path, flags)
        except OSError as error:
            raise JournalError(str(_cannot_write(self.path, error))) from error
        _sync_folder(place)
        self._lock = threading.Lock()
        self._on_sync = on_sync
        self._size = 0
        self._oldest: int | None = None
        self._failed: JournalError | None = None
        self._closing = threading.Event()
        self._syncer = threading.Thread(target=self._sync_loop, name="journal sync", daemon=True)
        self._syncer.start()

    def append(self, port: int, kind: Kind, payload: bytes, mono_ns: int | None = None) -> Record:
        """Write one record; it is in the operating system's hands when this returns.

        Raises
        ------
        JournalError
            Where it cannot be written; then, and ever after, nothing more is.
        """
        now = monotonic_ns() if mono_ns is None else mono_ns
        record = Record(port, kind, now, time.time_ns(), payload)
        data = frame(record)
        with self._lock:
            if self._failed is not None:
                raise self._failed
            try:
                self._write(data)
            except OSError as error:
                self._failed = JournalError(str(_cannot_write(self.path, error)))
                self._cut_back()
                raise self._failed from error
            self._size += len(data)
            if self._oldest is None:
                self._oldest = monotonic_ns()
        return record

    def close(self) -> None:
        """Force everything to disk and close."""
        self._closing.set()
        self._syncer.join()
        with self._lock:
            self._failed = self._failed or JournalError("the recording has ended")
            os.close(self._file)

    @property
    def failed(self) -> str | None:
        """Why nothing can be written any more; None while all is well."""
        return None if self._failed is None else str(self._failed)

    def _write(self, data: bytes) -> None:
        view = memoryview(data)
        while view:  # a disk that fills up takes part of a record before it says no
            view = view[os.write(self._file, view) :]

    def _cut_back(self) -> None:
        """Take off the part of a record that still fitted; a reader would skip it all the same."""
        try:
            os.ftruncate(self._file, self._size)
        except OSError:
            return

    def _sync_loop(self) -> None:
        while True:
            last = self._closing.wait(SYNC_EVERY_S)
            with self._lock:
                oldest, self._oldest = self._oldest, None
            if oldest is not None:
                try:
                    os.fsync(self._file)
                except OSError as error:
                    with self._lock:
                        self._failed = JournalError(str(_cannot_write(self.path, error)))
                    return
                if self._on_sync is not None:
                    self._on_sync(oldest, monotonic_ns())
            if last:
                return


def _cannot_write(path: Path, error: OSError) -> Fault:
    return Fault(
        str(path),
        f"a disk that takes no more ({error.strerror or error})",
        "room to record",
        "make room, then go on with `lukewarm record --resume`; all that was recorded is kept",
    )


def _sync_folder(place: Path) -> None:
    """Make a new file's name durable, where folders can be opened at all."""
    if os.name != "posix":
        return
    handle = os.open(place, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def read_records(path: Path, damage: Damage) -> Iterator[Record]:
    """Every whole record of a segment, in the order written.

    Parameters
    ----------
    path
        The segment.
    damage
        What could not be read is added to it.
    """
    with path.open("rb") as stream:
        buffer, ended, lost = b"", False, 0
        at = 0
        while True:
            found = _parse(buffer, at)
            if isinstance(found, Record):
                if lost:
                    damage.places += 1
                    damage.skipped += lost
                    lost = 0
                yield found
                at += _HEADER.size + len(found.payload)
                continue
            if found == "short" and not ended:
                block = stream.read(_BLOCK)
                ended = not block
                buffer, at = buffer[at:] + block, 0
                continue
            if at >= len(buffer):
                break
            # not a record: the next one begins at the next mark at the earliest
            following = buffer.find(MAGIC, at + 1)
            if following < 0:
                following = len(buffer) if ended else max(at + 1, len(buffer) - len(MAGIC) + 1)
            lost += following - at
            at = following
        damage.torn += lost


def _parse(buffer: bytes, at: int) -> Record | str:
    """The record at a place, ``short`` where it does not end in the buffer, or ``bad``."""
    end = at + _HEADER.size
    if end > len(buffer):
        return "short"
    magic, port, kind, _, length, mono_ns, wall_ns, crc = _HEADER.unpack_from(buffer, at)
    if magic != MAGIC or length > LARGEST_PAYLOAD:
        return "bad"
    if end + length > len(buffer):
        return "short"
    payload = buffer[end : end + length]
    if zlib.crc32(payload, zlib.crc32(buffer[at : at + _CRC_AT])) != crc:
        return "bad"
    if kind not in Kind._value2member_map_:
        return "bad"
    return Record(port, Kind(kind), mono_ns, wall_ns, payload)
