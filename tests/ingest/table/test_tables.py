"""Reading tables: faults, names, numbers, and lines that are not rows."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from ingest.errors import UnusableRun
from ingest.setup.model import LogTable
from ingest.table.text.bytes import LONGEST_LINE
from ingest.table.text.read import TextTable, iter_text, read_text_table
from ingest.table.text.reading import MAX_COLUMNS
from ingest.table.text.rows import REJECTS_KEPT

ROWS = "".join(f"{at},{20 + at / 8:.3f},{80 - at / 4:.2f}\n" for at in range(30))

STATION_ROWS = "".join(
    f"2026-01-14 07:31:{at:02},{at},{20 + at / 8:.2f},4.25\n" for at in range(30)
)


@pytest.fixture
def table_of(tmp_path: Path):
    def make(data: str | bytes, **log: object) -> TextTable:
        path = tmp_path / "log.csv"
        path.write_bytes(data.encode() if isinstance(data, str) else data)
        return read_text_table(path, LogTable.model_validate({"file": path.name, **log}))

    return make


def fault_of(call, *arguments: object, **more: object) -> str:
    with pytest.raises(UnusableRun) as caught:
        call(*arguments, **more)
    assert len(caught.value.faults) == 1
    return str(caught.value.faults[0])


# ---------------------------------------------------------------- files that hold no table


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "an empty file"),
        (b"\n\n  \n", "an empty file"),
        (b"\0" * 5000, "nothing but NUL bytes"),
        (bytes(range(256)) * 20, "a binary file"),
        (b"PK\x03\x04" + b"x" * 100, "spreadsheet"),
        (b"\x1f\x8b\x08" + b"x" * 100, "gzip"),
        (b"SQLite format 3\0" + b"x" * 100, "database"),
        (b"Dear customer,\nthe car is cold, they say.\nYours\n", "no table"),
        (b"Time,T1,T2\n", "no table"),
        (b"Time,T1,T2\ns,C,C\n", "no table"),
        (b"Time,T1,T2\n" + b",,\n" * 20, "no line of readings"),
        (b"hello world\n", "no table"),
        (b"x" * (LONGEST_LINE + 1), "a line of"),
        (
            b"1," * (MAX_COLUMNS + 1) + b"1\n" + b"1," * (MAX_COLUMNS + 1) + b"1\n",
            "20002 columns",
        ),
    ],
    ids=lambda value: value[:12] if isinstance(value, bytes) else value,
)
def test_no_table(table_of, data: bytes, said: str):
    fault = fault_of(table_of, data)
    assert said in fault
    assert fault.startswith("log.csv")


def test_missing_file(tmp_path: Path):
    assert "no readable file" in fault_of(
        read_text_table, tmp_path / "none.csv", LogTable(file="none.csv")
    )
    assert "no readable file" in fault_of(read_text_table, tmp_path, LogTable(file="."))


@pytest.mark.parametrize("encoding", ["utf-99", "base64", "rot13", "idna", "\0"])
def test_encoding_that_is_none(table_of, encoding: str):
    assert "text encoding" in fault_of(table_of, ROWS, encoding=encoding)


def test_a_long_line_further_down(table_of):
    data = "t,a\n" + "1,2\n" * 9000 + "1," + "2" * LONGEST_LINE + "\n"
    assert "log.csv line 9002" in fault_of(table_of, data)


def test_stated_delimiter_that_is_not_there(table_of):
    assert "no table" in fault_of(table_of, ROWS, delimiter=";")


# ---------------------------------------------------------------- columns by name and number


def test_find(table_of):
    table = table_of("Time (s), Outlet [°C] ,Coolant in\n" + ROWS)
    assert [table.find(ref) for ref in ("Outlet [°C]", "Outlet", "outlet", "OUTLET [°c]", 2)] == [
        1
    ] * 5
    assert table.find("  Coolant in ") == table.find("coolantin") == 2


def test_find_names_the_close_ones(table_of):
    table = table_of("Time,Outlet,Coolant\n" + ROWS)
    assert "did you mean 'Outlet'" in fault_of(table.find, "Outlett")
    assert "'Time', 'Outlet', 'Coolant'" in fault_of(table.find, "nothing like it")
    for number in (0, 4, -1):
        assert "a number from 1 to 3" in fault_of(table.find, number)


def test_two_columns_of_one_name(table_of):
    table = table_of("Time,T1,T1\n" + ROWS)
    assert "give the column's number" in fault_of(table.find, "T1")
    assert table.find(3) == 2


def test_names_that_differ_only_in_their_unit(table_of):
    table = table_of("Time,T1 (C),T1 (F)\n" + ROWS)
    assert table.find("T1 (F)") == 2
    assert "2 columns that 'T1' may mean" in fault_of(table.find, "T1")


def test_no_header(table_of):
    table = table_of(ROWS)
    assert table.names == ("1", "2", "3")
    assert table.dialect.header_line is None
    assert table.find("2") == table.find(2) == 1


def test_header_stated_away(table_of):
    table = table_of("a,b,c\n" + ROWS, header=False)
    assert table.names == ("1", "2", "3")
    assert table.dialect.metadata == ("a,b,c",)


def test_header_of_numbers_stated(table_of):
    assert table_of("1,2,3\n" + ROWS, header=True).names == ("1", "2", "3")
    assert table_of("1,2,3\n" + ROWS, header=True).height == 30


def test_header_with_numbered_channels(table_of):
    assert table_of("Time,101,102\n" + ROWS).names == ("Time", "101", "102")


def test_names_and_units_in_one_row_of_units(table_of):
    table = table_of("s,mV,mV\n" + ROWS)
    assert table.names == ("s", "mV", "mV")
    assert table.units == ("s", "mV", "mV")


def test_letter_k_in_round_brackets_may_be_a_thermocouple(table_of):
    assert table_of("Time,T1 (K),T2 [K]\n" + ROWS).units == (None, None, "K")


def test_units_row_stated(table_of):
    table = table_of("Time,a,b\nx,furlong,stone\n" + ROWS, units_row=True)
    assert (table.names, table.units) == (("Time", "a", "b"), ("x", "furlong", "stone"))
    table = table_of("Time,a,b\ns,C,C\n" + ROWS, units_row=False)
    assert table.names == ("s", "C", "C")


@pytest.mark.parametrize(
    "last", ['"","","Mean","Max"', ",,Mean,Max", '"","","Mean",""', ",,,Mittelwert"]
)
@pytest.mark.parametrize("units", [",,Deg C,Deg F", "s,-,Deg C,Deg F"])
@pytest.mark.parametrize("first", ["", '"Bench 3","by the door","of the","old yard"\n'])
def test_how_a_station_made_its_readings_is_no_row_of_names(table_of, first, units, last):
    table = table_of(f"{first}CLOCK,No,T_Mean,Ambient\n{units}\n{last}\n" + STATION_ROWS)
    assert table.names == ("CLOCK", "No", "T_Mean", "Ambient")
    assert table.units[2:] == ("Deg C", "Deg F")
    assert table.find("Clock") == 0
    assert last in table.dialect.metadata


@pytest.mark.parametrize(
    ("above", "names"),
    [
        ("Time,No,CH1,CH2\ns,-,degC,degC\n,,Floor,Panel\n", ("", "", "Floor", "Panel")),
        ("CH,CH,CH,CH\ns,-,degC,degC\n,,Min,Max\n", ("", "", "Min", "Max")),
        ("Station,3,at the,bench\nof,the,old,yard\n,,Min,Max\n", ("", "", "Min", "Max")),
        ("Time,No,CH1,CH2\ns,-,degC,degC\nAvg,Sum,Min,Max\n", ("Avg", "Sum", "Min", "Max")),
    ],
)
def test_names_below_units_where_nothing_speaks_against_them(table_of, above, names):
    assert table_of(above + STATION_ROWS).names == names


def test_header_wider_than_the_readings(table_of):
    table = table_of("Time,T1,T2,T3\n" + ROWS)
    assert table.names == ("Time", "T1", "T2")
    assert [finding.fault for finding in table.findings] == ["header_mismatch"]
    assert "no cells below it" in fault_of(table.find, "T3")


def test_header_narrower_than_the_readings(table_of):
    """From the left only where the first column is a time and the second cannot be."""
    rows = "".join(f"{at},{20 + at % 7},{30 - at % 5}\n" for at in range(30))
    table = table_of("Time,T1\n" + rows)
    assert table.names == ("Time", "T1", "")
    assert [finding.fault for finding in table.findings] == ["header_mismatch"]
    doubtful = table_of("T1,T2\n" + rows)
    assert "2 names stand over 3 columns" in fault_of(doubtful.find, "T1")
    assert doubtful.find(1) == 0


def test_blank_parted_names_that_hold_blanks(table_of):
    rows = "".join(f"{at:6.1f} {20 + at / 8:8.3f} {80 - at / 4:8.2f}\n" for at in range(30))
    assert table_of("  Time    T out     T in\n" + rows).names == ("Time", "T out", "T in")
    doubtful = table_of("Time T out T in\n" + rows)
    assert "give the number" in fault_of(doubtful.find, "T out")
    assert doubtful.numbers(1).values[0] == 20.0


def test_a_line_of_an_aligned_table_goes_by_its_places(table_of):
    """A cell that is blank leaves its place blank, two numbers in one place are none, and a line
    with one cell more than there are places is rejected and shown."""
    rows = [f"{at:6.1f} {20 + at / 8:8.3f} {80 - at / 4:8.2f}" for at in range(30)]
    rows[10] = f"{10:6.1f} {'':8} {77.5:8.2f}"
    rows[15] = f"{15:6.1f} {'1 2':>8} {76.25:8.2f}"
    rows[20] = f"{20:6.1f} {22.5:8.3f} {75:8.2f}      9.99"
    table = table_of("  Time    Tout      Tin\n" + "\n".join(rows) + "\n")
    assert table.height == 29
    assert table.numbers(1).values[10] is None
    assert table.numbers(1).values[15] is None
    assert table.numbers(2).values[10] == 77.5
    assert [(each.line, each.reason) for each in table.rejected] == [
        (22, "4 cells where the other lines have 3")
    ]


def test_ten_thousand_columns(table_of):
    names = ",".join(f"c{at}" for at in range(10_000))
    rows = "".join(
        ",".join(f"{at * row % 97}.5" for at in range(10_000)) + "\n" for row in range(40)
    )
    table = table_of(names + "\n" + rows)
    assert (table.height, table.width) == (40, 10_000)
    table.prepare(numbers=[9_999], text=[1])
    assert table.numbers(table.find("c9999")).values[1] == 9999 % 97 + 0.5
    assert table.text(1)[2] == "2.5"


# ---------------------------------------------------------------- numbers


def numbers_of(table_of, *cells: str, **log: object):
    rows = "".join(f"{at};{cell}\n" for at, cell in enumerate(cells))
    return table_of("t;x\n" + rows, **log).numbers(1)


@pytest.mark.parametrize(
    ("cells", "values", "found"),
    [
        # a zero before the mark proves it, so the last of several is the decimal one
        (["0.000", "100.000", "1.003.000", "25.130.000"], [0, 100, 1003, 25130], []),
        # nothing proves it: every mark groups, which is said
        (["100.000", "1.003.000"], [100000, 1003000], ["thousands_mark"]),
        # 998, 999, 1.000: goes on without a jump only as thousands
        (["997", "998", "999", "1.000", "1.001"], [997, 998, 999, 1000, 1001], ["thousands_mark"]),
        (["3.998", "4", "4.003", "4.011", "5"], [3.998, 4, 4.003, 4.011, 5], ["ambiguous_number"]),
        (["3.658", "3.660"], [3.658, 3.66], ["ambiguous_number"]),
        (["3,658", "3,660"], [3.658, 3.66], ["ambiguous_number"]),
        (["1.234,5", "2,5"], [1234.5, 2.5], []),
        (["1,234.5", "2.5"], [1234.5, 2.5], []),
        (["1'234.5", "12 345.5", "2.5"], [1234.5, 12345.5, 2.5], []),
        (["1.5e3", "-2E-2", "+7"], [1500, -0.02, 7], []),
        (["−5.5", "–6.5"], [-5.5, -6.5], []),  # typographic minus signs
        ([".5", "5.", "-.25"], [0.5, 5, -0.25], []),
    ],
)
def test_decimal_and_thousands_marks(
    table_of, cells: list[str], values: list[float], found: list[str]
):
    numbers = numbers_of(table_of, *cells)
    assert numbers.values.to_list() == values
    assert [finding.fault for finding in numbers.findings] == found
    assert not numbers.bad_count


@pytest.mark.parametrize(
    ("cells", "both"),
    [
        ('"2026-01-14 07:31:{at:02}",0,-3.5', False),  # the comma behind a quoted cell parts cells
        ('{at},"a,",0,"-3.5"', False),
        ('{at},"1,55,000.5",-3.5', False),
        ('{at},"{at},25",-3.5', True),
        ('{at}, "0,5 °C" ,-3.5', True),
    ],
)
def test_a_decimal_comma_in_a_comma_file_stands_in_one_quoted_cell(table_of, cells, both):
    rows = "".join(cells.format(at=at) + "\n" for at in range(10, 40))
    names = ",".join(["Time", "A", "B", "C"][: 4 if '"a,"' in cells else 3])
    found = [finding.fault for finding in table_of(f"{names}\n{rows}").findings]
    assert found == (["mixed_decimal_marks"] if both else [])


@pytest.mark.parametrize("stated", [",", "."])
def test_a_decimal_mark_that_the_file_has_not_is_said(table_of, stated):
    numbers = numbers_of(table_of, "3,65" if stated == "." else "3.65", "4", decimal=stated)
    assert numbers.values.to_list() == [3.65, 4.0]
    (finding,) = numbers.findings
    assert finding.fault == "decimal_disagrees"
    assert f"not {stated!r} as run.toml states" in finding.detail
    as_stated = numbers_of(table_of, f"3{stated}65", f"1{stated}234", decimal=stated)
    assert as_stated.values.to_list() == [3.65, 1.234]
    assert not as_stated.findings


def test_what_one_column_proves_holds_for_the_others(table_of):
    table = table_of("t;a;b\n" + "".join(f"{at};1.{at:03d};0,{at:02d}\n" for at in range(20)))
    assert table.dialect.decimal == ","
    assert table.numbers(1).values[5] == 1005.0
    assert not table.numbers(1).findings


def test_columns_with_different_marks(table_of):
    table = table_of("t;a;b\n" + "".join(f"{at};1.{at:02d};0,{at:02d}\n" for at in range(20)))
    assert [finding.fault for finding in table.findings] == ["mixed_decimal_marks"]
    assert (table.numbers(1).values[5], table.numbers(2).values[5]) == (1.05, 0.05)


def test_two_marks_in_one_column_are_not_read_as_one(table_of):
    numbers = numbers_of(table_of, "1.5", "2,5", "3,125")
    assert [finding.fault for finding in numbers.findings] == ["mixed_decimal_marks"]
    assert numbers.values.to_list() == [1.5, None, None]
    assert numbers.bad_count == 2


def test_marks_stated(table_of):
    assert numbers_of(table_of, "3.658", "4.100", decimal=".").findings == ()
    assert numbers_of(table_of, "3.658", "4.100", thousands=".").values.to_list() == [3658, 4100]
    assert numbers_of(table_of, "3,658", "4,100", decimal=".").values.to_list() == [3658, 4100]


def test_marks_that_show_only_far_down_the_file(table_of):
    rows = "".join(f"{at};{900 + at % 90}\n" for at in range(9000))
    table = table_of("t;rpm\n" + rows + "".join(f"{at};1.{at % 90:03d}\n" for at in range(9000)))
    values = table.numbers(1).values
    assert values.max() == 1089.0
    assert [finding.fault for finding in table.numbers(1).findings] == ["thousands_mark"]


def test_words_and_bad_cells_are_counted_with_their_lines(table_of):
    numbers = numbers_of(
        table_of, "1.5", "OVER", "over", "", "12..5", "---", "Err 7", "-9999", "2.5"
    )
    assert numbers.values.to_list() == [1.5, None, None, None, None, None, None, None, 2.5]
    assert numbers.words == {"OVER": 1, "over": 1, "": 1, "---": 1, "-9999": 1}
    assert [(bad.line, bad.text) for bad in numbers.bad] == [(6, "12..5"), (8, "Err 7")]


def test_bad_cells_are_all_counted_but_not_all_kept(table_of):
    numbers = numbers_of(table_of, *[f"garbage {at}" if at % 2 else "1.5" for at in range(2000)])
    assert numbers.bad_count == 1000
    assert len(numbers.bad) == 100


@pytest.mark.parametrize("value", ["-9999", "-999.9", "9.9E37", "-999"])
def test_sentinels_stand_apart(table_of, value: str):
    numbers = numbers_of(table_of, "20.5", value, "21.5")
    assert numbers.values.to_list() == [20.5, None, 21.5]
    assert sum(numbers.words.values()) == 1


def test_a_counter_keeps_its_minus_999(table_of):
    numbers = numbers_of(table_of, "-997", "-998", "-999", "-1000")
    assert numbers.values.to_list() == [-997, -998, -999, -1000]
    assert numbers.words == {}


def test_999_must_be_stated(table_of):
    suspected = numbers_of(table_of, "20.5", "999.0", "21.5")
    assert suspected.values.to_list() == [20.5, 999.0, 21.5]
    assert [finding.fault for finding in suspected.findings] == ["suspected_no_reading"]
    stated = numbers_of(table_of, "20.5", "999.0", "999", "21.5", no_reading=["999"])
    assert stated.values.to_list() == [20.5, None, None, 21.5]
    assert stated.words == {"999": 2}
    assert stated.findings == ()


def test_units_inside_cells(table_of):
    numbers = numbers_of(table_of, "82C", "82.5 °C", "82 Â°C", "OVER C", "83c", "12 x")
    assert numbers.values.to_list() == [82.0, 82.5, 82.0, None, 83.0, None]
    assert numbers.cell_units == {"C": 2, "°C": 2}
    assert [finding.fault for finding in numbers.findings] == ["mixed_cell_units"]
    assert [bad.text for bad in numbers.bad] == ["OVER C", "12 x"]


def test_as_many_cells_in_either_unit_always_come_out_alike(table_of):
    cells = [f"{at}.5 {unit}" for at in range(40) for unit in ("°C", "°F")]
    firsts = {numbers_of(table_of, *cells).values[0] for _ in range(20)}
    assert len(firsts) == 1


@pytest.mark.parametrize(
    ("cells", "values", "unit"),
    [
        (["9.198 V", "9 V", "870 mV"], [9.198, 9.0, 0.87], "V"),
        (["51.95 kPa", "0.5195 bar", "52 kPa"], [51.95, 51.95, 52.0], "kPa"),
        (["-3.65 °C", "25.43 °F", "0 °C"], [-3.65, -3.65, 0.0], "°C"),
        (["51.95 kPa", "52 kPa", "12.6 V"], [51.95, 52.0, None], "kPa"),
    ],
)
def test_cells_in_other_units_are_brought_to_the_commonest(table_of, cells, values, unit):
    numbers = numbers_of(table_of, *cells)
    assert numbers.values.to_list() == pytest.approx(values)
    assert f"taken to {unit}" in numbers.findings[0].detail
    assert [bad.text for bad in numbers.bad] == [
        cell for cell, value in zip(cells, values, strict=True) if value is None
    ]


def test_never_nan_or_infinite(table_of):
    numbers = numbers_of(table_of, "1.5", "nan", "inf", "-Infinity", "1e999", "2.5")
    assert numbers.values.to_list() == [1.5, None, None, None, None, 2.5]
    assert numbers.words == {"nan": 1, "inf": 1, "-Infinity": 1}
    assert [bad.text for bad in numbers.bad] == ["1e999"]


def test_numbers_do_not_depend_on_what_was_asked_before(table_of):
    data = "t,a,b,c\n" + "".join(
        f"{at},{'OL' if at == 7 else at / 8},{'' if at == 3 else at / 4},{at}\n" for at in range(40)
    )
    alone = [table_of(data).numbers(at) for at in range(4)]
    table = table_of(data)
    table.prepare(numbers=[3, 1], text=[2])
    together = [table.numbers(at) for at in (3, 2, 1, 0)][::-1]
    for one, other in zip(alone, together, strict=True):
        assert one.words == other.words
        assert one.values.to_list() == other.values.to_list()
    assert alone[1].words == {"OL": 1}
    assert alone[2].words == {"": 1}


def test_text_is_stripped_and_null_where_empty(table_of):
    table = table_of('t,a,b\n0, x ,"  "\n1,,"a,b"\n2,"say ""hi""",3\n')
    assert table.text(1).to_list() == ["x", None, 'say "hi"']
    assert table.text(2).to_list() == [None, "a,b", "3"]
    assert table.text(1).dtype == pl.String


