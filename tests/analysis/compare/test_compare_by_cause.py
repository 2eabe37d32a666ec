"""Cars by family and cause: each car counted once, whatever it was measured for."""

from __future__ import annotations

import polars as pl
import pytest

from analysis.compare.answer import Question, answer
from analysis.compare.by_cause import EVERY, count_causes, side_by_side
from ingest.errors import UnusableRun, WrongUse
from tests.support.fleets import RISE, day, frames, run


def found(car: str, cause: str, number: int, family: str = "Plover") -> dict[str, object]:
    return run(car, 46.0, family=family, started=day(number)) | {"first_cause": cause}


def fleet() -> pl.DataFrame:
    # counted by hand: A healthy; B leaks, before its repair; C first leaks, then its thermostat;
    # D healthy twice; E of another family leaks
    runs, _ = frames(
        [
            found("A", "healthy", 1),
            found("B", "vacuum_leak", 2),
            found("B", "healthy", 3),
            found("C", "thermostat_opens_low", 9),
            found("C", "vacuum_leak", 4),
            found("D", "healthy", 5),
            found("D", "healthy", 6),
            found("E", "vacuum_leak", 7, "Knot"),
        ]
    )
    return runs


def test_each_car_counts_once() -> None:
    counted = count_causes(fleet())
    rows = counted.select("family", "cause", "cars", "of_cars").rows()
    assert rows == [
        ("Knot", "vacuum_leak", 1, 1),
        ("Plover", "healthy", 2, 4),
        ("Plover", "thermostat_opens_low", 1, 4),
        ("Plover", "vacuum_leak", 1, 4),
    ]
    assert counted["cars"].sum() == fleet()["vehicle"].n_unique()


def test_side_by_side_has_a_column_a_family_and_their_sum() -> None:
    wide = side_by_side(count_causes(fleet()))
    assert wide.columns == ["cause", "Knot", "Plover", EVERY]
    assert wide.rows() == [
        ("healthy", 0, 2, 2),
        ("vacuum_leak", 1, 1, 2),
        ("thermostat_opens_low", 0, 1, 1),
    ]


def test_the_whole_store_is_answered_with_its_causes() -> None:
    runs, figures = frames([found("A", "healthy", 1), found("B", "vacuum_leak", 2)])
    whole = answer(runs, figures, Question())
    assert whole.causes is not None
    assert whole.causes["cause"].to_list() == ["healthy", "vacuum_leak"]
    assert answer(runs, figures, Question(figures=(RISE,))).causes is None


def test_what_is_no_cause_is_not_asked_along_with_it() -> None:
    runs, figures = frames([found("A", "healthy", 1)])
    with pytest.raises(WrongUse, match="--figure: found with --by cause"):
        answer(runs, figures, Question(by="cause", figures=(RISE,)))


def test_runs_without_a_cause_are_no_answer() -> None:
    runs, _ = frames([run("A", 46.0)])
    with pytest.raises(UnusableRun, match="no run with a cause"):
        count_causes(runs.with_columns(pl.lit(None, pl.String).alias("first_cause")))


def test_the_footer_says_how_many_runs_have_the_figure() -> None:
    runs, figures = frames(
        [run("A", 46.0, figures={"warm_up_time": 600.0}), run("B", 46.0), run("C", 46.0)]
    )
    legend = answer(runs, figures, Question(figures=("warm_up_time",))).legend
    assert "runs that have warm_up_time: baseline (1 of 3 runs)" in legend
    assert "runs that have a figure: baseline (3 runs)" in answer(runs, figures, Question()).legend
