"""Workbooks in the habits of people and programs: right, or asked; never wrong in silence.

Written with xlsxwriter (and openpyxl, whose formulas have no stored value); what a cell means is
ECMA-376 part 1, 18.8.30 (number formats) and 18.17.4 (dates). Invented data.
"""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pytest
import xlsxwriter

from ingest.clock.log_clock import build_clock
from ingest.draft.draft import draft_setup
from ingest.errors import UnusableRun
from ingest.load.load import load_run
from ingest.setup.model import LogTable
from ingest.table.open import open_log
from ingest.table.workbook.parts import behind_number
from tests.support.run_folders import setup_text, write_run

ROWS = 40
SECONDS = [float(row) for row in range(ROWS)]
OUTLET = [20.0 + row / 8 for row in range(ROWS)]
LEVER = [float(row % 3) * 45.5 for row in range(ROWS)]
NAMES = ["Time", "Outlet", "Lever"]
UNITS = ["s", "degC", "%"]
START = datetime(2026, 1, 14, 7, 31, 0, 250000)  # noqa: DTZ001 - a workbook's dates have no zone

Fill = Callable[[xlsxwriter.Workbook, Any], None]


def columns(sheet: Any, first: int, left: int = 0, time_cells: list[Any] | None = None) -> None:
    for at, column in enumerate((time_cells or SECONDS, OUTLET, LEVER)):
        sheet.write_column(first, left + at, column)


def plain(_: xlsxwriter.Workbook, sheet: Any) -> None:
    sheet.write_row(0, 0, NAMES)
    sheet.write_row(1, 0, UNITS)
    columns(sheet, 2)


def units_in_names(_: xlsxwriter.Workbook, sheet: Any) -> None:
    sheet.write_row(0, 0, ["Time [s]", "Outlet [degC]", "Lever [%]"])
    columns(sheet, 1)


def title_and_remarks(_: xlsxwriter.Workbook, sheet: Any) -> None:
    sheet.write(0, 0, "Road test of van 14")
    sheet.write_row(1, 0, ["Driver", "R. Marsh"])
    sheet.write(2, 0, "Calibrated")
    sheet.write_row(4, 0, NAMES)
    sheet.write_row(5, 0, UNITS)
    columns(sheet, 6)


def blank_rows(_: xlsxwriter.Workbook, sheet: Any) -> None:
    plain(_, sheet)
    for row in (2, 3):
        sheet.write_row(ROWS + 2 + row, 0, ["", "", ""])


def begins_in_b3(_: xlsxwriter.Workbook, sheet: Any) -> None:
    sheet.write_row(2, 1, NAMES)
    sheet.write_row(3, 1, UNITS)
    columns(sheet, 4, 1)


def line_ends_in_names(_: xlsxwriter.Workbook, sheet: Any) -> None:
    sheet.write_row(0, 0, ["Time\n[s]", "Outlet\n[degC]", "Lever\n[%]"])
    columns(sheet, 1)


def merged_down(book: xlsxwriter.Workbook, sheet: Any) -> None:
    sheet.merge_range(0, 0, 1, 0, "Time")
    sheet.merge_range(0, 1, 0, 2, "Readings")
    sheet.write_row(1, 1, NAMES[1:])
    sheet.write_row(2, 0, UNITS)
    columns(sheet, 3)


def percent(book: xlsxwriter.Workbook, sheet: Any) -> None:
    sheet.write_row(0, 0, ["Time [s]", "Outlet [degC]", "Lever"])
    columns(sheet, 1)
    sheet.write_column(1, 2, [value / 100 for value in LEVER], book.add_format({"num_format": 10}))


def own_percent_format(book: xlsxwriter.Workbook, sheet: Any) -> None:
    sheet.write_row(0, 0, ["Time [s]", "Outlet [degC]", "Lever"])
    columns(sheet, 1)
    style = book.add_format({"num_format": "[Blue]0.0%;[Red]-0.0%"})
    sheet.write_column(1, 2, [value / 100 for value in LEVER], style)


