"""Questions to answers: what is shown, written, and traced to its runs."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import openpyxl
import polars as pl
import pytest

from analysis.compare.answer import ID_DIGITS, MAX_LINES, Question, answer
from ingest.errors import UnusableRun
from ingest.export.workbook import write_workbook
from ingest.saying import Said, Shown
from tests.support.fleets import RISE, day, frames, run


def fleet() -> tuple[pl.DataFrame, pl.DataFrame]:
    random = np.random.default_rng(1)
    runs = [
        run(
            f"SC-{n:03}",
            46.0 + random.normal(),
            plant=("North", "South")[n % 2],
            family=("Plover", "Knot")[n % 3 == 0],
            started=day(n),
            figures={"warm_up_time": 600.0 + 9.0 * random.normal()},
        )
        for n in range(24)
    ]
    runs += [
        run("SC-099", 40.0, purpose="complaint", started=day(30)),
        run("SC-099", 46.0, purpose="after-repair", started=day(31)),
    ]
    return frames(runs)


@pytest.mark.parametrize(
    ("question", "rows"),
    [
        (Question(car="SC-099"), 2),
        (Question(), 6),
        (Question(by="plant"), 10),
        (Question(by="plant", family="Knot"), 4),
        (Question(by="plant", purpose="baseline"), 8),
        (Question(by="plant", figures=(RISE,), against="North"), 6),
        (Question(by="repair"), 1),
        (Question(by="repair", car="SC-099"), 1),
        (Question(over_time=True), 26),
        (Question(over_time=True, by="plant", figures=("warm_up_time",)), 24),
    ],
)
def test_every_number_leads_back_to_its_runs(question: Question, rows: int) -> None:
    runs, figures = fleet()
    found = answer(runs, figures, question)
    assert found.sheet.frame.height == rows
    assert found.legend
    known = set(runs["id"].str.head(ID_DIGITS))
    assert all(each and set(each) <= known for each in found.sheet.frame["runs"].to_list())
    behind = found.sheets(runs)["runs behind"].frame
    assert behind["name"].null_count() == 0
    assert behind["row"].unique().to_list() == list(range(2, rows + 2))


def test_workbook_of_an_answer(tmp_path: Path) -> None:
    runs, figures = fleet()
    found = answer(runs, figures, Question(by="plant", figures=(RISE,), family="Knot"))
    write_workbook(found.sheets(runs), tmp_path / "plants.xlsx")
    book = openpyxl.load_workbook(tmp_path / "plants.xlsx")
    assert book.sheetnames == ["about", "by plant", "runs behind"]
    behind = [row[1].value for row in book["runs behind"].iter_rows(min_row=2) if row[0].value == 2]
    north = runs.filter((pl.col("family") == "Knot") & (pl.col("plant") == "North"))
    assert sorted(behind) == sorted(north["id"].str.head(ID_DIGITS))
    book.close()


def test_alarms_are_said_in_words() -> None:
    runs, figures = fleet()
    assert answer(runs, figures, Question(over_time=True)).remarks == ("no level has changed",)
    late = runs.filter(pl.col("started") > day(12))["id"]
    lower = figures.with_columns(
        pl.col("value") - pl.when(pl.col("run_id").is_in(late.to_list())).then(8.0).otherwise(0.0)
    )
    remarks = answer(runs, lower, Question(over_time=True)).remarks
    (first, *_) = (r for r in remarks if r.startswith(f"Plover, {RISE}: lower since 2026-01-1"))
    assert isinstance(first, Said)
    # the temperature of a difference: 1.8 °F a kelvin (NIST SP 811, 8.5)
    kelvin = re.search(r"about ([\d.]+) K", first)
    fahrenheit = re.search(r"about ([\d.]+) °F", first.written(lambda _: Shown("°F", 1.8)))
    assert kelvin
    assert fahrenheit
    assert float(fahrenheit[1]) == pytest.approx(1.8 * float(kelvin[1]), abs=0.1)


@pytest.mark.parametrize(
    ("question", "match"),
    [
        (Question(figures=("steady_outlet_ries",)), "did you mean steady_outlet_rise?"),
        (Question(figures=("heat",)), "one of steady_outlet_rise, warm_up_time"),
        (Question(car="SC-98"), "did you mean SC-"),
        (Question(by="plant", family="Dunlin"), "a family that the store has; there: Knot"),
        (Question(by="plant", against="West"), "'West'"),
        (Question(by="plant", purpose="road-test"), "a purpose that the store has"),
        (Question(by="repair", family="Knot"), "no figure that could be compared"),
        (Question(figures=("coolant_drop",)), "no figure that could be compared"),
        (Question(over_time=True, figures=("coolant_drop",)), "no figure that could be compared"),
    ],
)
def test_questions_that_have_no_answer(question: Question, match: str) -> None:
    runs, figures = fleet()
    with pytest.raises(UnusableRun, match=match):
        answer(runs, figures, question)


def test_a_long_answer_is_cut_on_the_screen_only() -> None:
    runs, figures = frames(run(f"SC-{n:03}", 45.0 + n) for n in range(MAX_LINES + 7))
    found = answer(runs, figures, Question(by="vehicle"))
    shown, below = found.lines()
    assert shown.height == MAX_LINES
    assert below[0].startswith("7 more rows")
    assert found.sheet.frame.height == MAX_LINES + 7


def test_what_a_repair_changed_allows_for_the_weather() -> None:
    good = [run(f"SC-{n:03}", 50.0 - 0.7 * 3 * n, ambient_degC=3.0 * n) for n in range(9)]
    visits = [
        run("SC-099", 50.0, purpose="complaint", started=day(1), ambient_degC=0.0),
        run("SC-099", 36.0, purpose="after-repair", started=day(2), ambient_degC=20.0),
    ]
    found = answer(*frames([*good, *visits]), Question(by="repair", car="SC-099"))
    assert found.sheet.frame["change"].to_list() == pytest.approx([0.0], abs=1e-9)
