"""Readings that go wrong from the first row on: never names, never metadata, always listed."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.setup import LogTable
from ingest.tables import Table, read_table

ROWS = [f"{at}.0,{20.5 + at},{-4.25 + at},3.{at:02d}" for at in range(60)]
NAMES = "t,Outlet,Ambient,Coolant in"
LOG = LogTable(file="log.csv")


def read(tmp_path: Path, *lines: str) -> Table:
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return read_table(path, LOG)


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
