"""Delimited text of any dialect → raw columns, and everything that was not used.

::

    table = read_text_table(path, log)       # or: for table in iter_text(path, log)
    at = table.find("CH1")                   # by name, name without its unit, or 1-based number
    numbers = table.numbers(at)              # Float64, null where there is no reading
    words = table.text(at)                   # as written, for times

Of a wide table only the columns asked for are parsed. A long log (one reading a row, the channel's
name beside it) is taken apart by ``table.long(name, value, unit)``, whose channels give the rows
they were read in, so that the time column is taken at those rows.

How a file is told apart: `ingest.table.text.encoding` (characters), `ingest.table.text.dialect`
(delimiter), `ingest.table.text.layout` (names and units), `ingest.table.marks` (decimal mark),
`ingest.table.text.parse` (columns, and whether every line is a row), `ingest.table.text.rows` (odd
lines), `ingest.table.cells` (words for no reading).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import field
from typing import TYPE_CHECKING, Final

import polars as pl

from ingest.errors import Fault, UnusableRun
from ingest.findings import finding
from ingest.run import Finding, Rejected
from ingest.table.cells import CellReader
from ingest.table.columns import long_table
from ingest.table.names import match_name, match_number
from ingest.table.text.dialect import Dialect
from ingest.table.text.parse import (
    NARROW,
    CellKind,
    column_kinds,
    parse_columns,
    parse_whole,
    place_of,
)
from ingest.table.text.reading import Scheme, make_scheme
from ingest.table.text.rows import Rows, sort_lines
from ingest.table.text.source import Block, Source
from ingest.values import dataclass

if TYPE_CHECKING:
    from pathlib import Path

    from ingest.setup.model import LogTable
    from ingest.table.cells import Numbers
    from ingest.table.long import LongTable


REJECTED_LINES: Final = finding(
    "rejected_lines",
    "{count} lines not used: {reason}",
    do="Look at these lines of the log; the rest of it is used.",
)
REPEATED_HEADER: Final = finding(
    "repeated_header",
    "the header is repeated {times} times (before line {lines}): the logger was restarted",
    do="Check the logger's supply.",
)
DAMAGED_CHARACTERS: Final = finding(
    "damaged_characters",
    "{count} characters are not {encoding} and were replaced",
    do="State encoding in [log] if names or units look wrong.",
)


@dataclass(frozen=True, eq=False)
class TextTable:
    """Raw columns of a log, or of a part of one.

    Parameters
    ----------
    file
        Name of the file.
    names
        Column names as in the file, stripped; numbers where there is no header.
    units
        Unit of each column from the units row, else from its name, else None.
    dialect
        How the file is written.
    height
        Rows.
    first_row
        Rows of the file before this part.
    restarts
        Rows of this part before which the header was repeated (the logger restarted).
    rejected, rejected_count
        Lines not used (the first thousand) and how many there are.
    findings
        What is doubtful about the file as a whole.
    sha256
        Hex digest of the file's bytes as they were read, where it was asked for.
    """

    file: str
    names: tuple[str, ...]
    units: tuple[str | None, ...]
    dialect: Dialect
    height: int
    first_row: int
    restarts: tuple[int, ...]
    rejected: tuple[Rejected, ...]
    rejected_count: int
    findings: tuple[Finding, ...]
    sha256: str | None
    _scheme: Scheme = field(repr=False)
    _rows: Rows = field(repr=False)
    _reader: CellReader = field(repr=False)
    _text: dict[int, pl.Series] = field(default_factory=dict, repr=False)
    _parsed: dict[int, pl.Series] = field(default_factory=dict, repr=False)

    @property
    def has_names(self) -> bool:
        """Whether a line of the file names the columns."""
        return self.dialect.header_line is not None

    @property
    def remarks(self) -> tuple[tuple[str, ...], ...]:
        """Lines above the readings that are neither names nor units, as stripped cells."""
        delimiter = self.dialect.delimiter
        return tuple(
            tuple(cell.strip(" \t\"'") for cell in line.split(delimiter))
            for line in self.dialect.metadata
        )

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.names)

    def find(self, ref: str | int) -> int:
        """0-based index of a column.

        Parameters
        ----------
        ref
            A name (see `ingest.table.names.match_name`), or a 1-based number.

        Raises
        ------
        UnusableRun
            Where there is no such column, or more than one.
        """
        if isinstance(ref, int):
            return match_number(ref, self.width, self.file)
        if self._scheme.doubtful:
            raise UnusableRun(
                Fault(
                    self.file,
                    self._scheme.doubtful,
                    "a name over every column",
                    f"give the number of the column instead of {ref!r}",
                )
            )
        for row in (self.names, *self._scheme.aliases):
            if ref.strip() in row:
                return match_name(ref, row, self.file)
        if ref.strip() in self._scheme.surplus:
            raise UnusableRun(
                Fault(
                    self.file,
                    f"the name {ref!r} with no cells below it",
                    "readings in that column",
                    "check the logger's channel, or leave it out of run.toml",
                )
            )
        return match_name(ref, self.names, self.file)

    def line(self, row: int) -> int:
        """1-based line of the file that row `row` stands on."""
        return self._rows.line(row)

    def prepare(self, numbers: Sequence[int] = (), text: Sequence[int] = ()) -> None:
        """Parse some columns in one pass (worth it for wide tables only)."""
        plain = self._scheme.has_plain_numbers(self._rows.body)
        as_numbers = [at for at in numbers if at not in self._parsed] if plain else []
        as_text = [at for at in (*text, *(() if as_numbers else numbers)) if at not in self._text]
        if not as_numbers and not as_text:
            return
        places = self._scheme.columns
        kinds: dict[int, CellKind] = {places[at]: pl.Float64 for at in as_numbers}
        kinds |= {places[at]: pl.String for at in as_text}
        rows = self._rows
        self._keep(parse_columns(rows.body, rows.separator, rows.count, self._scheme, kinds))

    def _keep(self, frame: pl.DataFrame, *, bare: bool = False) -> None:
        """Keep what was parsed: numbers as they are, text without the blanks around it.

        With `bare` there are none.
        """
        first = self._scheme.columns[0]
        for column in frame.get_columns():
            at = place_of(column.name) - first
            if column.dtype == pl.String:
                self._text[at] = column if bare else _stripped(column)
            else:
                self._parsed[at] = column

    def text(self, index: int) -> pl.Series:
        """Cells of a column as written, stripped; null where empty. Shape (height,)."""
        if index not in self._text:
            self.prepare(text=[index])
        return self._text[index]

    def numbers(self, index: int) -> Numbers:
        """A column as numbers. Shape (height,)."""
        if index not in self._parsed and index not in self._text:
            self.prepare(*self._neighbors(index))
        parsed = self._parsed.get(index)
        if parsed is not None:
            numbers = self._reader.from_parsed(parsed)
            if numbers is not None:
                return numbers
            if index not in self._text:
                gaps = [at for at, series in self._parsed.items() if _has_gaps(series)]
                self.prepare(text=gaps)
        return self._reader.from_text(self.text(index))

    def long(self, name: str | int, value: str | int, unit: str | int | None = None) -> LongTable:
        """Take a long log apart by the channel names in column `name`.

        Raises
        ------
        UnusableRun
            Where one of the columns is not there.
        """
        return long_table(self, self._reader, name, value, unit)

    def _neighbors(self, index: int) -> tuple[list[int], list[int]]:
        """Columns to parse along with one: all of a narrow table, as its first lines suggest."""
        if self.width > NARROW:
            return [index], []
        kinds = column_kinds(self._scheme)
        numbers = [
            at for at, place in enumerate(self._scheme.columns) if kinds[place] is pl.Float64
        ]
        return numbers, [at for at in range(self.width) if at not in numbers]


def read_text_table(
    path: Path,
    log: LogTable,
    *,
    max_bytes: int | None = None,
    hashed: bool = False,
    content: bytes | None = None,
) -> TextTable:
    """Read a whole log, or its first `max_bytes`; with `hashed` it has its `TextTable.sha256`.

    `content` is read in place of the file's own bytes, where it is given.

    Raises
    ------
    UnusableRun
        Where the file cannot be read or holds no table.
    """
    with Source(path, log, content) as source:
        scheme = make_scheme(source, log)
        block = source.whole(max_bytes, scheme.dialect.first_data_line - 1, hashed=hashed)
        table = _make_table(scheme, log, block, _State())
    if not table.height and max_bytes is None:
        raise UnusableRun(_no_rows(table))
    return table


def iter_text(path: Path, log: LogTable, *, chunk_bytes: int = 64 << 20) -> Iterator[TextTable]:
    """Read a log in parts of about `chunk_bytes`, all with the same columns.

    The rows are those of `read_text_table`, except that a quoted cell which holds line ends is not
    put together across the end of a part; its lines are then among the rejected ones.

    Raises
    ------
    UnusableRun
        Where the file cannot be read or holds no table.
    """
    with Source(path, log) as source:
        scheme = make_scheme(source, log)
        state = _State()
        table: TextTable | None = None
        for block in source.blocks(chunk_bytes):
            table = _make_table(scheme, log, block, state)
            yield table
        if table is not None and not state.rows:
            raise UnusableRun(_no_rows(table))


@dataclass(slots=True)
class _State:
    """What goes on from one part of a file to the next."""

    lines: int = 0
    rows: int = 0
    foreign: bool = False


def _make_table(scheme: Scheme, log: LogTable, block: Block, state: _State) -> TextTable:
    body, first_line = block.text, state.lines + block.skipped + 1
    if scheme.strip_nul:
        body = body.translate(None, b"\0")
    if scheme.mend is not None:
        body = scheme.mend(body)
    if first_line < scheme.dialect.first_data_line:
        body, skipped = _after_lines(body, scheme.dialect.first_data_line - first_line)
        first_line += skipped
    early = None
    if log.layout == "wide" and not state.foreign:
        early = parse_whole(body, scheme, first_line, cut_off=block.last)
    rows = early.rows if early is not None else None
    if rows is None:
        rows = sort_lines(body, scheme.rules, first_line, cut_off=block.last, foreign=state.foreign)
        scheme.join(rows)
    name = scheme.rules.file
    above = scheme.rejected if not state.lines else ()

    def reject(row: int, text: str, reason: str) -> Rejected:
        return Rejected(name, rows.line(row), text[:200], reason)

    table = TextTable(
        file=name,
        names=scheme.names,
        units=scheme.units,
        dialect=scheme.dialect,
        height=rows.count,
        first_row=state.rows,
        restarts=tuple(rows.restarts),
        rejected=(*above, *rows.rejected),
        rejected_count=len(above) + rows.rejected_count,
        findings=(
            *(scheme.findings if not state.lines else ()),
            *_row_findings(scheme, rows, block, len(above)),
        ),
        sha256=block.sha256,
        _scheme=scheme,
        _rows=rows,
        _reader=CellReader(scheme.dialect.marks, log.no_reading, reject),
    )
    if early is not None and early.fits(rows):
        table._keep(early.frame, bare=early.bare)
    state.lines = first_line - 1 + rows.line_count
    state.rows += rows.count
    state.foreign = rows.foreign
    return table


def _row_findings(scheme: Scheme, rows: Rows, block: Block, above: int) -> list[Finding]:
    reasons = dict(rows.reasons)
    if above:
        reasons["above the first reading"] = above
    found = [
        REJECTED_LINES.found(count=count, reason=reason, evidence={"count": float(count)})
        for reason, count in reasons.items()
    ]
    if rows.restarts:
        lines = ", ".join(
            str(rows.line(row)) if row < rows.count else "the end" for row in rows.restarts[:5]
        )
        found.append(
            REPEATED_HEADER.found(
                times=len(rows.restarts),
                lines=lines,
                evidence={"count": float(len(rows.restarts))},
            )
        )
    if block.damaged:
        found.append(
            DAMAGED_CHARACTERS.found(
                count=block.damaged,
                encoding=scheme.dialect.encoding,
                evidence={"count": float(block.damaged)},
            )
        )
    found.extend(scheme.dropped_cells(rows))
    return found


def _no_rows(table: TextTable) -> Fault:
    first = table.rejected[0] if table.rejected else None
    found = f"no reading; line {first.line} has {first.reason}" if first else "no reading"
    return Fault(table.file, found, "lines of readings", "check that the logger was recording")


def _after_lines(body: bytes, most: int) -> tuple[bytes, int]:
    """What stands below the first lines, and how many of these there are."""
    at = 0
    for count in range(most):
        end = body.find(b"\n", at)
        if end < 0:
            return body[at:], count
        at = end + 1
    return body[at:], most


def _has_gaps(series: pl.Series) -> bool:
    return bool(series.null_count()) or bool(series.is_nan().any())


def _stripped(cells: pl.Series) -> pl.Series:
    stripped = cells.str.strip_chars()
    empty = stripped == ""
    return stripped.set(empty, None) if empty.any() else stripped
