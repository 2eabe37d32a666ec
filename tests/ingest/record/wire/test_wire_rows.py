from __future__ import annotations

import json

import pytest

from ingest.record.wire.rows import (
    BEFORE_HEADER,
    CHANGED_COLUMNS,
    GARBAGE,
    HEADER,
    NO_FIELD,
    Refused,
    RowMaker,
    register_cells,
    sniff_delimiter,
)
from ingest.setup.serial import PortTable


def table(**keys: object) -> PortTable:
    return PortTable.model_validate(keys)


def test_csv_lines_of_stated_columns() -> None:
    rows = RowMaker(table(columns=["a", "b", "c"]), ("a", "b", "c"))
    assert rows.cells("1, 2.50,") == ["1", "2.50", ""]
    assert rows.cells("1,2,3,") == ["1", "2", "3"]  # a delimiter after the last cell
    assert rows.cells('1;"2";3') == ["1", "2", "3"]
    assert rows.cells("a,b,c") is HEADER
    assert rows.cells("1,2") == Refused(CHANGED_COLUMNS)
    assert rows.cells("1,2,3,4") == Refused(CHANGED_COLUMNS)


def test_csv_lines_whose_header_names_them() -> None:
    rows = RowMaker(table(), ("outlet", "ambient"))
    assert rows.cells("1,2,3") == Refused(BEFORE_HEADER)
    assert rows.cells("t,ambient,outlet") is HEADER
    assert rows.cells("0.5,-3.1,20.0") == ["20.0", "-3.1"]
    assert rows.cells("outlet,ambient") is HEADER  # the logger was set up anew
    assert rows.cells("20.0,-3.1") == ["20.0", "-3.1"]


def test_decimal_commas() -> None:
    rows = RowMaker(table(columns=["a", "b"], delimiter=";", decimal=","), ("a", "b"))
    assert rows.cells("1,5;-0,25") == ["1.5", "-0.25"]


def test_json_lines_keep_their_numbers_as_written() -> None:
    rows = RowMaker(table(format="json"), ("t", "outlet", "gauge.p", "on"))
    line = '{"t": 12.50, "outlet": 1e2, "gauge": {"p": -0.10}, "on": true, "more": [1]}'
    assert rows.cells(line) == ["12.50", "1e2", "-0.10", "1"]
    assert rows.cells('{"outlet": null, "t": "7"}') == ["7", "", "", ""]
    assert rows.cells('{"other": 1}') == Refused(NO_FIELD)
    assert rows.cells('{"t": 12.5, "outl') == Refused(GARBAGE)
    assert rows.cells("[1, 2]") == Refused(GARBAGE)
    assert rows.cells("[" * 100_000) == Refused(GARBAGE)


def test_answers_fill_their_questions_columns() -> None:
    port = table(
        format="query",
        query=[{"ask": "A?", "columns": ["a"]}, {"ask": "B?", "columns": ["b", "c"]}],
    )
    rows = RowMaker(port, ("a", "b", "c"))
    assert rows.cells("+1.000E+01", 0) == ["+1.000E+01", "", ""]
    assert rows.cells("2,3", 1) == ["", "2", "3"]
    assert rows.cells("2,3", 0) == Refused(CHANGED_COLUMNS)


@pytest.mark.parametrize(
    ("register", "words", "cell"),
    [
        # the answer 06 AE 41 56 52 43 40 to "read holding registers" of the protocol's own example
        ({"type": "uint16"}, [0xAE41], "44609"),
        ({"type": "int16"}, [0xAE41], "-20927"),
        ({"type": "int16", "scale": 0.1}, [234], "23.4"),
        ({"type": "int16", "scale": 0.1, "offset": -40.0}, [0xFFFF], "-40.1"),
        ({"type": "uint32"}, [0x0001, 0x0000], "65536"),
        ({"type": "uint32", "word_order": "little"}, [0x0000, 0x0001], "65536"),
        ({"type": "int32"}, [0xFFFF, 0xFFFE], "-2"),
        # IEEE 754 single precision: 23.4 is 0x41BB3333, 1.0 is 0x3F800000
        ({"type": "float32"}, [0x41BB, 0x3333], "23.4"),
        ({"type": "float32", "word_order": "little"}, [0x0000, 0x3F80], "1"),
        ({"type": "float32"}, [0x7FC0, 0x0000], ""),  # not a number: no reading
    ],
)
def test_registers_to_numbers(register: dict[str, object], words: list[int], cell: str) -> None:
    port = table(format="modbus", registers=[{"column": "a", "address": 0} | register])
    assert register_cells(port, json.dumps({"0": words}).encode()) == [cell]


def test_registers_that_did_not_answer_are_empty() -> None:
    registers = [{"column": "a", "address": 0}, {"column": "b", "address": 5}]
    port = table(format="modbus", registers=registers)
    assert register_cells(port, b'{"1": [7]}') == ["", "7"]
    assert register_cells(port, b'{"1": [7, 8]}') == Refused(GARBAGE)
    assert register_cells(port, b"\xff") == Refused(GARBAGE)


@pytest.mark.parametrize(
    ("text", "delimiter"), [("1,2,3", ","), ("1,5;2,5;3", ","), ("a\tb", "\t"), ("12", ",")]
)
def test_the_commonest_delimiter(text: str, delimiter: str) -> None:
    assert sniff_delimiter(text) == delimiter