# ---------------------------------------------------------------- lines that are not rows


def test_rejected_lines_have_their_place_and_reason(table_of):
    table = table_of(
        "t,a,b\n1,2,3\n1,2\n\n# lever moved\n2,3,4,5\nlogger paused\n3,4,5\n4,5,6\n5,6"
    )
    assert table.numbers(0).values.to_list() == [1, 3, 4]
    assert [table.line(row) for row in range(3)] == [2, 8, 9]
    assert [(rejected.line, rejected.text, rejected.reason) for rejected in table.rejected] == [
        (3, "1,2", "2 cells where the other lines have 3"),
        (5, "# lever moved", "a comment, no reading"),
        (6, "2,3,4,5", "4 cells where the other lines have 3"),
        (7, "logger paused", "text between the readings"),
        (10, "5,6", "a last line that is cut off"),
    ]


def test_rejected_lines_are_all_counted_but_not_all_kept(table_of):
    table = table_of("t,a,b\n" + "1,2,3\n1,2\n1,2,3\n" * 3000)
    assert (table.height, table.rejected_count) == (6000, 3000)
    assert len(table.rejected) == REJECTS_KEPT


def test_last_line_that_lacks_a_decimal_is_cut_off(table_of):
    whole = table_of(ROWS[:-1])
    assert (whole.height, whole.rejected_count) == (30, 0)
    cut = table_of(ROWS[:-2])
    assert (cut.height, cut.rejected_count) == (29, 1)
    assert cut.rejected[0].reason == "a last line that is cut off"


