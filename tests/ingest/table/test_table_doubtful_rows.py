"""Readings that go wrong from the first row on, and cells that are more than the names."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.errors import UnusableRun
from ingest.setup.model import LogTable
from ingest.table.text.read import TextTable, read_text_table

ROWS = [f"{at}.0,{20.5 + at},{-4.25 + at},3.{at:02d}" for at in range(60)]
NAMES = "t,Outlet,Ambient,Coolant in"
LOG = LogTable(file="log.csv")


def read(tmp_path: Path, *lines: str) -> TextTable:
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return read_text_table(path, LOG)


@pytest.mark.parametrize("count", [1, 2, 6, 7, 40])
@pytest.mark.parametrize(
    "odd",
    [
        "0.0,wait,wait,wait",
        "0,wait,wait,wait",
        "no fix,20.5,-4.25,3.00",
        "-00:00:20,20.5,-4.25,3.00",
        "0.0,(20.50),(4.25),(3.00)",
        "0.0,- 20.50,- 4.25,- 3.00",
    ],
)
def test_rows_unlike_the_rest_are_listed_below_their_names(
    tmp_path: Path, odd: str, count: int
) -> None:
    table = read(tmp_path, NAMES, *[odd] * count, *ROWS)
    assert table.names == ("t", "Outlet", "Ambient", "Coolant in")
    assert table.height == len(ROWS)
    assert table.rejected_count == count
    assert table.rejected[0].line == 2


@pytest.mark.parametrize(
    "header",
    ["Time,1,2,3", "0,Outlet,Ambient,Coolant in", "1,CH1,CH2,CH3", "t,Temp,Temp,Temp"],
)
def test_names_that_are_whole_numbers_or_alike_stay_names(tmp_path: Path, header: str) -> None:
    table = read(tmp_path, header, *ROWS)
    assert table.names == tuple(header.split(","))
    assert table.rejected_count == 0


def commas(*cells: str) -> list[str]:
    """Rows of readings whose decimal marks are commas, unquoted in a comma file."""
    return [",".join(cells).format(at=at, part=f"{(37 * at) % 100:02d}") for at in range(60)]


@pytest.mark.parametrize(
    ("cells", "at", "first"),
    [
        (("{at}", "-3,{part}", "-4,{part}"), 1, -3.0),
        (("{at},0", "21,{part}", "22,{part}"), 1, 21.0),
        (("{at},0", "21,{part}", "22,{part}"), 2, 22.0),
    ],
)
def test_decimal_commas_that_explain_the_cells_are_joined(
    tmp_path: Path, cells: tuple[str, ...], at: int, first: float
) -> None:
    table = read(tmp_path, "t,Outlet,Ambient", *commas(*cells))
    assert table.names == ("t", "Outlet", "Ambient")
    assert table.numbers(at).values[0] == first
    assert any(finding.fault == "joined_cells" for finding in table.findings)


def test_whole_numbers_under_too_few_names_are_not_guessed_at(tmp_path: Path) -> None:
    rows = [f"{60 + at},17,{20 + at % 70},512,{233 + at},901" for at in range(39)]
    table = read(tmp_path, "t,Outlet,Coolant in", *rows)
    with pytest.raises(UnusableRun, match="may be decimal ones"):
        table.find("Outlet")


def test_many_columns_without_names_are_looked_through_at_once(tmp_path: Path) -> None:
    rows = [",".join([str(at), *["17"] * 119]) for at in range(60)]
    table = read(tmp_path, ",".join(["t", *[f"c{at}" for at in range(59)]]), *rows)
    with pytest.raises(UnusableRun, match="may be decimal ones"):
        table.find("c1")
