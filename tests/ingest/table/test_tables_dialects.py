"""Every dialect file comes out as it was written: names, units, values, and what was rejected."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ingest.setup.model import LogTable
from ingest.table.text.read import TextTable, iter_text, read_text_table

FOLDER = Path(__file__).parents[2] / "data" / "dialects"
DIALECTS = sorted(
    path for path in FOLDER.iterdir() if path.suffix != ".toml" and path.name != "README.md"
)


def truth_of(path: Path) -> dict[str, Any]:
    return tomllib.loads((FOLDER / f"{path.stem}.truth.toml").read_text(encoding="utf-8"))


def read(path: Path) -> tuple[TextTable, dict[str, Any]]:
    truth = truth_of(path)
    return read_text_table(path, LogTable(file=path.name, **truth.get("log", {}))), truth


each_dialect = pytest.mark.parametrize("path", DIALECTS, ids=lambda path: path.stem)


def test_there_are_enough_dialects_each_with_its_habit():
    habits = [truth_of(path)["habit"] for path in DIALECTS]
    assert len(set(habits)) == len(habits) >= 25


@each_dialect
def test_names_and_units(path: Path):
    table, truth = read(path)
    assert list(table.names) == truth["names"]
    assert [unit or "" for unit in table.units] == truth["units"]
    assert table.height == truth["rows"]


@each_dialect
def test_values(path: Path):
    table, truth = read(path)
    assert truth["values"]
    for column, expected in truth["values"].items():
        numbers = table.numbers(int(column) - 1)
        got = [math.nan if value is None else value for value in numbers.values]
        np.testing.assert_array_equal(got, np.array(expected, dtype=float), err_msg=column)


@each_dialect
def test_rejected_lines_restarts_and_doubts(path: Path):
    table, truth = read(path)
    assert [rejected.line for rejected in table.rejected] == truth.get("rejected_lines", [])
    assert table.rejected_count == len(table.rejected)
    assert list(table.restarts) == truth.get("restarts", [])
    expected = set(truth.get("found", []))
    expected |= {"rejected_lines"} if table.rejected else set()
    expected |= {"repeated_header"} if table.restarts else set()
    assert {finding.fault for finding in table.findings} == expected


@each_dialect
def test_cells_that_are_neither_number_nor_word(path: Path):
    table, truth = read(path)
    lines = [bad.line for column in truth["values"] for bad in table.numbers(int(column) - 1).bad]
    assert lines == truth.get("bad_lines", [])


@each_dialect
def test_header_and_remarks_stand_where_they_were_put(path: Path):
    table, truth = read(path)
    if "header_line" in truth:
        assert table.dialect.header_line == truth["header_line"]
    assert table.dialect.units_line == truth.get("units_line", table.dialect.units_line)
    assert len(table.dialect.metadata) == truth.get("remarks", len(table.dialect.metadata))
    if "cell_units" in truth:
        assert [list(table.numbers(at).cell_units) for at in range(table.width)] == [
            [unit] for unit in truth["cell_units"]
        ]
    if "texts" in truth:
        got = [text or "" for text in table.text(truth["text_column"] - 1)]
        assert got == truth["texts"]
    for at, alias in enumerate(truth.get("aliases", [])):
        assert table.find(alias) == at


@each_dialect
def test_in_parts_as_in_one_piece(path: Path):
    table, truth = read(path)
    log = LogTable(file=path.name, **truth.get("log", {}))
    parts = list(iter_text(path, log, chunk_bytes=1024))
    assert {part.names for part in parts} == {table.names}
    assert sum(part.height for part in parts) == table.height
    assert sum(part.rejected_count for part in parts) == table.rejected_count
    for at in range(table.width):
        joined = [cell for part in parts for cell in part.text(at)]
        assert joined == table.text(at).to_list()
    first_rows = np.cumsum([0, *(part.height for part in parts)])
    assert [part.first_row for part in parts] == first_rows[:-1].tolist()
    assert [part.line(row) for part in parts for row in range(part.height)] == [
        table.line(row) for row in range(table.height)
    ]


@each_dialect
def test_long_layout(path: Path):
    table, truth = read(path)
    if "layout" not in truth:
        assert "channels" not in truth
        return
    long = table.long(*truth["layout"])
    assert list(long.names) == truth["channels"]
    channels = [long.channel(at) for at in range(len(long.names))]
    assert [channel.unit or "" for channel in channels] == truth["channel_units"]
    assert [channel.rows.size for channel in channels] == truth["channel_counts"]
    values = table.numbers(table.find(truth["layout"][1])).values
    for channel in channels:
        assert channel.numbers.values.to_list() == values.gather(channel.rows).to_list()
    assert sum(channel.rows.size for channel in channels) + long.unnamed_rows == table.height