def test_a_preview_calls_no_line_cut_off(tmp_path: Path):
    path = tmp_path / "log.csv"
    path.write_text(ROWS * 50, encoding="utf-8")
    table = read_text_table(path, LogTable(file=path.name), max_bytes=1000)
    assert table.rejected_count == 0
    assert 0 < table.height < 100


def test_header_that_names_other_columns(table_of):
    """Numbers below it would land under the wrong names."""
    table = table_of("t,a,b\n" + ROWS + "t,b,a\n" + ROWS + "t,a,b\n9,9,9\n")
    assert table.height == 31
    assert table.restarts == (30,)
    assert table.rejected_count == 31
    assert table.rejected[0].reason == "another header, which names other columns"
    assert table.rejected[0].line == 32


def test_other_header_is_remembered_from_part_to_part(tmp_path: Path):
    path = tmp_path / "log.csv"
    path.write_text("t,a,b\n" + ROWS * 20 + "t,b,a\n" + ROWS * 200, encoding="utf-8")
    parts = list(iter_text(path, LogTable(file=path.name), chunk_bytes=2048))
    assert sum(part.height for part in parts) == 600
    assert sum(part.rejected_count for part in parts) == 6001


def test_restart_repeats_names_and_units(table_of):
    block = "t,a,b\ns,C,C\n" + ROWS
    table = table_of(block * 3)
    assert table.height == 90
    assert table.restarts == (30, 60)
    assert table.rejected_count == 0
    assert [table.line(row) for row in (0, 30, 89)] == [3, 35, 96]


