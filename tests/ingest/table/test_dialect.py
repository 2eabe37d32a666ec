"""Telling a dialect: cells, delimiters, encodings, units."""

from __future__ import annotations

import codecs

import pytest

from ingest.setup.model import LogTable
from ingest.table.cells import kind_of
from ingest.table.marks import marks_of_sample
from ingest.table.text.dialect import BLANKS, WIDE_BLANKS, Line, find_cut, split_cells
from ingest.table.text.encoding import detect_encoding, to_utf8, unify_line_ends
from ingest.table.units import clean_unit, is_unit, split_unit


@pytest.mark.parametrize(
    ("cell", "kind"),
    [
        ("", "E"),
        *((number, "N") for number in ("12", "-1.5", "+3,7", ".5", "1e-3", "1.003.000", "-9999")),
        *(
            (with_unit, "U")
            for with_unit in ("82C", "24,77g/s", "12.3 V", "45%", "1,234 rpm", "5 °C")
        ),
        *(
            (word, "W")
            for word in ("OVER", "-OL", "---", "#N/A", "NaN", "****", "<-200", "O.L.", "open")
        ),
        *(
            (time, "T")
            for time in (
                "07:31:05.250",
                "7:31 PM",
                "2026-01-14",
                "2026-01-14T07:31:05-05:00",
                "14.01.2026",
                "14.01.2026 07:31",
                "1/14/2026 7:31:05 PM",
                "14-Jan-26 07:31",
                "20260114T073105Z",
                "Wed 14 Jan 2026 07:31:00",
            )
        ),
        *(
            (text, "X")
            for text in ("Outlet", "T1", "1 Outlet", "s", "21,0 OVER", "07:31 engine on")
        ),
    ],
)
def test_kinds_of_cells(cell: str, kind: str):
    assert kind_of(cell) == kind


@pytest.mark.parametrize(
    ("line", "delimiter", "cells"),
    [
        ('1;"a;b"; c ', ";", ["1", "a;b", "c"]),
        ('1, "a ""b""" ,c', ",", ["1", 'a "b"', "c"]),
        ("  1   2\t3 ", BLANKS, ["1", "2", "3"]),
        ("T out   T in", WIDE_BLANKS, ["T out", "T in"]),
        ('1 "a b" 2', BLANKS, ["1", "a b", "2"]),
        ("1||2", "||", ["1", "2"]),
    ],
)
def test_cutting_a_line(line: str, delimiter: str, cells: list[str]):
    assert split_cells(line, delimiter, '"') == cells


@pytest.mark.parametrize(
    ("row", "delimiter", "width"),
    [
        ("0,5;21,3;80,1", ";", 3),
        ("0.5,21.3,80.1", ",", 3),
        ("0,5 21,3 80,1", BLANKS, 3),
        ("0,5\t21,3\t80,1", "\t", 3),
        ("2026-01-14 07:31:05,21.3,80.1", ",", 3),
        ("2026-01-14 07:31:05;21,3;80,1", ";", 3),
        ("2026-01-14 07:31:05   21.3   80.1", WIDE_BLANKS, 3),
        ("  0.5,   21.3,   80.1", ",", 3),
        ("0.5 | 21.3 | 80.1", "|", 3),
        ("10190.16;Average fuel consumption;0;l/100km", ";", 4),
    ],
)
def test_delimiters(row: str, delimiter: str, width: int):
    cut = find_cut([Line(at + 1, row) for at in range(20)], LogTable(file="x"), "x")
    assert (cut.delimiter, cut.width) == (delimiter, width)


@pytest.mark.parametrize("name", ["tab", "\\t", "Tab", "\t"])
def test_delimiter_by_its_name(name: str):
    log = LogTable(file="x", delimiter=name)
    assert find_cut([Line(1, "1\t2"), Line(2, "2\t3")], log, "x").delimiter == "\t"


@pytest.mark.parametrize(
    ("encoding", "name"),
    [
        ("utf-8", "utf-8"),
        ("utf-8-sig", "utf-8"),
        ("utf-16", "utf-16-le"),
        ("utf-16-le", "utf-16-le"),
        ("utf-16-be", "utf-16-be"),
        ("utf-32", "utf-32-le"),
        ("cp1252", "cp1252"),
        ("latin-1", "cp1252"),
    ],
)
def test_encodings(encoding: str, name: str):
    text = "Zeit [s];Außen [°C]\r\n" + "1;2\r\n" * 50
    data = text.encode(encoding)
    found = detect_encoding(data, None, "x")
    assert found.name == name
    assert to_utf8(data[found.mark :], found)[0].decode() == text


