"""A log of what a vehicle bus carried (``.blf``, ``.asc``) → its frames, through python-can.

python-can is an extra (``can``). What a log of lines holds that is no frame is passed over, a line
that cannot be read is kept as rejected; a binary log that breaks off is read as far as it goes.
"""

from __future__ import annotations

import contextlib
import re
import zlib
from collections.abc import Iterator
from dataclasses import field
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final

from ingest.errors import Fault, UnusableRun
from ingest.findings import finding
from ingest.run import Finding, Rejected
from ingest.values import dataclass

if TYPE_CHECKING:
    from can import Message

BUS_LOG_CUT: Final = finding(
    "bus_log_cut",
    "the log breaks off after {frames} frames ({why}); what stands before is used",
    do="Copy the log again from the logger; the test's end may be missing.",
)
BUS_ERRORS: Final = finding(
    "bus_errors",
    "the bus carried {errors} error frames in this log",
    do="Check the bus's wiring, its terminators and the logger's bit rate.",
)

MAX_BYTES: Final = 1 << 30
MAX_FRAMES: Final = 8_000_000
"""Over an hour of a bus that is full."""
MAX_PART: Final = 64 << 20
"""A binary log packs its frames in parts; no writer makes larger ones, bytes."""
CELLS_KEPT: Final = 100

BLF: Final = b"LOGG"
ASC: Final = re.compile(rb"(?i)^date [^\r\n]{1,80}\r?\n\s*base\s+(hex|dec)\b")
"""First bytes of either kind, as python-can writes and reads them."""

_BASE: Final = re.compile(r"(?i)^\s*base\s+(hex|dec)(?:\s+timestamps\s+(absolute|relative))?")
_START: Final = "no internal events logged\n"
"""Ends the head of a log of lines; what the reader expects before the first frame."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame.

    Parameters
    ----------
    time
        s from the log's beginning.
    channel
        Number of the bus.
    identifier, extended
        Its identifier, and whether that has 29 bits.
    data
        Its bytes.
    """

    time: float
    channel: int
    identifier: int
    extended: bool
    data: bytes


@dataclass
class Traffic:
    """A log of bus traffic while it is read.

    Parameters
    ----------
    path
        The file.
    findings, rejected, rejected_count
        What is wrong with it; complete once `frames` has ended.
    """

    path: Path
    findings: list[Finding] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)
    rejected_count: int = 0

    def frames(self, most: int | None = None) -> Iterator[Frame]:
        """Every data frame in the order of the file.

        Parameters
        ----------
        most
            End after so many messages.

        Raises
        ------
        UnusableRun
            Where python-can is missing, or it is no such log.
        """
        size = self.path.stat().st_size
        if size > MAX_BYTES:
            raise UnusableRun(
                Fault(
                    self.path.name,
                    f"a bus log of {size >> 20} MiB",
                    f"at most {MAX_BYTES >> 20} MiB",
                    "cut it to the test drive",
                )
            )
        with self.path.open("rb") as file:
            is_binary = file.read(len(BLF)) == BLF
        messages = self._binary() if is_binary else self._lines()
        errors = 0
        for count, (message, begin) in enumerate(messages, 1):
            if count > MAX_FRAMES:
                raise UnusableRun(
                    Fault(
                        self.path.name,
                        f"more than {MAX_FRAMES} frames",
                        "one test drive",
                        "cut the log to the test drive, or to the messages wanted",
                    )
                )
            if message.is_error_frame:
                errors += 1
            elif not message.is_remote_frame:
                yield _frame(message, begin)
            if count == most:
                break
        if errors:
            self.findings.append(BUS_ERRORS.found(errors=errors, evidence={"frames": errors}))

    def _binary(self) -> Iterator[tuple[Message, float]]:
        with _needed(self.path.name):
            from can.io.blf import BLFReader
        cut = _small_parts(self.path)
        count = 0
        try:
            with BLFReader(self.path) as reader:
                for message in reader:
                    count += 1
                    yield message, reader.start_timestamp
        except Exception as error:  # whatever the library makes of a damaged file
            if not count:
                raise UnusableRun(_damaged(self.path.name, error)) from error
            cut = cut or (str(error).splitlines() or [type(error).__name__])[0]
        if cut:
            self.findings.append(
                BUS_LOG_CUT.found(frames=count, why=cut[:100], evidence={"frames": count})
            )

    def _lines(self) -> Iterator[tuple[Message, float]]:
        with _needed(self.path.name):
            from can.io.asc import ASCReader
        with self.path.open(encoding="utf-8", errors="replace", newline=None) as stream:
            lines = _Lines(stream)
            base = self._head(lines)
            while not lines.is_over:
                lines.first = _START
                reader: Any = ASCReader(lines, base=base)  # type: ignore[arg-type]
                try:
                    for message in reader:
                        yield message, 0.0
                except (ValueError, IndexError, KeyError, OverflowError) as error:
                    self._reject(lines, str(error) or type(error).__name__)

    def _head(self, lines: _Lines) -> str:
        """The base of the numbers.

        Raises
        ------
        UnusableRun
            Where times count from one event to the next, some of which are no frames.
        """
        for line in lines:
            found = _BASE.match(line)
            if found is None:
                continue
            if (found[2] or "").lower() == "relative":
                raise UnusableRun(
                    Fault(
                        f"{self.path.name} line {lines.number}",
                        "times that count from one event to the next",
                        "times from the log's beginning (base ... timestamps absolute)",
                        "export the log again with absolute times",
                    )
                )
            return found[1].lower()
        return "hex"

    def _reject(self, lines: _Lines, why: str) -> None:
        self.rejected_count += 1
        if len(self.rejected) < CELLS_KEPT:
            text = lines.last.strip()[:200]
            self.rejected.append(
                Rejected(self.path.name, lines.number, text, f"no frame: {why[:100]}")
            )