def unit_in_format(book: xlsxwriter.Workbook, sheet: Any) -> None:
    sheet.write_row(0, 0, ["Time [s]", "Outlet", "Lever [%]"])
    columns(sheet, 1)
    sheet.write_column(1, 1, OUTLET, book.add_format({"num_format": '0.0" °C"'}))


def formulas(_: xlsxwriter.Workbook, sheet: Any) -> None:
    plain(_, sheet)
    for row, value in enumerate(OUTLET):
        sheet.write_formula(row + 2, 1, f"=D{row + 3}*2", None, value)


def numbers_as_text(_: xlsxwriter.Workbook, sheet: Any) -> None:
    plain(_, sheet)
    for row, value in enumerate(OUTLET):
        sheet.write_string(row + 2, 1, f"{value:.3f}")


def comma_text(_: xlsxwriter.Workbook, sheet: Any) -> None:
    plain(_, sheet)
    for row, value in enumerate(OUTLET):
        sheet.write_string(row + 2, 1, f"{value:.4f}".replace(".", ","))


def all_of_it_text(_: xlsxwriter.Workbook, sheet: Any) -> None:
    """Pasted from a page, or exported by a program whose numbers have decimal commas."""
    sheet.write_row(0, 0, NAMES)
    sheet.write_row(1, 0, UNITS)
    for row, cells in enumerate(zip(SECONDS, OUTLET, LEVER, strict=True)):
        for at, value in enumerate(cells):
            sheet.write_string(row + 2, at, f"{value:.4f}".replace(".", ","))


def words_for_no_reading(_: xlsxwriter.Workbook, sheet: Any) -> None:
    plain(_, sheet)
    for row in (5, 6):
        sheet.write_string(row, 1, "OVER")
    sheet.write_formula(7, 1, "=1/0", None, "#DIV/0!")


OUTLET_WITH_GAPS = [*OUTLET[:3], None, None, None, *OUTLET[6:]]


def dates(book: xlsxwriter.Workbook, sheet: Any) -> None:
    sheet.write_row(0, 0, ["Date/Time", "Outlet [degC]", "Lever [%]"])
    columns(sheet, 1)
    style = book.add_format({"num_format": "dd.mm.yyyy hh:mm:ss"})
    for row in range(ROWS):
        sheet.write_datetime(row + 1, 0, START + timedelta(seconds=row), style)


def american_dates(book: xlsxwriter.Workbook, sheet: Any) -> None:
    sheet.write_row(0, 0, ["Timestamp", "Outlet [degC]", "Lever [%]"])
    columns(sheet, 1)
    style = book.add_format({"num_format": 'm/d/yy "at" h:mm AM/PM'})
    for row in range(ROWS):
        sheet.write_datetime(row + 1, 0, START + timedelta(seconds=row), style)


def date_and_time_apart(book: xlsxwriter.Workbook, sheet: Any) -> None:
    sheet.write_row(0, 0, ["Date", "Time", "Outlet [degC]", "Lever [%]"])
    day, clock = book.add_format({"num_format": 14}), book.add_format({"num_format": 21})
    columns(sheet, 1, 1)
    for row in range(ROWS):
        sheet.write_datetime(row + 1, 0, date(2026, 1, 14), day)
        sheet.write_datetime(row + 1, 1, (START + timedelta(seconds=row)).time(), clock)


def elapsed_over_a_day(book: xlsxwriter.Workbook, sheet: Any) -> None:
    sheet.write_row(0, 0, ["Elapsed", "Outlet [degC]", "Lever [%]"])
    columns(sheet, 1)
    style = book.add_format({"num_format": "[h]:mm:ss"})
    for row in range(ROWS):
        sheet.write_number(row + 1, 0, (86400 * 1.2 + row) / 86400, style)


