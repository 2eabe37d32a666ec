"""The cells of a sheet as lines of text, such as a careful export would write them.

Numbers come with all their digits and a decimal point, moments as ISO 8601, times and elapsed times
as ``h:mm:ss``, percentages and numbers with a unit in their format as they are shown. A merged
cell holds its value in every row it covers; a head over several columns goes into their names only
where these would be the same without it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from typing import Final

from ingest.table.text.layout import is_units_row
from ingest.table.workbook.parts import SheetParts

Cell = str | float | int | bool | datetime | date | time | timedelta
Merged = tuple[tuple[int, int], tuple[int, int]]

DELIMITER: Final = "\t"
_EPOCH: Final = datetime(1899, 12, 31)  # noqa: DTZ001 - a day count without a zone
_FIRST_YEAR: Final = 1905
"""A moment before this is an elapsed time of more than a day in a format that does not say so."""
_COMMA: Final = re.compile(r"^\s*[+-]?\d[\d. ]*,\d+\s*\S*$")
_WRITTEN: Final = re.compile(r"\s*[-+\u2212]?\d[-\d.,:/'T ]*$")
_HEAD_ROWS: Final = 60
"""Heads stand within so many rows."""


def sheet_text(rows: list[list[Cell]], merged: Sequence[Merged], parts: SheetParts) -> str:
    """Lines of a sheet, each ended by a newline; line n is row n.

    Parameters
    ----------
    rows
        Cells, all rows of one width; changed on the way.
    merged
        First and last cell of each merged range, counted from 0.
    parts
        What the sheet's XML says besides.
    """
    _fill_down(rows, merged)
    _name_heads(rows, merged)
    width = len(rows[0]) if rows else 0
    dated = [_holds_moments(rows, at) for at in range(width)]
    texts = [[_text(cell, dated=day) for cell, day in zip(row, dated, strict=True)] for row in rows]
    for (behind, column), places in parts.shown.items():
        for row in places:
            if row < len(rows) and column < width and _is_number(rows[row][column]):
                texts[row][column] = _shown(rows[row][column], behind)
    return "".join(DELIMITER.join(map(_quoted, row)) + "\n" for row in texts)


def has_comma_numbers(rows: Sequence[Sequence[Cell]]) -> bool:
    """Whether some texts look like numbers with a decimal comma."""
    return any(isinstance(cell, str) and _COMMA.match(cell) for row in rows for cell in row)


def rows_with_numbers(rows: Sequence[Sequence[Cell]]) -> int:
    """How many rows hold a number or a time that is no text."""
    return sum(any(not isinstance(cell, str) for cell in row) for row in rows)


def rows_with_written_numbers(rows: Sequence[Sequence[Cell]]) -> int:
    """How many rows hold two texts and more that are numbers, dates or times."""
    return sum(
        sum(isinstance(cell, str) and _WRITTEN.match(cell) is not None for cell in row) > 1
        for row in rows
    )


def _is_number(cell: Cell) -> bool:
    return isinstance(cell, int | float) and not isinstance(cell, bool)


def _fill_down(rows: list[list[Cell]], merged: Sequence[Merged]) -> None:
    for (top, left), (bottom, _) in merged:
        for row in range(top + 1, min(bottom + 1, len(rows))):
            rows[row][left] = rows[top][left]


def _name_heads(rows: list[list[Cell]], merged: Sequence[Merged]) -> None:
    """Put a head that covers several columns into the names below it, where they need it."""
    as_written = [list(row) for row in rows[:_HEAD_ROWS]]
    for (top, left), (bottom, right) in sorted(merged):
        below = bottom + 1
        if right == left or below >= min(len(rows), _HEAD_ROWS):
            continue
        head, names = rows[top][left], rows[below]
        if not isinstance(head, str) or not head.strip():
            continue
        own = as_written[below][left : right + 1]
        if not any(isinstance(name, str) and name.strip() for name in own):
            continue
        if is_units_row([name for name in own if isinstance(name, str)]):
            for row in range(top, bottom + 1):
                rows[row][left : right + 1] = [head] * (right + 1 - left)
        elif any(
            isinstance(name, str) and name.strip() and as_written[below].count(name) > 1
            for name in own
        ):
            for at, name in enumerate(own, left):
                if isinstance(name, str) and name.strip():
                    names[at] = f"{head.strip()} {name.strip()}"


def _holds_moments(rows: Sequence[Sequence[Cell]], at: int) -> bool:
    """Whether a column has moments that are not all midnights."""
    return any(
        isinstance(row[at], datetime) and row[at].year >= _FIRST_YEAR  # type: ignore[union-attr]
        for row in rows
    )


def _text(cell: Cell, *, dated: bool) -> str:
    if type(cell) is float:  # nearly all cells are
        return _digits(cell)
    if isinstance(cell, str):
        return " ".join(cell.split())
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, int | float):
        return _digits(float(cell))
    if isinstance(cell, datetime):
        if cell.year < _FIRST_YEAR:
            return _elapsed(cell - _EPOCH)
        return cell.isoformat()
    if isinstance(cell, date):
        if cell.year < _FIRST_YEAR:
            return _elapsed(datetime(cell.year, cell.month, cell.day) - _EPOCH)  # noqa: DTZ001
        return f"{cell.isoformat()}T00:00:00" if dated else cell.isoformat()
    if isinstance(cell, time):
        return cell.isoformat()
    return _elapsed(cell)


def _digits(value: float) -> str:
    if value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return repr(value)


def _shown(cell: Cell, behind: str) -> str:
    assert isinstance(cell, int | float)  # noqa: S101 - the caller saw to it
    # twelve digits: 0.145 in percent is 14.5, not 14.499999999999998
    number = f"{cell * 100:.12g}" if behind == "%" else _digits(float(cell))
    return f"{number} {behind}"


def _elapsed(span: timedelta) -> str:
    micros = span // timedelta(microseconds=1)
    sign = "-" if micros < 0 else ""
    seconds, fraction = divmod(abs(micros), 1_000_000)
    text = f"{sign}{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    return f"{text}.{fraction:06d}" if fraction else text


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if '"' in text else text
