"""Tables on a screen: aligned, short, and unable to steer the terminal."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl
import pytest

from dashboard.text.table import cell_text, table_lines


def test_texts_to_the_left_numbers_to_the_right() -> None:
    frame = pl.DataFrame({"car": ["SC-1", "SC-100"], "rise": [46.23456, None], "runs": [3, 12]})
    assert table_lines(frame) == [
        "car      rise  runs",
        "SC-1    46.23     3",
        "SC-100      -    12",
    ]


@pytest.mark.parametrize(
    ("name", "cell", "expected"),
    [
        ("a", None, "-"),
        ("a", True, "yes"),
        ("a", False, "no"),
        ("a", 0.000123456, "0.0001235"),
        ("a", 7, "7"),
        ("started", datetime(2026, 1, 14, 7, 31, tzinfo=UTC), "2026-01-14 07:31"),
        ("runs", ["a", "b"], "2"),
        ("id", "0123456789abcdef", "0123456789ab"),
        ("vehicle", "0123456789abcdef", "0123456789abcdef"),
        ("vehicle", "red\x1b[31m\r\nrow", "red·[31m··row"),
    ],
)
def test_cells(name: str, cell: object, expected: str) -> None:
    assert cell_text(name, cell) == expected


def test_an_empty_table_is_its_heading() -> None:
    assert table_lines(pl.DataFrame({"a": [], "b": []})) == ["a  b"]
