"""An events file to its lines: time, control and position as text.

Few and mostly words, so it is not read as a log is: its header is known by name, whatever the
delimiter, the order and case of the columns, and what stands above it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import field
from pathlib import Path
from typing import Final

from ingest.errors import Fault, UnusableRun
from ingest.points import CONTROLS
from ingest.run import Rejected
from ingest.table.text.dialect import BLANKS, split_cells
from ingest.table.text.encoding import detect_encoding, to_utf8, unify_line_ends
from ingest.values import dataclass

COLUMNS: Final = ("time", "control", "position")
LARGEST: Final = 4 * 2**20
"""Bytes; a larger file is no list of what somebody did."""
MOST_LINES: Final = 200_000
LONGEST_LINE: Final = 1 << 16
REJECTED_CAP: Final = 1000
_DELIMITERS: Final = (",", ";", "\t", "|", BLANKS)
_HEADER_WITHIN: Final = 50
_NOTHING: Final = re.compile(r"[\s,;|\"']*")
"""A blank line, or what a spreadsheet makes of one."""
_UNIT_ENDING: Final = re.compile(r"_(s|ms|us|min|h|pct)$")


@dataclass(frozen=True)
class EventLine:
    """One event as it stands in the file."""

    line: int
    time: str
    control: str
    position: str
    text: str


@dataclass
class EventLines:
    """All events of a file, and the lines that are none."""

    file: str
    events: list[EventLine] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)
    rejected_count: int = 0

    def reject(self, line: int, text: str, reason: str) -> None:
        """Set a line aside."""
        self.rejected_count += 1
        if len(self.rejected) < REJECTED_CAP:
            self.rejected.append(Rejected(self.file, line, text[:200], reason))


@dataclass(frozen=True)
class _Header:
    """Where the columns stand; `at` is the header's place in the lines, -1 where there is none."""

    at: int
    delimiter: str
    time: tuple[int, ...]
    control: int
    position: int


def normal(text: str) -> str:
    """A word of an events file in its plain spelling: lower case, underscores for blanks."""
    return "_".join(text.lower().replace("-", " ").replace("_", " ").split())


def read_event_lines(path: Path, time_columns: Sequence[str] = ()) -> EventLines:
    """Read an events file.

    Parameters
    ----------
    path
        The file, in any encoding and with any delimiter.
    time_columns
        Names of the log's date and time columns; they may stand here in place of ``time``.

    Raises
    ------
    UnusableRun
        Where it cannot be read, is no text, or lacks a column.
    """
    lines = _lines(path)
    filled = [place for place, text in enumerate(lines) if not _NOTHING.fullmatch(text)]
    result = EventLines(path.name)
    if not filled:
        return result
    header = _find_header(path.name, lines, filled, time_columns)
    names = lines[header.at] if header.at >= 0 else None
    for place in filled:
        text = lines[place]
        if place > header.at and text != names and not text.lstrip().startswith("#"):
            _take(result, header, place + 1, text)
    return result


def _lines(path: Path) -> list[str]:
    try:
        size = path.stat().st_size
        raw = path.read_bytes() if size <= LARGEST else b""
    except OSError as error:
        raise UnusableRun(
            Fault(
                path.name,
                f"no readable file ({error.strerror or error})",
                "the events file",
                "correct [events] file in run.toml",
            )
        ) from error
    if size > LARGEST:
        raise UnusableRun(
            Fault(
                path.name,
                f"a file of {size / 2**20:.1f} MiB",
                "a list of control events",
                "correct [events] file in run.toml",
            )
        )
    if not raw.strip(b"\0 \t\r\n\xef\xbb\xbf\xff\xfe"):
        return []
    encoding = detect_encoding(raw, None, path.name)
    text, _ = to_utf8(raw[encoding.mark :], encoding)
    lines = unify_line_ends(text).decode("utf-8", errors="replace").split("\n")
    if len(lines) > MOST_LINES:
        raise UnusableRun(
            Fault(
                path.name,
                f"{len(lines)} lines",
                f"a list of control events, at most {MOST_LINES} lines",
                "correct [events] file in run.toml",
            )
        )
    return lines


def _find_header(
    file: str, lines: Sequence[str], filled: Sequence[int], time_columns: Sequence[str]
) -> _Header:
    stamps = tuple(normal(name) for name in time_columns)
    best: set[str] = set()
    for place in filled[:_HEADER_WITHIN]:
        if len(lines[place]) > LONGEST_LINE:
            continue
        for delimiter in _DELIMITERS:
            names = [_name(cell) for cell in split_cells(lines[place], delimiter, '"')]
            found = set(COLUMNS) & set(names)
            stamped = stamps and set(stamps) <= set(names)
            if {"control", "position"} <= found and ("time" in found or stamped):
                times = stamps if stamped else ("time",)
                return _Header(
                    place,
                    delimiter,
                    tuple(names.index(name) for name in times),
                    names.index("control"),
                    names.index("position"),
                )
            best = max(best, found, key=len)
    for delimiter in _DELIMITERS:  # no header: the contract's order
        cells = split_cells(lines[filled[0]][:LONGEST_LINE], delimiter, '"')
        if len(cells) >= len(COLUMNS) and normal(cells[1]) in CONTROLS:
            return _Header(-1, delimiter, (0,), 1, 2)
    missing = [name for name in COLUMNS if name not in best]
    raise UnusableRun(
        Fault(
            f"{file} column {name!r}",
            f"no such column; the file begins with {lines[filled[0]][:80]!r}",
            "the columns time, control and position",
            "write these three names into the first line",
        )
        for name in missing
    )


def _name(cell: str) -> str:
    bare = normal(re.sub(r"[\[(].*?[\])]", " ", cell).strip("#\ufeff "))
    return _UNIT_ENDING.sub("", bare)


def _take(result: EventLines, header: _Header, line: int, text: str) -> None:
    if len(text) > LONGEST_LINE:
        result.reject(line, text, f"a line of {len(text)} characters")
        return
    cells = split_cells(text, header.delimiter, '"')
    last = max(*header.time, header.control, header.position)
    if len(cells) <= last:
        result.reject(line, text, "fewer cells than the header has names")
        return
    control, position = cells[header.control], cells[header.position]
    beyond = [cell for cell in cells[last + 1 :] if cell]
    if beyond and header.position == last:
        if normal(control) == "note":  # a remark may hold the delimiter
            position = f"{header.delimiter.strip() or ' '} ".join([position, *beyond])
        elif header.delimiter == BLANKS or _number_cut(position, beyond):
            result.reject(line, text, "more cells than the header has names")
            return
    time = " ".join(cells[place] for place in header.time)
    result.events.append(EventLine(line, time, control, position, text.strip()))


def _number_cut(position: str, beyond: Sequence[str]) -> bool:
    """Whether a decimal comma was cut in two (``45`` and ``5``)."""
    return position.isdigit() and beyond[0].isdigit()
