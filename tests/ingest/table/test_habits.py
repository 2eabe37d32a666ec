"""Habits of writing that once were refused: whole lines in quotes, escapes, doubles of Fortran."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.clock.log_clock import build_clock
from ingest.setup.model import LogTable
from ingest.table.columns import Columns
from ingest.table.text.read import iter_text, read_text_table

ROWS = range(30)
OUTLET = [20 + row / 10 for row in ROWS]


def read(folder: Path, lines: list[str], **stated: object) -> Columns:
    path = folder / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    log = LogTable.model_validate({"file": "log.csv"} | stated)
    whole = read_text_table(path, log)
    parts = list(iter_text(path, log, chunk_bytes=1024))
    assert sum(part.height for part in parts) == whole.height
    assert parts[0].names == whole.names
    return whole


def check(table: Columns, outlet: str = "outlet") -> None:
    numbers = table.numbers(table.find(outlet))
    assert numbers.values.to_list() == OUTLET
    assert not numbers.bad_count
    assert table.height == len(ROWS)
    assert not table.rejected


def test_every_line_in_quotes(tmp_path: Path) -> None:
    lines = ['"t, outlet, lever"', *(f'"{row}, {OUTLET[row]}, {row % 5}"' for row in ROWS)]
    table = read(tmp_path, lines)
    assert table.names == ("t", "outlet", "lever")
    check(table)


def test_one_column_of_decimal_commas_in_quotes_stays_one(tmp_path: Path) -> None:
    table = read(
        tmp_path, ['"outlet"', *(f'"{OUTLET[row]:.1f}"'.replace(".", ",") for row in ROWS)]
    )
    assert table.names == ("outlet",)
    check(table)


def test_a_stated_delimiter_of_comma_and_blank_inside_quotes(tmp_path: Path) -> None:
    lines = ["t, note, outlet", *(f'{row}, "warm, but slow", {OUTLET[row]}' for row in ROWS)]
    for delimiter in (None, ", "):
        table = read(tmp_path, lines, delimiter=delimiter)
        assert table.text(1)[0] == "warm, but slow"
        check(table)


def test_blanks_beside_quotes_inside_other_quotes(tmp_path: Path) -> None:
    lines = ['"t", "the note, ", "outlet"', *(f'"{row}", "a, ", "{OUTLET[row]}"' for row in ROWS)]
    table = read(tmp_path, lines)
    assert table.text(1)[0] == "a,"
    check(table)


@pytest.mark.parametrize("delimiter", [",", ";"])
def test_quotation_marks_escaped_with_a_backslash(delimiter: str, tmp_path: Path) -> None:
    rows = [
        't,"the \\"main\\" note",outlet',
        *(f'{n},"say \\"hot\\", now",{OUTLET[n]}' for n in ROWS),
    ]
    table = read(tmp_path, [row.replace(",", delimiter) for row in rows])
    assert table.names == ("t", 'the "main" note', "outlet")
    assert table.text(1)[0] == f'say "hot"{delimiter} now'
    check(table)


def test_delimiters_escaped_with_a_backslash(tmp_path: Path) -> None:
    table = read(tmp_path, ["t,outlet,note", *(f"{n},{OUTLET[n]},warm\\, slow" for n in ROWS)])
    assert table.text(2)[0] == "warm, slow"
    check(table)


def test_a_path_in_the_remarks_escapes_nothing(tmp_path: Path) -> None:
    lines = ['# "C:\\logs\\new"', "t,outlet", *(f"{n},{OUTLET[n]}" for n in ROWS)]
    check(read(tmp_path, lines))


def test_exponents_with_a_d(tmp_path: Path) -> None:
    # Fortran's D edit descriptor, ISO/IEC 1539-1, 13.7.2.3.3
    lines = ["t,outlet", *(f"{n},{OUTLET[n] / 100:.5f}D+02" for n in ROWS)]
    numbers = read(tmp_path, lines).numbers(1)
    assert numbers.values.to_list() == pytest.approx(OUTLET)
    assert not numbers.bad_count


@pytest.mark.parametrize(
    "times",
    [
        [f"2026-01-14 23:59:{45 + n:02d}" if n < 15 else f"2026-01-15 00:00:{n - 15:02d}"
         for n in ROWS],
        [f"23:59:{45 + n:02d}" if n < 15 else f"00:00:{n - 15:02d}" for n in ROWS],
        [str(n) for n in ROWS],
    ],
    ids=["dates", "over midnight", "seconds"],
)  # fmt: skip
def test_newest_row_first(times: list[str], tmp_path: Path) -> None:
    lines = ["Time [s]" if times[0] == "0" else "Time", *times]
    lines = [f"{time},{value}" for time, value in zip(lines, ["outlet", *OUTLET], strict=True)]
    table = read(tmp_path, [lines[0], *reversed(lines[1:])])
    clock = build_clock(table, LogTable(file="log.csv"))
    assert [at - clock.time[0] for at in clock.time] == list(ROWS)
    assert [table.numbers(1).values[int(row)] for row in clock.rows] == OUTLET
    assert "turned_round" in [each.fault for each in clock.findings]


def test_a_row_without_a_time_in_a_log_that_was_turned_round(tmp_path: Path) -> None:
    lines = [f"{n},{OUTLET[n]}" for n in reversed(ROWS)]
    lines[3] = "later,55.5"
    table = read(tmp_path, ["Time [s],outlet", *lines])
    clock = build_clock(table, LogTable(file="log.csv"))
    assert [(each.line, each.text) for each in clock.rejected] == [(5, "later")]
    assert clock.time.size == len(ROWS) - 1
