"""Rows of equal width to columns, and what the parser's answer proves of the lines themselves.

A narrow log is parsed before its lines are looked at. Where every cell of every column came out,
and there are just as many delimiters as that takes, no line can be odd, so that none is searched
for: that would take longer than parsing.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.table.text.bytes import LONGEST_LINE, NEWLINE, last_looks_cut
from ingest.table.text.dialect import BLANKS, WIDE_BLANKS, split_cells
from ingest.table.text.rows import COMMENT, RowRules, Rows
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.table.text.reading import Scheme

NARROW: Final = 64
"""Tables of at most this many columns are parsed whole."""

BLOCK: Final = 1 << 17

CellKind = type[pl.Float64] | type[pl.String]


@dataclass(frozen=True, slots=True)
class WholeParse:
    """Every column of a body, parsed before its lines were sorted.

    Parameters
    ----------
    frame
        As of `parse_columns`.
    rows
        The body's rows, where the parse proves that each of its lines is one; else None.
    bare
        Whether no cell of text need be stripped, as no blank stands anywhere.
    """

    frame: pl.DataFrame
    rows: Rows | None
    bare: bool

    def fits(self, rows: Rows) -> bool:
        """Whether these rows, sorted line by line, are the lines that were parsed."""
        return rows.lines is None and rows.count == self.frame.height


def parsed_name(index: int) -> str:
    """Name of the parsed column at a place (0-based) among the cells of a row."""
    return f"column_{index + 1}"


def place_of(name: str) -> int:
    """The place again, by `parsed_name`."""
    return int(name.rpartition("_")[2]) - 1


def column_kinds(scheme: Scheme) -> dict[int, CellKind]:
    """What each column is parsed as, by its place, as the file's first lines suggest."""
    return {
        place: pl.Float64 if kind in "NE" else pl.String
        for place, kind in zip(scheme.columns, scheme.kinds, strict=True)
    }


def parse_columns(
    body: bytes, separator: bytes, count: int, scheme: Scheme, kinds: Mapping[int, CellKind]
) -> pl.DataFrame:
    """Parse some columns of a body of equal rows.

    Parameters
    ----------
    body
        Rows, each ended by a newline.
    separator
        The one byte that parts their cells.
    count
        How many rows there are.
    scheme
        The file's scheme.
    kinds
        What to parse, by the column's place (0-based) among the cells of a row.

    Returns
    -------
    DataFrame
        One column each, called as `parsed_name` says, of `count` rows; null where a cell is empty
        or no plain number.
    """
    wanted = [parsed_name(at) for at in sorted(kinds)]
    if not count:
        return pl.DataFrame(schema={parsed_name(at): kinds[at] for at in sorted(kinds)})
    frame = _parse(body, separator, scheme, kinds, wanted)
    if frame is not None and frame.height == count:
        return frame
    # quotation marks in places that only a patient reader understands
    mark, quote = separator.decode("latin-1"), _quote(body, scheme)
    lines = body.decode("utf-8", errors="replace").split("\n")[:count]
    width = scheme.width
    cells = [(split_cells(line, mark, quote) + [""] * width)[:width] for line in lines]
    columns = list(zip(*cells, strict=True))
    return pl.DataFrame(
        {
            parsed_name(at): pl.Series(columns[at], dtype=pl.String).cast(kind, strict=False)
            for at, kind in kinds.items()
        }
    )


def _quote(body: bytes, scheme: Scheme) -> str | None:
    mark = scheme.rules.quote
    return mark.decode() if mark and mark in body else None


def _parse(
    body: bytes, separator: bytes, scheme: Scheme, kinds: Mapping[int, CellKind], wanted: list[str]
) -> pl.DataFrame | None:
    try:
        frame = pl.read_csv(
            body,
            has_header=False,
            separator=separator.decode("latin-1"),
            quote_char=_quote(body, scheme),
            schema={parsed_name(at): kinds.get(at, pl.String) for at in range(scheme.width)},
            columns=wanted if len(wanted) < scheme.width else None,
            ignore_errors=True,
        )
        return frame.rechunk()
    except pl.exceptions.PolarsError:
        return None


def parse_whole(
    body: bytes, scheme: Scheme, first_line: int, *, cut_off: bool
) -> WholeParse | None:
    """Parse all columns of a body whose lines have not been looked at.

    Parameters
    ----------
    body
        UTF-8 text with newlines as line ends.
    scheme
        The file's scheme.
    first_line
        1-based line the body starts on.
    cut_off
        Whether a last line without a line end is the end of the file (and perhaps cut off).

    Returns
    -------
    WholeParse or None
        None where the columns are many, where lines must be changed before they are parsed, or
        where all lines together have not as many cells as they should.
    """
    rules = scheme.rules
    separator = rules.delimiter.encode()
    if (
        not body
        or len(separator) != 1
        or rules.delimiter in (BLANKS, WIDE_BLANKS)
        or scheme.width > NARROW
        or scheme.dialect.joins
        or not scheme.has_plain_numbers(body)
        or (rules.quote and rules.quote in body)
    ):
        return None
    if not body.endswith(b"\n"):
        body += b"\n"
        if cut_off and last_looks_cut(body, separator):
            return None
    lines, marks = _count(np.frombuffer(body, dtype=np.uint8), NEWLINE, separator[0])
    if marks != (rules.width - 1) * lines:
        return None
    kinds = column_kinds(scheme)
    frame = _parse(body, separator, scheme, kinds, [parsed_name(at) for at in sorted(kinds)])
    if frame is None or frame.height != lines:
        return None
    regular = len(kinds) == rules.width and _proves_rows(frame, body, rules)
    return WholeParse(
        frame,
        Rows(body, separator, lines, first_line, line_count=lines) if regular else None,
        _is_bare(body) if pl.String in frame.dtypes else True,
    )


def _is_bare(body: bytes) -> bool:
    return body.isascii() and not any(blank in body for blank in b" \t\v\f")


def _proves_rows(frame: pl.DataFrame, body: bytes, rules: RowRules) -> bool:
    """Whether a parse of all columns proves that every line of the body is a row.

    No cell is missing, so no line has too few; nor has any too many, as all of them together have
    as many as they should. What would make a line no row all the same stands in no number.
    """
    if any(column.null_count() for column in frame.get_columns()):
        return False
    if pl.String in frame.dtypes and (b"\0" in body or COMMENT in body):
        return False
    if _repeats_header(body, rules.header_start):
        return False
    return len(body) <= LONGEST_LINE or _longest_line(body) <= LONGEST_LINE


def _count(array: NDArray[np.uint8], *bytes_: int) -> list[int]:
    """How often some bytes occur, counted block by block so that each stays in the cache."""
    counts = [0] * len(bytes_)
    for start in range(0, array.size, BLOCK):
        block = array[start : start + BLOCK]
        for at, byte in enumerate(bytes_):
            counts[at] += int(np.count_nonzero(block == byte))
    return counts


def _repeats_header(body: bytes, start: bytes) -> bool:
    # a byte that stands nowhere is found missing sooner than several in a row
    if not start or not all(byte in body for byte in set(start)):
        return False
    return body.startswith(start) or b"\n" + start in body


def _longest_line(body: bytes) -> int:
    array = np.frombuffer(body, dtype=np.uint8)
    return int(np.diff(np.flatnonzero(array == NEWLINE), prepend=-1).max())
