"""What the README and the pages quote stands in the validation report, and is caught where not."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchmarks.mutant_kinds import Mutant, mutants_of
from benchmarks.mutants import changes_of, core, files_for, harmless, is_tenth, listed
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


MODULE = '''"""What it does: 1 < 2."""

LEAST: Final = 4.0


def told(a: int | None, b: int) -> bool:
    if not a or b < LEAST:
        raise ValueError(a + 1)
    return max(a, -b) > 2
'''


@pytest.fixture
def changed(tmp_path: Path) -> list[Mutant]:
    """Every change to a module of a few lines."""
    (tmp_path / "module.py").write_text(MODULE, encoding="utf-8")
    return mutants_of(tmp_path, "module.py")


def test_small_changes_are_made_to_work_and_not_to_words(changed: list[Mutant]) -> None:
    assert {each.change for each in changed} == {
        "4.0 -> 4.4",
        "not a or b < LEAST -> not a and b < LEAST",
        "not a or b < LEAST -> a or b < LEAST",
        "b < LEAST -> b >= LEAST",
        "max(a, -b) > 2 -> max(a, -b) <= 2",
        "max -> min",
        "max(a, -b) -> max(a, b)",
        "2 -> 3",
    }


def test_a_change_stands_in_the_module_and_nowhere_else(changed: list[Mutant]) -> None:
    whole = {each.text for each in changed}
    assert len(whole) == len(changed)
    by = {each.change: each for each in changed}
    assert "return min(a, -b) > 2" in by["max -> min"].text
    assert by["max -> min"].source == "return max(a, -b) > 2"
    assert by["max -> min"].line == 9
    assert "max(a, -b)" in by["2 -> 3"].text


def test_every_harmless_change_can_still_be_made_and_has_its_reason() -> None:
    known = listed()
    there = {each.key for module in {key[0] for key in known} for each in changes_of(module)}
    assert [key for key in known if key not in there] == []
    every = harmless()  # fails where a constant is no more
    assert all(len(reason.split()) > 3 for reason in every.values())


def test_a_tenth_of_a_number_is_no_more_than_that(changed: list[Mutant]) -> None:
    by = {each.change: each for each in changed}
    assert is_tenth(by["4.0 -> 4.4"])
    assert not is_tenth(by["2 -> 3"])


def test_every_module_of_the_core_has_tests() -> None:
    assert all(files_for(module, wide=False) for module in core())