def test_a_sparse_row_is_a_row_but_bare_delimiters_are_a_blank_line(table_of):
    table = table_of("t,a,b\n,,\n0,1,2\n,,\n1,,\n2,3,4\n,,\n")
    assert table.height == 3
    assert table.numbers(1).words == {"": 1}
    assert [table.line(row) for row in range(3)] == [3, 5, 6]
    assert table.rejected_count == 0


def test_quoted_cells_that_hold_line_ends(table_of):
    table = table_of('"Time\n[s]","Outlet\n[°C]",Note\n0,1.5,"a\nb"\n1,2.5,c\n2,3.5,d\n')
    assert table.names == ("Time [s]", "Outlet [°C]", "Note")
    assert table.units == ("s", "°C", None)
    assert table.text(2).to_list() == ["a b", "c", "d"]
    assert [table.line(row) for row in range(3)] == [4, 6, 7]


def test_a_quotation_mark_that_is_never_closed_costs_one_line(table_of):
    table = table_of('t,a,note\n0,1,x\n1,2,"open\n2,3,y\n3,4,z\n')
    assert table.numbers(0).values.to_list() == [0, 2, 3]
    assert [rejected.line for rejected in table.rejected] == [3]


def test_inch_marks_are_no_quotation_marks(table_of):
    table = table_of('t,a,note\n0,1,3/8" hose\n1,2,"a ""b"""\n2,3,1" and 2" hose\n')
    assert table.text(2).to_list() == ['3/8" hose', 'a "b"', '1" and 2" hose']


