"""Sorts the lines below the header into rows of equal width, repeated headers and rejects.

A body without irregularities is passed on as it stands after one look at where its delimiters
are. Otherwise the odd lines (and only they) are taken one by one: blank lines are skipped,
repeated headers mark a restart, lines whose quotation marks or trailing delimiters can be put
right are put right, and the rest is rejected with its line and reason. Where a later header names
other columns, everything below it is rejected: its numbers would land under the wrong names.
"""

from __future__ import annotations

from dataclasses import field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.errors import Fault, UnusableRun
from ingest.run import Rejected
from ingest.table.cells import kind_of
from ingest.table.text.bytes import (
    LONGEST_LINE,
    NEWLINE,
    inside_quotes,
    last_looks_cut,
    one_byte_delimiters,
    requote,
    stray_quotes,
)
from ingest.table.text.dialect import split_cells
from ingest.table.text.spans import Spans, place_cells
from ingest.values import dataclass

REJECTS_KEPT: Final = 1000
_QUOTED_LINES: Final = 20
COMMENT: Final = b"#"
_FOREIGN: Final = "a line below a header that names other columns"


@dataclass(frozen=True, slots=True)
class RowRules:
    """What the lines are held against.

    Parameters
    ----------
    file
        Name for messages.
    delimiter
        As in `Dialect`: may be blanks or of several characters.
    quote
        One byte or None.
    width
        Cells in a line.
    header, units
        The cells of the lines of names and units, to know them again; empty where there are none.
    trailing
        Whether lines usually end in a delimiter that starts no column.
    header_start
        First bytes of the header, up to and with its first delimiter (`start_of_header`).
    spans
        Character positions of the columns of a text of fixed width, or empty.
    """

    file: str
    delimiter: str
    quote: bytes | None
    width: int
    header: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    header_start: bytes = b""
    trailing: bool = False
    spans: Spans = ()


@dataclass(slots=True)
class Rows:
    """Sorted lines.

    Parameters
    ----------
    body
        Rows of equal width with a one-byte `separator`, each ended by a newline.
    lines
        1-based line of each row, or None where row `i` stands on line ``first_line + i``.
    line_count
        Lines of the body.
    foreign
        Whether the body ends below a header that names other columns.
    """

    body: bytes
    separator: bytes
    count: int
    first_line: int
    lines: NDArray[np.int64] | None = None
    restarts: list[int] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)
    rejected_count: int = 0
    reasons: dict[str, int] = field(default_factory=dict)
    line_count: int = 0
    foreign: bool = False

    def line(self, row: int) -> int:
        """1-based line of a row."""
        return int(self.lines[row]) if self.lines is not None else self.first_line + row


def sort_lines(
    body: bytes, rules: RowRules, first_line: int, *, cut_off: bool, foreign: bool = False
) -> Rows:
    """Sort the lines of a body.

    Parameters
    ----------
    body
        UTF-8 text with newlines as line ends.
    first_line
        1-based line the body starts on.
    cut_off
        Whether a last line without a line end is the end of the file (and perhaps cut off).
    foreign
        Whether the body starts below a header that names other columns (`Rows.foreign`).

    Raises
    ------
    UnusableRun
        Where a line is longer than `LONGEST_LINE`.
    """
    open_end = bool(body) and not body.endswith(b"\n")
    if open_end:
        body += b"\n"
    plain, separator = one_byte_delimiters(body, rules.delimiter, rules.quote)
    maybe_cut = open_end and cut_off
    if not foreign and not (maybe_cut and last_looks_cut(plain, separator)):
        rows = _regular(plain, separator, rules, first_line)
        if rows is not None:
            return rows
    sorter = _Sorter(body, plain, separator, rules, first_line)
    return sorter.sort(cut_off=maybe_cut, foreign=foreign)


def _regular(plain: bytes, separator: bytes, rules: RowRules, first_line: int) -> Rows | None:
    """The body as it stands, where every line has the same number of cells and nothing is odd."""
    if b"\0" in plain:
        return None
    array = np.frombuffer(plain, dtype=np.uint8)
    cuts = (array == separator[0]) | (array == NEWLINE)
    if rules.quote and rules.quote in plain:
        marks = array == rules.quote[0]
        inside = (np.cumsum(marks, dtype=np.uint8) & 1).astype(bool)
        if (
            inside[array == NEWLINE].any()
            or stray_quotes(array, inside, separator, rules.quote).size
        ):
            return None
        cuts &= ~inside
    positions = np.flatnonzero(cuts)
    ends = positions[rules.width - 1 :: rules.width]
    newlines = array == NEWLINE
    lines = int(np.count_nonzero(newlines))
    if positions.size != lines * rules.width or not newlines[ends].all():
        return None
    lengths = np.diff(ends, prepend=-1)
    # a line of nothing but delimiters is as long as it has cells
    if lengths.size and (lengths.min() <= rules.width or lengths.max() > LONGEST_LINE):
        return None
    starts = ends - lengths + 1
    if (array[starts] == COMMENT[0]).any() or _like_header(array, starts, rules).size:
        return None
    return Rows(plain, separator, lines, first_line, line_count=lines)


