"""Before and after: each car is its own control; second repairs against first ones."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

from analysis.compare.repairs import (
    AGAIN,
    FIRST,
    MEANING,
    PAIR_SCHEMA,
    SCHEMA,
    compare_repairs,
    repair_pairs,
)
from tests.support.fleets import day, id_of, run, table_of


def visits(vehicle: str, start: float, *told: tuple[str, float]) -> list[dict[str, Any]]:
    return [
        run(vehicle, value, purpose=purpose, started=day(start + n))
        for n, (purpose, value) in enumerate(told)
    ]


def fleet() -> tuple[list[dict[str, Any]], list[float], list[float]]:
    random = np.random.default_rng(1)
    runs, first, again = [], [], []
    for n in range(12):
        values = [40.0 + random.normal(), 47.0 + random.normal()]
        told = [("complaint", values[0]), ("after-repair", values[1])]
        first.append(values[1] - values[0])
        if n % 3 == 0:
            values += [44.0 + random.normal(), 46.0 + random.normal()]
            told += [("complaint", values[2]), ("after-repair", values[3])]
            again.append(values[3] - values[2])
        runs += visits(f"SC-{n:03}", n, *told)
    return runs, first, again


def test_pairs_follow_the_cars_visits() -> None:
    runs = [
        *visits("SC-A", 0, ("complaint", 40.0), ("after-repair", 43.0), ("after-repair", 47.0)),
        *visits("SC-B", 5, ("baseline", 48.0), ("after-repair", 47.0)),  # no visit before
        *visits("SC-C", 9, ("after-repair", 46.0), ("complaint", 41.0), ("after-repair", 47.5)),
    ]
    pairs = repair_pairs(table_of(runs))
    found = list(pairs.select("vehicle", "repair", "before", "after", "change").iter_rows())
    assert found == [
        ("SC-A", FIRST, 40.0, 43.0, 3.0),
        ("SC-A", AGAIN, 43.0, 47.0, 4.0),
        ("SC-C", AGAIN, 41.0, 47.5, 6.5),
    ]
    assert pairs["u"].to_list() == pytest.approx([np.sqrt(0.5)] * 3)
    assert pairs["before_run"].to_list()[0] == "SC-A-0"
    assert pairs["runs"].to_list()[0] == [id_of(0), id_of(1)]


def test_runs_without_a_date_cannot_be_put_in_order() -> None:
    runs = visits("SC-A", 0, ("complaint", 40.0), ("after-repair", 43.0))
    runs[0]["started"] = None
    assert repair_pairs(table_of(runs)).height == 0


def test_mean_change_is_a_paired_comparison() -> None:
    runs, first, _ = fleet()
    row = compare_repairs(table_of(runs)).row(0, named=True)
    expected = stats.ttest_1samp(first, 0.0)
    interval = expected.confidence_interval(0.95)
    assert (row["repair"], row["cars"]) == (FIRST, 12)
    assert row["change"] == pytest.approx(np.mean(first))
    assert [row["low"], row["high"]] == pytest.approx([interval.low, interval.high])
    assert row["p"] == pytest.approx(expected.pvalue)
    assert row["differs"]
    assert len(row["runs"]) == 24


def test_repairs_again_against_first_ones() -> None:
    runs, first, again = fleet()
    row = compare_repairs(table_of(runs)).row(1, named=True)
    expected = stats.ttest_ind(again, first, equal_var=False)
    interval = expected.confidence_interval(0.95)
    assert (row["repair"], row["cars"]) == (AGAIN, 4)
    assert row["against_first"] == pytest.approx(np.mean(again) - np.mean(first))
    assert [row["against_low"], row["against_high"]] == pytest.approx([interval.low, interval.high])
    assert row["against_g"] < -1.0


def test_a_warmer_day_is_no_repair() -> None:
    # 0.7 K less rise a K warmer, told by the good cars
    good = [
        run(f"SC-G{n}", 50.0 - 0.7 * air, ambient_degC=air)
        for n, air in enumerate(np.linspace(-20.0, 10.0, 9))
    ]
    pair = visits("SC-A", 0, ("complaint", 50.0 + 14.0), ("after-repair", 50.0))
    pair[0]["ambient_degC"], pair[1]["ambient_degC"] = -20.0, 0.0
    row = repair_pairs(table_of([*good, *pair])).row(0, named=True)
    assert row["change"] == pytest.approx(0.0, abs=1e-9)
    assert row["ambient"] == "allowed for"


def test_one_repair_has_no_interval() -> None:
    runs = visits("SC-A", 0, ("complaint", 40.0), ("after-repair", 43.0))
    row = compare_repairs(table_of(runs)).row(0, named=True)
    assert (row["cars"], row["change"]) == (1, 3.0)
    assert (row["low"], row["p"], row["q"]) == (None, None, None)


def test_columns_are_explained() -> None:
    plain = {"family", "vehicle", "figure", "unit", "before_run", "after_run"}
    assert (set(SCHEMA) | set(PAIR_SCHEMA)) - plain == set(MEANING)