@pytest.mark.parametrize(
    ("mark", "encoding", "unit"),
    [
        (codecs.BOM_UTF8, "utf-8", 1),
        (codecs.BOM_UTF16_LE, "utf-16-le", 2),
        (codecs.BOM_UTF16_BE, "utf-16-be", 2),
        (codecs.BOM_UTF32_LE, "utf-32-le", 4),
        (codecs.BOM_UTF32_BE, "utf-32-be", 4),
    ],
)
def test_bytes_of_a_code_unit(mark: bytes, encoding: str, unit: int):
    """The Unicode Standard, 3.10: encoding schemes, their marks and the bytes of a code unit."""
    found = detect_encoding(mark + ("t;Außen\n" + "1;2\n" * 50).encode(encoding), None, "x")
    assert (found.name, found.mark, found.unit) == (encoding, len(mark), unit)


def test_stated_encoding_with_its_mark():
    data = "Außen".encode("utf-16")
    found = detect_encoding(data, "UTF-16", "x")
    assert to_utf8(data[found.mark :], found) == ("Außen".encode(), 0)


def test_few_damaged_bytes_do_not_change_the_encoding():
    data = "Außen [°C], Kühler [°C]".encode() + b" \xb0"
    found = detect_encoding(data, None, "x")
    assert found.name == "utf-8"
    assert to_utf8(data, found)[1] == 1


def test_line_ends():
    assert unify_line_ends(b"a\r\nb\rc\nd\r\r\ne") == b"a\nb\nc\nd\ne"


@pytest.mark.parametrize(
    "unit",
    [
        *("s", "ms", "°C", "degC", "C", "K", "mV", "V", "%", "rpm", "1/min", "km/h", "kPa", "inHg"),
        *("bar", "m/s", "g/s", "hh:mm:ss", "yyyy-mm-dd", "HH:MM:SS.f"),
    ],
)
def test_units_are_units(unit: str):
    assert is_unit(unit)
    assert is_unit(f"[{unit}]")


@pytest.mark.parametrize(
    "word", ["Time", "t", "T", "M", "S", "Outlet", "CH1", "T1", "left", "total", "12"]
)
def test_names_are_not_units(word: str):
    assert not is_unit(word)


@pytest.mark.parametrize(
    ("name", "bare", "unit"),
    [
        ("CH1 (mV)", "CH1", "mV"),
        ("Temp [°C]", "Temp", "°C"),
        ("Temp [Â°C]", "Temp", "°C"),
        ("Temp ?C", "Temp", "°C"),
        ("Outlet °F", "Outlet", "°F"),
        ("T1°C", "T1", "°C"),
        ("Speed in km/h", "Speed", "km/h"),
        ("P/kPa", "P", "kPa"),
        ("time_s", "time", "s"),
        ("Coolant_degC", "Coolant", "degC"),
        ("VAC (in. Hg)", "VAC", "in. Hg"),
        ("p_res [kPa abs]", "p_res", "kPa abs"),
        ("rpm", "rpm", "rpm"),
        # brackets that hold no unit, names that are words for units elsewhere
        ("T1 (left)", "T1 (left)", None),
        ("Distance (total)", "Distance (total)", None),
        ("in", "in", None),
        ("VAC", "VAC", None),
        ("v", "v", None),
        ("Group C", "Group C", None),
        ("x" * 5000 + " (mV)", "x" * 5000 + " (mV)", None),
    ],
)
def test_units_written_in_names(name: str, bare: str, unit: str | None):
    assert split_unit(name) == (bare, unit)


@pytest.mark.parametrize("written", ["°C", "[°C]", "(Â°C)", "º C", "Ã‚Â°C", "℃", "?C", "�C", "øC"])
def test_one_spelling_for_degrees(written: str):
    assert clean_unit(written) == "°C"


@pytest.mark.parametrize(
    ("text", "delimiter", "decimal", "proven"),
    [
        ("1,2\n3,4\n", ",", ".", False),  # what parts the cells is no mark in them
        ("1,234;5\n6,789;8\n", ";", ",", False),  # a mark, or thousands: a guess
        ("1;5\n6;8\n", ";", ".", False),
        ("1,234.5;5\n", ";", ".", True),
        ("12,5;5\n", ";", ",", True),
        ("1.5,2\n", ",", ".", True),
    ],
)
def test_decimal_mark_that_a_sample_speaks_for(
    text: str, delimiter: str, decimal: str, *, proven: bool
):
    found, both = marks_of_sample(text, delimiter)
    assert (found.decimal, found.proven, both) == (decimal, proven, False)