def notes_sheet_beside(book: xlsxwriter.Workbook, sheet: Any) -> None:
    plain(book, sheet)
    other = book.add_worksheet("Notes")
    other.write(0, 0, "The heater stays cold on the motorway.")
    book.add_worksheet("Empty")


def a_chart(book: xlsxwriter.Workbook, sheet: Any) -> None:
    plain(book, sheet)
    chart = book.add_chart({"type": "line"})
    chart.add_series({"values": "=Log!$B$3:$B$42"})
    book.add_chartsheet("Picture").set_chart(chart)


def newest_first(_: xlsxwriter.Workbook, sheet: Any) -> None:
    sheet.write_row(0, 0, NAMES)
    sheet.write_row(1, 0, UNITS)
    for at, column in enumerate((SECONDS, OUTLET, LEVER)):
        sheet.write_column(2, at, column[::-1])


HABITS: list[Fill] = [
    *(plain, units_in_names, title_and_remarks, blank_rows, begins_in_b3, line_ends_in_names),
    *(merged_down, percent, own_percent_format, unit_in_format, formulas, numbers_as_text),
    *(comma_text, all_of_it_text, words_for_no_reading, dates, american_dates, date_and_time_apart),
    *(elapsed_over_a_day, notes_sheet_beside, a_chart, newest_first),
]


def written(path: Path, fill: Fill, **options: object) -> Path:
    with xlsxwriter.Workbook(path, options) as book:
        fill(book, book.add_worksheet("Log"))
    return path


@pytest.mark.parametrize("fill", HABITS, ids=lambda fill: str(fill.__name__))
def test_a_habit_is_read_right(fill: Fill, tmp_path: Path) -> None:
    log = LogTable(file="log.xlsx")
    table = open_log(written(tmp_path / "log.xlsx", fill), log)
    assert table is not None
    clock = build_clock(table, log)
    start = clock.time[0]
    step = [pytest.approx(row, abs=2e-3) for row in range(ROWS)]  # a day's fraction in whole ms
    assert [value - start for value in clock.time] == step
    outlet, lever = table.find("Outlet"), table.find("Lever")
    wanted = OUTLET_WITH_GAPS if fill is words_for_no_reading else OUTLET
    assert [table.numbers(outlet).values[int(row)] for row in clock.rows] == wanted
    assert [table.numbers(lever).values[int(row)] for row in clock.rows] == LEVER
    unit = table.units[outlet] or next(iter(table.numbers(outlet).cell_units))
    assert unit in ("degC", "°C")
    assert (table.units[lever] or next(iter(table.numbers(lever).cell_units))) == "%"
    assert not table.rejected
    drafted = draft_setup(tmp_path / "log.xlsx")
    assert {each.point for each in drafted.proposals} == {"outlet", "temp_lever"}
    assert drafted.time is not None


def test_the_clock_of_dates(tmp_path: Path) -> None:
    log = LogTable(file="log.xlsx")
    table = open_log(written(tmp_path / "log.xlsx", dates), log)
    assert table is not None
    assert build_clock(table, log).started == START
    later = written(tmp_path / "mac.xlsx", dates, date_1904=True)
    table = open_log(later, log)
    assert table is not None
    assert build_clock(table, log).started == START


def test_a_line_is_the_row_of_the_sheet(tmp_path: Path) -> None:
    table = open_log(written(tmp_path / "a.xlsx", begins_in_b3), LogTable(file="a.xlsx"))
    assert table is not None
    assert table.line(0) == 5


def two_logs(book: xlsxwriter.Workbook, sheet: Any) -> None:
    plain(book, sheet)
    other = book.add_worksheet("After repair")
    plain(book, other)
    other.write(2, 1, 77.0)