def test_records_filled_up_with_nul_bytes(table_of):
    records = b"".join(f"{at},{at / 8}".encode().ljust(24, b"\0") + b"\n" for at in range(30))
    table = table_of(records)
    assert table.height == 30
    assert table.numbers(1).values[8] == 1.0


def test_damaged_characters_are_counted(table_of):
    table = table_of(
        "Zeit [s],Außen [°C],Öl [°C]\n".encode() + b"0,1,2\n1,2,3\n2,\xff\xfe,4\n3,4,5\n"
    )
    assert "damaged_characters" in {finding.fault for finding in table.findings}
    assert table.units == ("s", "°C", "°C")
    assert table.numbers(1).bad_count == 1


def test_utf16_cut_in_the_middle_of_a_character(tmp_path: Path):
    path = tmp_path / "log.csv"
    path.write_bytes(("t,a\n" + "1,2\n" * 40).encode("utf-16")[:-1])
    table = read_text_table(path, LogTable(file=path.name))
    assert table.height == 40


# ---------------------------------------------------------------- large files


def test_parts_hold_bounded_numbers_of_rows(tmp_path: Path):
    path = tmp_path / "log.csv"
    path.write_bytes(("t;a;b\r\n" + ROWS.replace(",", ";").replace("\n", "\r\n") * 400).encode())
    log = LogTable(file=path.name)
    whole = read_text_table(path, log)
    parts = list(iter_text(path, log, chunk_bytes=20_000))
    assert len(parts) > 10
    assert max(part.height for part in parts) < 2000
    joined = np.concatenate([part.numbers(1).values.to_numpy() for part in parts])
    np.testing.assert_array_equal(joined, whole.numbers(1).values.to_numpy())
    assert parts[3].line(0) == whole.line(parts[3].first_row)


