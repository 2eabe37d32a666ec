"""The scheme for reading one file: its dialect, names and columns, from its first lines."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from ingest.errors import Fault, UnusableRun
from ingest.findings import finding
from ingest.run import Finding, Rejected
from ingest.table.marks import MIXED_DECIMAL_MARKS, Marks, marks_of_sample, other_mark
from ingest.table.text.bytes import LONGEST_LINE, NEWLINE, start_of_header
from ingest.table.text.dialect import Cut, Dialect, Line, find_cut
from ingest.table.text.habits import Mend, find_mend
from ingest.table.text.layout import Layout, find_layout
from ingest.table.text.rows import RowRules, Rows
from ingest.table.text.source import LARGEST_SAMPLE, SAMPLE, Source
from ingest.table.text.spans import find_spans
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.setup.model import LogTable

ENCODING_GUESSED: Final = finding(
    "encoding_guessed",
    "letters that are not ASCII were read as {encoding}",
    do='State encoding = "..." in [log] where names look wrong.',
)

CELLS_WITHOUT_NAME: Final = finding(
    "cells_without_name",
    "{count} lines have a cell beyond the last column, which is not used",
    do="Give the column a name in the log's header if it is needed.",
)
MIXED_IN_FILE: Final = MIXED_DECIMAL_MARKS.also(
    "some columns have decimal points and some decimal commas; each is read by its own"
)

MAX_COLUMNS: Final = 20_000
LONE_LINE: Final = 1 << 15
"""Bytes of an only line; what is longer was many lines once."""
_FEW_LINES: Final = 20
_QUOTED_LINES: Final = 20
_ROWS: Final = 50
_OPENED: Final = re.compile(r'(?:^|[,;\t|])\s*"')


@dataclass(frozen=True)
class Scheme:
    """How to read a file.

    Parameters
    ----------
    names, units
        One a column.
    kinds
        Usual kind of the cells of each column (``N`` beyond the first few dozen).
    columns
        Where each column stands (0-based) among the cells of a row.
    width
        Cells in a row after joining.
    strip_nul
        Whether NUL bytes fill up the lines and are taken out.
    mend
        Puts the lines right before they are taken apart, where they need it.
    """

    dialect: Dialect
    rules: RowRules
    names: tuple[str, ...]
    units: tuple[str | None, ...]
    kinds: tuple[str, ...]
    columns: tuple[int, ...]
    width: int
    aliases: tuple[tuple[str, ...], ...] = ()
    doubtful: str | None = None
    surplus: tuple[str, ...] = ()
    strip_nul: bool = False
    mend: Mend | None = None
    findings: tuple[Finding, ...] = ()
    rejected: tuple[Rejected, ...] = ()

    def has_plain_numbers(self, body: bytes) -> bool:
        """Whether the numbers of a body can be parsed as they stand, with a decimal point."""
        marks = self.dialect.marks
        if marks.decimal != "." or marks.thousands is not None:
            return False
        return marks.proven or b"." not in body

    def join(self, rows: Rows) -> None:
        """Turn the delimiters that belong to numbers or times into what they stand for."""
        joins = self.dialect.joins
        if not joins or not rows.count:
            return
        array = np.frombuffer(rows.body, dtype=np.uint8).copy()
        cuts = np.flatnonzero((array == rows.separator[0]) | (array == NEWLINE))
        array[cuts.reshape(rows.count, self.rules.width)[:, list(joins)]] = ord(
            self.dialect.join_with
        )
        rows.body = array.tobytes()

    def dropped_cells(self, rows: Rows) -> list[Finding]:
        """Cells beyond the last column of lines that usually end in delimiters."""
        trailing = self.dialect.trailing_delimiters
        if not trailing:
            return []
        filled = rows.count - rows.body.count(rows.separator * trailing + b"\n")
        if not filled:
            return []
        return [CELLS_WITHOUT_NAME.found(count=filled, evidence={"count": float(filled)})]


def make_scheme(source: Source, log: LogTable) -> Scheme:
    """Make the scheme for a file.

    Raises
    ------
    UnusableRun
        Where its first lines hold no table.
    """
    size = SAMPLE
    while True:
        text, whole = source.head(size)
        if not whole and text.count(b"\n") < _FEW_LINES and size < LARGEST_SAMPLE:
            size *= 8
            continue
        try:
            return _scheme(source, log, text)
        except UnusableRun:
            # perhaps the remarks above the readings are longer than the sample
            if whole or size >= LARGEST_SAMPLE:
                raise
            size *= 8


def _scheme(source: Source, log: LogTable, text: bytes) -> Scheme:
    all_lines = text.split(b"\n")
    nul = b"\0" in text
    strip_nul = nul and 2 * sum(b"\0" in line for line in all_lines) > len(all_lines)
    longest = max(map(len, all_lines))
    _refuse_endless(source, longest)
    mend = find_mend(text.decode("utf-8", errors="replace"))
    text = mend(text) if mend is not None else text
    lines = sample_lines(text.replace(b"\0", b"").decode("utf-8", errors="replace"))
    cut = _cut(source, log, lines, longest)
    layout = find_layout(lines, cut, log, source.name)
    sample = [line for line in lines if line.number >= layout.first.number]
    rows = [row for line in sample[-_ROWS:] if len(row := cut.cells(line.text)) == cut.width]
    leading, trailing = _edges(layout, rows)
    marks, findings = _marks(source, log, sample, layout, cut)
    inner = slice(leading, len(layout.names) - trailing)
    return Scheme(
        dialect=_dialect(source, cut, layout, marks, trailing=trailing),
        rules=_rules(source, cut, layout, sample, trailing=trailing),
        names=layout.names[inner],
        units=layout.units[inner],
        kinds=_kinds(cut, layout)[inner],
        columns=tuple(range(len(layout.names)))[inner],
        width=cut.width - len(layout.joins),
        aliases=tuple(row[inner] for row in layout.aliases),
        doubtful=layout.doubtful,
        surplus=layout.surplus,
        strip_nul=strip_nul,
        mend=mend,
        findings=(*_encoding_finding(source), *layout.findings, *findings),
        rejected=layout.rejected,
    )


def _refuse_endless(source: Source, longest: int) -> None:
    if longest > LONGEST_LINE:
        raise UnusableRun(
            Fault(
                source.name,
                f"a line of {longest} bytes or more",
                f"lines of at most {LONGEST_LINE} bytes",
                "check that this is the logger's file and that its line ends are whole",
            )
        )


def _cut(source: Source, log: LogTable, lines: list[Line], longest: int) -> Cut:
    """How the lines are cut into cells; refuses a text that cannot be a log."""
    below = [line for line in lines if line.number > (log.header_row or 0)]
    if lines and not below:
        raise UnusableRun(
            Fault(
                f"{source.name} line {log.header_row}",
                f"the end of the file (its last line is {lines[-1].number})",
                "the names of the columns, as [log] header_row says",
                "correct header_row in run.toml",
            )
        )
    if len(below) == 1 and longest > LONE_LINE:
        raise UnusableRun(
            Fault(
                source.name,
                f"one line of {longest} bytes and no other",
                "one line a reading",
                "its line ends are lost: save it again from the logger's own file",
            )
        )
    cut = find_cut(below, log, source.name)
    if cut.width > MAX_COLUMNS:
        raise UnusableRun(
            Fault(
                source.name,
                f"{cut.width} columns",
                f"at most {MAX_COLUMNS}",
                "state delimiter in [log] if the columns were split wrongly",
            )
        )
    return cut


def _encoding_finding(source: Source) -> list[Finding]:
    if not source.encoding.doubtful:
        return []
    return [ENCODING_GUESSED.found(encoding=source.encoding.name)]


def sample_lines(text: str) -> list[Line]:
    """Lines that are not blank; a quoted cell that holds line ends makes one line of them."""
    lines: list[Line] = []
    physical = text.split("\n")
    if '"' not in text:
        return [Line(at, line) for at, line in enumerate(physical, start=1) if line.strip()]
    at = 0
    while at < len(physical):
        line, used = physical[at], 1
        if line.count('"') % 2 and _OPENED.search(line):
            joined = line
            for more in range(1, min(_QUOTED_LINES, len(physical) - at)):
                joined += " " + physical[at + more]
                if joined.count('"') % 2 == 0:
                    line, used = joined, more + 1
                    break
        if line.strip():
            lines.append(Line(at + 1, line))
        at += used
    return lines


def _edges(layout: Layout, rows: Sequence[Sequence[str]]) -> tuple[bool, int]:
    """Columns at the ends that are only what a leading or trailing delimiters make."""
    if len(layout.names) < 3 or not rows or layout.joins:
        return False, 0
    nameless = layout.header is None
    bare = [
        (nameless or not name) and not any(cells)
        for name, cells in zip(layout.names, zip(*rows, strict=True), strict=True)
    ]
    trailing = next((at for at, is_bare in enumerate(reversed(bare)) if not is_bare), 0)
    return bare[0] and trailing < len(bare) - 1, trailing


def _marks(
    source: Source, log: LogTable, sample: Sequence[Line], layout: Layout, cut: Cut
) -> tuple[Marks, list[Finding]]:
    if log.decimal or log.thousands:
        decimal = log.decimal or (other_mark(log.thousands) if log.thousands in (".", ",") else ".")
        return Marks(decimal, proven=True, thousands=log.thousands or None), []
    if layout.joins and layout.join_with == ".":
        return Marks(".", proven=True), []
    near = "\n".join(line.text for line in sample)
    marks, both = marks_of_sample(near, cut.delimiter)
    if not marks.proven and not both:
        far = b"\n".join(source.far()).decode("utf-8", errors="replace")
        if far:
            marks, both = marks_of_sample(near + "\n" + far, cut.delimiter)
    if not both:
        return marks, []
    return marks, [MIXED_IN_FILE.found()]


def _dialect(source: Source, cut: Cut, layout: Layout, marks: Marks, *, trailing: int) -> Dialect:
    return Dialect(
        encoding=source.encoding.name,
        delimiter=cut.delimiter,
        quote=cut.quote,
        marks=marks,
        width=cut.width,
        header_line=layout.header.number if layout.header else None,
        units_line=layout.units_row.number if layout.units_row else None,
        first_data_line=layout.first.number,
        metadata=layout.metadata,
        joins=layout.joins,
        join_with=layout.join_with,
        trailing_delimiters=trailing,
    )


def _rules(
    source: Source, cut: Cut, layout: Layout, sample: Sequence[Line], *, trailing: int
) -> RowRules:
    quote = (cut.quote or '"').encode()
    header = layout.header.text.encode() if layout.header else b""
    return RowRules(
        file=source.name,
        delimiter=cut.delimiter,
        quote=quote,
        width=cut.width,
        header=_filled_cells(cut, layout.header),
        units=_filled_cells(cut, layout.units_row),
        header_start=start_of_header(header, cut.delimiter, quote),
        trailing=trailing > 0,
        spans=find_spans(sample, cut),
    )


def _filled_cells(cut: Cut, line: Line | None) -> tuple[str, ...]:
    cells = cut.cells(line.text) if line else []
    while cells and not cells[-1]:
        cells.pop()
    return tuple(cells)


def _kinds(cut: Cut, layout: Layout) -> tuple[str, ...]:
    """Kind of each column after joining; numbers where the sample did not look."""
    kinds = list(cut.kinds) + ["N"] * (cut.width - len(cut.kinds))
    for at in reversed(layout.joins):
        if at + 1 < len(kinds):
            kinds[at : at + 2] = ["T" if "T" in kinds[at : at + 2] else kinds[at]]
    return tuple(kinds[: len(layout.names)])