def test_several_sheets_are_asked(tmp_path: Path) -> None:
    path = written(tmp_path / "log.xlsx", two_logs)
    with pytest.raises(UnusableRun, match=r"'Log', 'After repair'.*sheet = "):
        open_log(path, LogTable(file="log.xlsx"))
    for sheet in ("After repair", 2):
        table = open_log(path, LogTable(file="log.xlsx", sheet=sheet))
        assert table is not None
        assert table.numbers(1).values[0] == 77.0
    with pytest.raises(UnusableRun, match="no sheet of"):
        open_log(path, LogTable(file="log.xlsx", sheet="Before"))
    assert 'sheet = "After repair"' in draft_setup(path, "After repair").text


def same_names(book: xlsxwriter.Workbook, sheet: Any) -> None:
    sheet.merge_range(0, 1, 0, 2, "Outlet")
    sheet.merge_range(0, 3, 0, 4, "Return hose")
    sheet.write_row(1, 0, ["Time [s]", "mean", "max", "mean", "max"])
    for row in range(ROWS):
        sheet.write_row(row + 2, 0, [row, row + 1, row + 2, row + 3, row + 4])


def test_heads_over_names_that_repeat(tmp_path: Path) -> None:
    table = open_log(written(tmp_path / "a.xlsx", same_names), LogTable(file="a.xlsx"))
    assert table is not None
    assert table.names[1:] == ("Outlet mean", "Outlet max", "Return hose mean", "Return hose max")
    assert table.numbers(table.find("Return hose mean")).values[0] == 3.0


def test_formulas_that_were_never_worked_out_are_said(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["Time [s]", "Outlet [degC]", "Fahrenheit"])
    for row in range(ROWS):
        sheet.append([row, OUTLET[row], f"=B{row + 2}*1.8+32"])
    book.save(tmp_path / "a.xlsx")
    table = open_log(tmp_path / "a.xlsx", LogTable(file="a.xlsx"))
    assert table is not None
    (finding,) = [each for each in table.findings if each.fault == "formulas_without_value"]
    assert finding.evidence == {"cells": ROWS}
    assert table.numbers(1).values.to_list() == OUTLET
    assert [each.column for each in draft_setup(tmp_path / "a.xlsx").proposals] == [2, 3]


def test_a_date_among_readings_is_no_reading(tmp_path: Path) -> None:
    def spoiled(book: xlsxwriter.Workbook, sheet: Any) -> None:
        plain(book, sheet)
        style = book.add_format({"num_format": "d-mmm"})
        sheet.write_datetime(9, 1, datetime(2026, 5, 3, tzinfo=UTC).replace(tzinfo=None), style)

    table = open_log(written(tmp_path / "a.xlsx", spoiled), LogTable(file="a.xlsx"))
    assert table is not None
    numbers = table.numbers(1)
    assert numbers.values[7] is None
    assert (numbers.bad_count, numbers.bad[0].line) == (1, 10)


@pytest.mark.parametrize(
    ("code", "behind"),
    [
        ("0.0%", "%"),
        ('0.0" °C"', "°C"),
        ("0.0\\ \\m\\V", "mV"),
        ('#,##0.00" kPa";[Red]-#,##0.00" kPa"', "kPa"),
        ('General" V"', "V"),
        ("0.00E+00", None),
        ("[h]:mm:ss", None),
        ('yyyy"-"mm"-"dd', None),
        ('0" pieces"', None),
        ('0.0_);"%"', None),
        ("@", None),
    ],
)
def test_what_a_number_format_shows(code: str, behind: str | None) -> None:
    assert behind_number(code) == behind


def test_a_cell_far_away_does_not_fill_the_memory(tmp_path: Path) -> None:
    def far(book: xlsxwriter.Workbook, sheet: Any) -> None:
        plain(book, sheet)
        sheet.write(1_048_575, 16_383, 1)

    with pytest.raises(UnusableRun, match="1048576 rows and 16384 columns"):
        open_log(written(tmp_path / "a.xlsx", far), LogTable(file="a.xlsx"))