def test_a_file_without_line_ends_is_refused_before_it_fills_the_memory(tmp_path: Path):
    path = tmp_path / "log.csv"
    path.write_bytes(b"t,a\n" + b"1,2\n" * 20_000 + b"1," * (4 * LONGEST_LINE))
    fault = fault_of(lambda: list(iter_text(path, LogTable(file=path.name), chunk_bytes=1 << 20)))
    assert "without a line end" in fault


# ---------------------------------------------------------------- more habits


@pytest.mark.parametrize(
    ("data", "names"),
    [
        ("sep=;\nTime;T1\n0;1,5\n1;2,5\n2;3,5\n", ("Time", "T1")),
        ("Time,T1\n----,----\n0,1.5\n1,2.5\n2,3.5\n", ("Time", "T1")),
        ("| Time | T1 |\n|------|----|\n| 0 | 1.5 |\n| 1 | 2.5 |\n", ("Time", "T1")),
        ("Time,T1\n\n0,1.5\n\n1,2.5\n", ("Time", "T1")),
        ("Time;T1\n0;1,5\n", ("Time", "T1")),
        ("0;1,5\n1;2,5\n", ("1", "2")),
        ("a long remark about the car\n" * 3000 + "Time,T1\n" + "0,1.5\n" * 300, ("Time", "T1")),
        ("# Time T1\n0 1.5\n1 2.5\n2 3.5\n", ("Time", "T1")),
        (",T1\n0,1.5\n1,2.5\n2,3.5\n", ("", "T1")),
        ("'Time','T1'\n'0','1.5'\n'1','2.5'\n", ("Time", "T1")),
    ],
)
def test_small_habits(table_of, data: str, names: tuple[str, ...]):
    table = table_of(data)
    assert table.names == names
    assert table.numbers(1).values[0] == 1.5
    assert table.numbers(1).values.null_count() == 0
    assert table.rejected_count == 0