def _like_header(
    array: NDArray[np.uint8], starts: NDArray[np.int64], rules: RowRules
) -> NDArray[np.int64]:
    """Those of some lines (by their first byte) that begin as the header does."""
    if not rules.header_start:
        return starts[:0]
    found = starts[starts + len(rules.header_start) <= array.size]
    for offset, byte in enumerate(rules.header_start):
        found = found[array[found + offset] == byte]
        if not found.size:
            break
    return found


class _Sorter:
    """Takes the odd lines of one body one by one."""

    def __init__(
        self, body: bytes, plain: bytes, separator: bytes, rules: RowRules, first_line: int
    ) -> None:
        self._rules = rules
        self._plain = plain
        self._separator = separator
        array = np.frombuffer(plain, dtype=np.uint8)
        self._ends = np.flatnonzero(array == NEWLINE)
        self._starts = np.concatenate(([0], self._ends[:-1] + 1))[: self._ends.size]
        self._original = body.split(b"\n") if plain is not body else None
        self._refuse_long_lines(first_line)
        self._rows = Rows(b"", separator, 0, first_line, line_count=int(self._ends.size))
        self._cells = self._count_cells(array)

    def sort(self, *, cut_off: bool, foreign: bool) -> Rows:
        """Take the lines in order; `cut_off` and `foreign` as in `sort_lines`."""
        self._cut_off, self._foreign = cut_off, foreign
        pieces: list[bytes] = []
        numbers: list[NDArray[np.int64]] = []
        rows, done = 0, 0
        for at in [*self._odd_lines().tolist(), self._ends.size]:
            if at < done:
                continue
            if at > done and self._foreign:
                for line in range(done, at):
                    self._reject(line, self._text(line), _FOREIGN)
            elif at > done:
                pieces.append(self._plain[self._starts[done] : self._ends[at - 1] + 1])
                numbers.append(np.arange(done, at))
                rows += at - done
            if at == self._ends.size:
                break
            fixed, used = self._take(at, rows)
            if fixed is not None:
                pieces.append(fixed)
                numbers.append(np.array([at]))
                rows += 1
            done = at + used
        result = self._rows
        result.body = b"".join(pieces)
        result.count = rows
        result.foreign = self._foreign
        result.lines = (
            np.concatenate(numbers) + result.first_line if numbers else np.empty(0, dtype=np.int64)
        )
        return result

    def _refuse_long_lines(self, first_line: int) -> None:
        lengths = self._ends - self._starts
        if lengths.size and lengths.max() > LONGEST_LINE:
            at = int(lengths.argmax())
            raise UnusableRun(
                Fault(
                    f"{self._rules.file} line {first_line + at}",
                    f"a line of {int(lengths[at])} bytes",
                    f"lines of at most {LONGEST_LINE} bytes",
                    "check that this is the logger's file and that its line ends are whole",
                )
            )

    def _count_cells(self, array: NDArray[np.uint8]) -> NDArray[np.int64]:
        marks = array == self._separator[0]
        quote = self._rules.quote
        self._unbalanced = np.zeros(self._ends.size, dtype=bool)
        self._stray = np.zeros(self._ends.size, dtype=bool)
        if quote and quote in self._plain:
            inside = inside_quotes(array, quote)
            marks &= ~inside
            stray = stray_quotes(array, inside, self._separator, quote)
            self._stray[np.searchsorted(self._ends, stray)] = True
            quotes = np.searchsorted(np.flatnonzero(array == quote[0]), self._ends)
            self._unbalanced = np.diff(quotes, prepend=0) % 2 == 1
        found = np.searchsorted(np.flatnonzero(marks), self._ends)
        return np.diff(found, prepend=0) + 1

    def _odd_lines(self) -> NDArray[np.int64]:
        """Lines that are not plainly a row."""
        odd = (self._cells != self._rules.width) | self._unbalanced | self._stray
        odd |= self._ends - self._starts < self._rules.width
        array = np.frombuffer(self._plain, dtype=np.uint8)
        if b"\0" in self._plain:
            odd[np.searchsorted(self._ends, np.flatnonzero(array == 0))] = True
        odd |= array[self._starts] == COMMENT[0]
        if self._cut_off and odd.size:
            odd[-1] = True
        like_header = _like_header(array, self._starts, self._rules)
        for at in np.searchsorted(self._starts, like_header).tolist():
            odd[at] = True
            for near in (at - 1, at + 1):
                if 0 <= near < odd.size and self._is(near, self._rules.units):
                    odd[near] = True
        return np.flatnonzero(odd)

    def _text(self, at: int) -> bytes:
        if self._original is not None:
            return self._original[at]
        return self._plain[self._starts[at] : self._ends[at]]

    def _split(self, at: int) -> tuple[str, ...]:
        text = self._text(at).decode("utf-8", errors="replace")
        quote = self._rules.quote.decode() if self._rules.quote else None
        cells = split_cells(text, self._rules.delimiter, quote)
        while cells and not cells[-1]:
            cells.pop()
        return tuple(cells)

    def _is(self, at: int, cells: tuple[str, ...]) -> bool:
        return bool(cells) and self._split(at) == cells

    def _take(self, at: int, rows: int) -> tuple[bytes | None, int]:
        """Deal with one odd line: a row to keep (or None) and how many lines it took."""
        text = self._text(at)
        plain = self._plain[self._starts[at] : self._ends[at]]
        rules = self._rules
        if not plain.replace(self._separator, b"").strip():
            return None, 1  # blank, or nothing but delimiters
        if rules.header_start and plain.startswith(rules.header_start) and self._header(at, rows):
            return None, 1
        if self._is(at, rules.units) and self._beside_header(at):
            return None, 1
        if self._foreign:
            return self._reject(at, text, _FOREIGN), 1
        if b"\0" in plain:
            return self._reject(at, text, "NUL bytes, as a loss of power leaves them"), 1
        if plain.startswith(COMMENT) and not plain.upper().startswith(b"#N"):
            return self._reject(at, text, "a comment, no reading"), 1
        if self._unbalanced[at] or self._stray[at]:
            return self._mend_quotes(at, text, plain)
        return self._mend(at, text, plain), 1

    def _header(self, at: int, rows: int) -> bool:
        """Whether a line is a header; where it names other columns, what follows is foreign."""
        rules = self._rules
        cells = self._split(at)
        if cells != rules.header:
            shared = sum(cell in rules.header for cell in cells)
            if 2 * shared < len(cells) or len(cells) < 2:
                return False
            self._foreign = True
            self._reject(at, self._text(at), "another header, which names other columns")
            return True
        self._foreign = False
        if not self._rows.restarts or self._rows.restarts[-1] != rows:
            self._rows.restarts.append(rows)
        return True

    def _beside_header(self, at: int) -> bool:
        return any(
            self._is(near, self._rules.header)
            for near in (at - 1, at + 1)
            if 0 <= near < self._ends.size
        )

    def _mend_quotes(self, at: int, text: bytes, plain: bytes) -> tuple[bytes | None, int]:
        """Put right quotation marks inside cells, and rows whose quoted cell holds line ends."""
        quote = self._rules.quote or b'"'
        width = self._rules.width
        fixed = requote(plain, self._separator, quote, width)
        if fixed is not None:
            return fixed + b"\n", 1
        joined = text
        for used in range(2, _QUOTED_LINES):
            if not self._unbalanced[at] or at + used > self._ends.size:
                break
            joined += b" " + self._text(at + used - 1)
            if joined.count(quote) % 2 == 0:
                plain, _ = one_byte_delimiters(joined, self._rules.delimiter, quote)
                fixed = requote(plain, self._separator, quote, width)
                if fixed is not None:
                    return fixed + b"\n", used
                break
        return self._reject(at, text, "quotation marks that part no cells"), 1

    def _mend(self, at: int, text: bytes, plain: bytes) -> bytes | None:
        """Put right the end of a line, else reject it."""
        separator, width = self._separator, self._rules.width
        cells = int(self._cells[at])
        last = self._cut_off and at == self._ends.size - 1
        if cells == width:
            if last and last_looks_cut(self._plain, separator):
                return self._reject(at, text, "a last line that is cut off")
            return plain + b"\n"
        surplus = cells - width
        if surplus > 0 and plain.rstrip(b" ").endswith(separator * surplus):
            return plain.rstrip(b" ")[:-surplus] + b"\n"
        if surplus == -1 and self._rules.trailing and not plain.endswith(separator) and not last:
            return plain + separator + b"\n"
        if surplus < 0 and self._rules.spans:
            placed = place_cells(text.decode("utf-8", errors="replace"), self._rules.spans)
            if placed is not None:
                return separator.join(cell.encode() for cell in placed) + b"\n"
        if last and surplus < 0:
            return self._reject(at, text, "a last line that is cut off")
        if kind_of("".join(self._split(at)[:1])) == "X":
            return self._reject(at, text, "text between the readings")
        return self._reject(at, text, f"{cells} cells where the other lines have {width}")

    def _reject(self, at: int, text: bytes, reason: str) -> bytes | None:
        """Note a line that is not used; it makes no row."""
        rows = self._rows
        rows.rejected_count += 1
        kind = "a wrong number of cells" if "cells where" in reason else reason
        rows.reasons[kind] = rows.reasons.get(kind, 0) + 1
        if len(rows.rejected) < REJECTS_KEPT:
            shown = text[:800].decode("utf-8", errors="replace")[:200]
            rows.rejected.append(Rejected(self._rules.file, rows.first_line + at, shown, reason))
        return None