def test_broken_and_foreign_documents(tmp_path: Path) -> None:
    path = written(tmp_path / "a.xlsx", plain)
    half = tmp_path / "half.xlsx"
    half.write_bytes(path.read_bytes()[:-400])
    with pytest.raises(UnusableRun, match=r"damaged"):
        open_log(half, LogTable(file="half.xlsx"))
    letter = tmp_path / "letter.docx"
    with zipfile.ZipFile(letter, "w") as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        archive.writestr("word/document.xml", "<w/>")
    with pytest.raises(UnusableRun, match=r"no \.xlsx workbook"):
        open_log(letter, LogTable(file="letter.docx"))
    empty = written(tmp_path / "empty.xlsx", lambda _book, _sheet: None)
    with pytest.raises(UnusableRun, match="no numbers"):
        open_log(empty, LogTable(file="empty.xlsx"))


def test_times_alone_are_times(tmp_path: Path) -> None:
    def clock(book: xlsxwriter.Workbook, sheet: Any) -> None:
        sheet.write_row(0, 0, ["Time", "Outlet [degC]"])
        style = book.add_format({"num_format": "hh:mm:ss"})
        for row in range(ROWS):
            sheet.write_datetime(
                row + 1, 0, time(23, 59, 40 + row) if row < 20 else time(0, 0, row - 20), style
            )
            sheet.write(row + 1, 1, OUTLET[row])

    log = LogTable(file="a.xlsx")
    table = open_log(written(tmp_path / "a.xlsx", clock), log)
    assert table is not None
    found = build_clock(table, log)
    assert [value - found.time[0] for value in found.time] == [
        pytest.approx(row, abs=2e-3) for row in range(ROWS)
    ]


def test_a_part_that_unpacks_without_end_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = written(tmp_path / "a.xlsx", plain)
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    parts["xl/sharedStrings.xml"] = b"<sst>" + b"<si><t>a</t></si>" * 100_000
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    monkeypatch.setattr("ingest.table.workbook.parts.MAX_PART", 1 << 20)
    with pytest.raises(UnusableRun, match="unpacks to more than 1 MiB"):
        open_log(path, LogTable(file="a.xlsx"))


def test_parts_written_with_prefixes_and_absolute_targets(tmp_path: Path) -> None:
    """Both are allowed by ECMA-376 parts 1 and 2, and written by some programs."""
    path = written(tmp_path / "a.xlsx", percent)
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name).decode() for name in archive.namelist()}
    relations = "xl/_rels/workbook.xml.rels"
    parts[relations] = parts[relations].replace('Target="worksheets', 'Target="/xl/worksheets')
    sheet = parts["xl/worksheets/sheet1.xml"]
    sheet = sheet.replace("<", "<x:").replace("<x:/", "</x:").replace("<x:?", "<?")
    parts["xl/worksheets/sheet1.xml"] = sheet.replace("xmlns=", "xmlns:x=", 1)
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    table = open_log(path, LogTable(file="a.xlsx"))
    assert table is not None
    assert table.numbers(table.find("Lever")).values.to_list() == LEVER
    assert table.numbers(table.find("Lever")).cell_units == {"%": ROWS}


def test_a_format_with_another_unit_than_the_column_is_no_reading(tmp_path: Path) -> None:
    def odd(book: xlsxwriter.Workbook, sheet: Any) -> None:
        plain(book, sheet)
        sheet.write_row(0, 0, ["t", "OUT", "CIN"])
        sheet.write_row(1, 0, ["s", "degC", "degC"])
        style = book.add_format({"num_format": '0.0" °F"'})
        sheet.write_column(2, 2, LEVER, style)

    folder = write_run(tmp_path / "run", setup=setup_text().replace("log.csv", "log.xlsx"))
    written(folder / "log.xlsx", odd)
    run = load_run(folder)
    assert run.readings["outlet_degC"].to_list() == OUTLET
    assert run.readings["coolant_in_degC"].null_count() == ROWS
    (found,) = [each for each in run.findings if each.fault == "cell_unit_disagrees"]
    assert (found.channel, found.forbids) == ("coolant_in", True)