def _frame(message: Message, begin: float) -> Frame:
    return Frame(
        round(message.timestamp - begin, 6),
        (message.channel if isinstance(message.channel, int) else 0) + 1,
        message.arbitration_id,
        message.is_extended_id,
        bytes(message.data),
    )


class _Lines:
    """Lines of a text handed on one by one; knows which was the last."""

    def __init__(self, stream: IO[str]) -> None:
        self._stream = stream
        self.first = ""
        self.last = ""
        self.number = 0
        self.is_over = False

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> str:
        if self.first:
            line, self.first = self.first, ""
            return line
        line = self._stream.readline(4096)
        if not line:
            self.is_over = True
            raise StopIteration
        self.last = line
        self.number += 1
        return line

    def read(self) -> str:
        """Nothing: it is read line by line; the library looks whether it could."""
        return ""

    def write(self, _: str) -> None:
        """Nothing: the library looks whether it is a file."""

    def close(self) -> None:
        """Nothing: whoever opened the file closes it."""


@contextlib.contextmanager
def _needed(name: str) -> Iterator[None]:
    """Say in one line that the extra is missing."""
    try:
        yield
    except ImportError as error:
        raise needs_extra(name) from error


def needs_extra(name: str) -> UnusableRun:
    """What is said where the packages that read bus logs are missing."""
    return UnusableRun(
        Fault(
            name,
            "a log of bus traffic, whose reader is not installed",
            "the extra can",
            "`pip install lukewarm[can]`, or export the signals as CSV",
        )
    )


def _small_parts(path: Path) -> str:
    """See that no packed part of a binary log grows too large; why the file is cut, or nothing.

    Raises
    ------
    UnusableRun
        Where one does.
    """
    from can.io import blf

    header, inner = blf.OBJ_HEADER_BASE_STRUCT, blf.LOG_CONTAINER_STRUCT
    with path.open("rb") as file:
        start = file.read(8)
        if len(start) < 8:
            return "its head is missing"
        file.seek(int.from_bytes(start[4:8], "little"))
        while head := file.read(header.size):
            if len(head) < header.size:
                return "half a part"
            signature, _, _, size, kind = header.unpack(head)
            if signature != b"LOBJ" or size < header.size:
                return "a damaged part"
            body = file.read(size - header.size)
            file.read(size % 4)
            if len(body) < size - header.size:
                return "half a part"
            if kind != blf.LOG_CONTAINER or blf.LOG_CONTAINER_STRUCT.unpack_from(body)[0] != (
                blf.ZLIB_DEFLATE
            ):
                continue
            unpacking = zlib.decompressobj()
            try:
                unpacking.decompress(body[inner.size :], MAX_PART)
            except zlib.error:
                return "a damaged part"
            if unpacking.unconsumed_tail:
                raise UnusableRun(
                    Fault(
                        path.name,
                        f"a part that unpacks to more than {MAX_PART >> 20} MiB",
                        "a logger's own file",
                        "check where it came from; export it again",
                    )
                )
    return ""


def _damaged(name: str, error: Exception) -> Fault:
    first = (str(error).splitlines() or [""])[0] or type(error).__name__
    return Fault(name, f"a damaged bus log ({first[:120]})", "a whole one", "export it again")


def is_bus_log(head: bytes) -> bool:
    """Whether a file is a log of bus traffic, by its first bytes."""
    return head.startswith(BLF) or ASC.match(head.removeprefix(b"\xef\xbb\xbf")) is not None