def test_a_broken_line_before_the_first_whole_one_is_rejected_not_a_remark(table_of):
    table = table_of("Time,T1,T2\n0,1\n1,2,3\n2,3,4\n3,4,5\n")
    assert table.height == 3
    assert [(rejected.line, rejected.text) for rejected in table.rejected] == [(2, "0,1")]
    assert table.dialect.metadata == ()


def test_delimiters_that_fill_up_every_line(table_of):
    rows = "".join(f"{at},{at / 8},,,\n" for at in range(20))
    table = table_of("Test log,,,,\n,,,,\nTime,T1,,,\n" + rows + ",,,,\n")
    assert table.names == ("Time", "T1")
    assert table.dialect.trailing_delimiters == 3
    assert table.height == 20
    assert table.findings == ()
    filled = table_of("Time,T1,,,\n" + rows + "1,2,,x,\n" + rows * 9)
    assert [finding.fault for finding in filled.findings] == ["cells_without_name"]


def test_a_byte_order_mark_written_again_at_a_restart(table_of):
    block = "Time,T1\n" + "1,2.5\n" * 8
    table = table_of(("\ufeff" + block) * 2)
    assert (table.height, table.restarts, table.rejected_count) == (16, (8,), 0)


def test_a_unit_in_the_name_counts_where_the_units_row_has_none(table_of) -> None:
    """Its cell is empty, or says that there is none."""
    head = "Time,T1 (degC),T2 (degF),V (m/s),n\ns,,-,km/h,-\n"
    rows = "".join(f"{at},{20 + at},{70 + at},{at % 9},{at}\n" for at in range(30))
    assert table_of(head + rows).units == ("s", "degC", "degF", "km/h", None)
