"""What the README and the pages quote stands in the validation report, and is caught where not."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchmarks.validation import REPORT, found_in, lines_of, quoting, rows_of, stale
from benchmarks.validation_list import JOBS, ROWS
from benchmarks.validation_rows import at_least, checks, counted, covered, printed, share

LINES = lines_of(REPORT.read_text(encoding="utf-8"))


def test_every_figure_quoted_is_the_report_s() -> None:
    assert stale(quoting(), LINES) == []


def test_something_is_quoted() -> None:
    assert sum(page.read_text(encoding="utf-8").count("<!-- validation:") for page in quoting()) > 5


def test_the_report_has_every_row_and_no_other() -> None:
    assert set(LINES) == set(ROWS)
    assert {row.job for row in ROWS.values()} == set(JOBS)


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("in 96 % of cars<!-- validation: {row} -->", "quotes"),
        ("in {found}<!-- validation: {row} -->", ""),
        ("in {found} <!-- validation: {row} --> of cars", ""),
        ("in {found}<!-- validation: no_such_row -->", "no row"),
    ],
)
def test_a_stale_quote_is_found(tmp_path: Path, text: str, wrong: str) -> None:
    row = "cover_all"
    page = tmp_path / "page.md"
    page.write_text(text.format(row=row, found=found_in(LINES[row])), encoding="utf-8")
    said = stale([page], LINES)
    assert bool(said) is bool(wrong)
    assert all(wrong in line for line in said)


def test_a_row_that_cannot_be_read_off_is_left_out(capsys: pytest.CaptureFixture[str]) -> None:
    assert dict(rows_of("published", "its90_table_K: nothing\n", "x")) == {}
    assert "its90_table_K: not to be read off" in capsys.readouterr().err


def test_the_interval_of_a_share() -> None:
    # Clopper and Pearson: 0 of 10 reaches up to 1 - 0.025^(1/10) = 30.8 %
    assert share(0, 10).shown == "0 % (0 of 10; 0 to 31 %)"
    assert share(10, 10).shown == "100 % (10 of 10; 69 to 100 %)"


def test_numbers_are_read_off_what_programs_print() -> None:
    found = checks("1 failed, 39 passed in 2.1s\n")
    assert found is not None
    assert found.shown == "39 of 40 checks hold"
    assert not at_least(100.0)(found.value)
    number = printed(r"^gap (\S+)", "K")("gap 0.5 K")
    assert number is not None
    assert (number.shown, number.value) == ("0.5 K", 0.5)
    two = counted(r"(?P<part>\d+) of (?P<of>\d+)")("a 1 of 2\nb 3 of 4\n")
    assert two is not None
    assert two.shown.startswith("67 % (4 of 6;")
    table = "rise   20   0   0  95.0%  0.1\ntime  10  1  0  80.0%  0.2\n"
    both = covered(table)
    assert both is not None
    assert both.shown.startswith("90 % (27 of 30;")
