"""Delimiters that part no cells: inside times and numbers, where names are fewer than cells."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Sequence
from typing import Final

from ingest.table.text.dialect import BLANKS, WIDE_BLANKS, Cut

_DIGITS_SEEN: Final = 5
"""So many different digits make a column of one a fraction."""


def joined(named: int, readings: list[list[str]], cut: Cut) -> tuple[tuple[int, ...], str]:
    """Delimiters inside times and numbers, where they explain why there are too many cells.

    Three habits: ``07:31:05,250`` and ``21,5`` unquoted in a comma file, and date and time under
    one name in a file of blanks.
    """
    rows = [row for row in readings if len(row) == cut.width]
    extra = cut.width - named
    if not rows:
        return (), "."
    columns = list(zip(*rows, strict=True))
    if extra == 1:
        for at in range(cut.width - 1):
            if cut.delimiter in (BLANKS, WIDE_BLANKS) and _is_date_then_time(columns, at):
                return (at,), " "
            if cut.delimiter == "," and _is_clock_then_fraction(columns, at):
                return (at,), "."
    ways = fractions(columns, extra) if cut.delimiter == "," else []
    if len(ways) == 1 and any(_must_be_fraction(columns[at + 1]) for at in ways[0]):
        return ways[0], "."
    return (), "."


def fractions(columns: list[tuple[str, ...]], count: int) -> list[tuple[int, ...]]:
    """Ways to read so many pairs of columns as whole part and fraction; two are enough to know."""
    if any("." in cell for column in columns for cell in column):
        return []
    able = [
        at
        for at in range(len(columns) - 1)
        if _all(r"[+-]?\d+", columns[at])
        and _all(r"\d+", columns[at + 1])
        and len({len(cell) for cell in columns[at + 1]}) == 1
    ]
    return list(itertools.islice(_apart(able, count), 2))


def _apart(places: Sequence[int], count: int) -> Iterator[tuple[int, ...]]:
    """Every choice of so many rising places of which no two are neighbours."""
    if count == 0:
        yield ()
        return
    for index, place in enumerate(places):
        rest = [other for other in places[index + 1 :] if other > place + 1]
        if _most_apart(rest) < count - 1:
            return  # further on there are fewer still
        for others in _apart(rest, count - 1):
            yield (place, *others)


def _most_apart(places: Sequence[int]) -> int:
    """Most of the rising places of which no two are neighbours."""
    most, last = 0, -2
    for place in places:
        if place > last + 1:
            most, last = most + 1, place
    return most


def _must_be_fraction(cells: Sequence[str]) -> bool:
    """Leading zeros, or digits of every kind, are what a fraction has and a reading has not."""
    if len(cells[0]) > 1:
        return any(cell[0] == "0" for cell in cells)
    return "0" in cells and len(set(cells)) >= _DIGITS_SEEN


def _all(pattern: str, cells: Sequence[str]) -> bool:
    return all(re.fullmatch(pattern, cell) for cell in cells)


def _is_date_then_time(columns: list[tuple[str, ...]], at: int) -> bool:
    return _all(r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}", columns[at]) and _all(
        r"\d{1,2}:\d{2}(?::\d{2})?(?:[.,]\d+)?", columns[at + 1]
    )


def _is_clock_then_fraction(columns: list[tuple[str, ...]], at: int) -> bool:
    if not _all(r"(?:.*[ T])?\d{1,2}:\d{2}:\d{2}", columns[at]):
        return False
    # leading zeros are what a fraction has and a reading has not
    fractions = columns[at + 1]
    return _all(r"\d{3}|\d{6}", fractions) or (
        len({len(cell) for cell in fractions}) == 1
        and _all(r"\d{2,}", fractions)
        and any(cell[0] == "0" for cell in fractions)
    )
