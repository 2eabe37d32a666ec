"""Labels and figures that tell little or nothing: one clear line, and the limits in force."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from analysis.limits import Limit, Limits
from analysis.tune.labels import match, parse_labels
from analysis.tune.tuning import Tuning, tune
from dashboard.text.tuning import tuning_lines
from tests.support.tune_fleet import Fleet, draw_fleet

NAMES = ("cold_end_rise", "coolant_drop")
STANDING = Limits("a", "b", "c", "d", {name: Limit(None, 90.0, "x") for name in NAMES})


def tuned(fleet: Fleet) -> Tuning:
    found = match(parse_labels(fleet.labels, ("low_core_flow",)), fleet.runs)
    return tune(fleet.runs, fleet.figures, fleet.causes, found, STANDING)


def said(result: Tuning) -> str:
    return "\n".join(tuning_lines(result, [], "si"))


def labelled(fleet: Fleet, word: str, count: int) -> Fleet:
    head, *lines = fleet.labels.splitlines()
    kept = [line for line in lines if f",{word}" in line][:count]
    return replace(fleet, labels="\n".join([head, *kept]) + "\n")


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return draw_fleet(60, 3, names=NAMES)


@pytest.mark.parametrize(
    ("word", "count", "told"),
    [
        ("good", 1, "no limit changes: 1 good car and 0 bad cars are too few to set any"),
        ("bad", 1, "no limit changes: 0 good cars and 1 bad car are too few to set any"),
        ("bad", 99, "no limit changes: 0 good cars and 13 bad cars are too few to set any"),
    ],
)
def test_labels_that_set_no_limit(fleet: Fleet, word: str, count: int, told: str) -> None:
    result = tuned(labelled(fleet, word, count))
    assert told in said(result)
    assert result.limits.figures == STANDING.figures
    assert not any(result.limits.families.values())
    assert result.limits.basis.startswith("no limit changed by")


def test_good_cars_alone_say_that_nothing_is_known_of_bad_ones(fleet: Fleet) -> None:
    result = tuned(labelled(fleet, "good", 99))
    assert "what they find of bad cars is not known" in said(result)
    assert all(each.way in ("tolerance", "kept") for each in result.figures)


@pytest.mark.parametrize("kept", [0, 1])
def test_a_figure_with_no_or_one_value_is_left_alone(fleet: Fleet, kept: int) -> None:
    place = pl.int_range(pl.len()).over("figure")
    few = fleet.figures.filter((pl.col("figure") != "coolant_drop") | (place < kept))
    result = tuned(replace(fleet, figures=few))
    assert result.limits.figures["coolant_drop"] == STANDING.figures["coolant_drop"]
    assert "coolant_drop" not in {name for each in result.limits.families.values() for name in each}


def test_a_figure_alike_in_all_cars_is_left_alone(fleet: Fleet) -> None:
    alike = fleet.figures.filter(pl.col("figure") == "coolant_drop").with_columns(
        pl.lit(12.0).alias("value")
    )
    result = tuned(replace(fleet, figures=alike))
    assert "measured in 47 good cars, alike within their families" in said(result)
    assert "proposed" not in said(result)
    assert result.limits.figures == STANDING.figures


def test_runs_without_figures_set_no_limit(fleet: Fleet) -> None:
    result = tuned(replace(fleet, figures=fleet.figures.head(0)))
    assert "no limit changes: no labelled run has a figure" in said(result)
    assert result.limits.figures == STANDING.figures


def test_figures_left_for_one_reason_share_a_line(fleet: Fleet) -> None:
    lines = tuning_lines(tuned(labelled(fleet, "bad", 1)), [], "si")
    assert sum("measured in 0 good cars" in line for line in lines) == 1
