"""`[log] header_row`: where detection fails the set-up says which line holds the names."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.errors import UnusableRun
from ingest.setup.model import LogTable
from ingest.table.text.read import TextTable, read_text_table

LINES = [
    "unit,no,remark",
    "7,8,9",
    "2024,2025,2026",
    "s,degC,V",
    "",
    "0,21.5,13.1",
    "1,21.6,13.2",
    "2,21.7,13.2",
    "3,21.8,13.3",
]


def read(folder: Path, lines: list[str], **stated: object) -> TextTable:
    path = folder / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return read_text_table(path, LogTable.model_validate({"file": "log.csv"} | stated))


def test_names_that_are_numbers(tmp_path: Path) -> None:
    table = read(tmp_path, LINES, header_row=3)
    assert table.names == ("2024", "2025", "2026")
    assert table.units == ("s", "degC", "V")
    assert table.numbers(1).values.to_list() == [21.5, 21.6, 21.7, 21.8]
    assert table.line(0) == 6


def test_far_above_the_readings(tmp_path: Path) -> None:
    above = ["t,outlet,volts", *(f"remark {number},," for number in range(20))]
    table = read(tmp_path, above + LINES[5:], header_row=1)
    assert table.names == ("t", "outlet", "volts")
    assert table.numbers(0).values.to_list() == [0.0, 1.0, 2.0, 3.0]


def test_readings_above_the_names_are_none(tmp_path: Path) -> None:
    lines = ["0,1,2", "1,1,2", "2,1,2", "3,1,2", "t,outlet,volts", *LINES[5:]]
    table = read(tmp_path, lines, header_row=5)
    assert table.names == ("t", "outlet", "volts")
    assert table.height == 4


@pytest.mark.parametrize("row", [5, 99])
def test_a_line_that_holds_no_names(tmp_path: Path, row: int) -> None:
    with pytest.raises(UnusableRun, match=r"header_row|no line of readings"):
        read(tmp_path, LINES, header_row=row)
