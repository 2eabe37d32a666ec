"""Delimiters inside times and numbers: joined where one way alone explains them, else left."""

from __future__ import annotations

import pytest

from ingest.table.text.dialect import BLANKS, Cut
from ingest.table.text.joins import joined

TENTHS = "0718293645"
"""A tenth has every digit; a step of a blower has not."""


def readings(*columns: str | list[str]) -> list[list[str]]:
    """Rows of columns; a text is the same in every row."""
    count = len(TENTHS)
    whole = [[each] * count if isinstance(each, str) else each for each in columns]
    return [list(row) for row in zip(*whole, strict=True)]


PROVEN = list(TENTHS)
CLOCK = [f"07:31:{at:02d}" for at in range(len(TENTHS))]
MILLI = [f"{37 * at:03d}" for at in range(len(TENTHS))]


@pytest.mark.parametrize(
    ("named", "rows", "delimiter", "pairs", "mark"),
    [
        # 21,5 in a comma file, between words: one way to read it, and the tenths prove it
        (3, readings("on", "21", PROVEN, "off"), ",", (1,), "."),
        # a tenth that is always 5 proves nothing, whatever stands before
        (3, readings("01", "21", "5", "off"), ",", (), "."),
        (3, readings(PROVEN, "21", "5", "off"), ",", (), "."),
        # three tenths behind each other: two ways to pair them
        (3, readings("on", "21", PROVEN, PROVEN), ",", (), "."),
        # two numbers at once, the second alone proven
        (3, readings("21", "5", "on", "22", PROVEN), ",", (0, 3), "."),
        # a decimal point anywhere: commas part cells
        (3, readings("1.5", "21", PROVEN, "off"), ",", (), "."),
        # as many names as cells: nothing to explain
        (4, readings("on", "21", PROVEN, "off"), ",", (), "."),
        # 07:31:05,250
        (2, readings(CLOCK, MILLI, "20"), ",", (0,), "."),
        # ... is no time of a file of blanks, where date and time stand apart
        (2, readings("2026-01-14", CLOCK, "20"), BLANKS, (0,), " "),
        (2, readings("20", "2026-01-14", CLOCK), BLANKS, (1,), " "),
        (2, readings("20", CLOCK, "2026-01-14"), BLANKS, (), "."),
        (2, [], ",", (), "."),
    ],
)
def test_what_is_joined(
    named: int, rows: list[list[str]], delimiter: str, pairs: tuple[int, ...], mark: str
) -> None:
    width = len(rows[0]) if rows else 3
    # a line cut off in the middle does not spoil the others
    cut = [*rows, ["1"]] if rows else rows
    assert joined(named, cut, Cut(delimiter, None, width)) == (pairs, mark)
