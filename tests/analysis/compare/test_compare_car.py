"""A car against its family: percentile, robust z, tolerance interval, chance."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy import stats

from analysis.compare.car import MEANING, SCHEMA, car_against_family
from tests.support.fleets import RISE, id_of, run, table_of

GOOD = [44.1, 46.0, 45.2, 47.3, 45.9, 46.6, 44.9, 45.5, 46.2, 45.8]


def good_cars(values: list[float] = GOOD, **about: object) -> list[dict]:
    return [run(f"SC-{n:03}", value, **about) for n, value in enumerate(values)]


def against(*runs: dict, vehicle: str = "SC-099") -> dict:
    table = table_of(runs)
    ids = table.filter(pl.col("vehicle") == vehicle)["run_id"].unique()
    return car_against_family(table, ids).row(0, named=True)


def test_place_among_the_good_cars() -> None:
    row = against(*good_cars(), run("SC-099", 44.5, purpose="complaint"))
    assert row["good_cars"] == 10
    assert row["usual"] == pytest.approx(np.median(GOOD))
    assert row["percentile"] == 10.0
    # scipy.stats.median_abs_deviation(scale="normal") is the median deviation over 0.67449
    scale = stats.median_abs_deviation(GOOD, scale="normal")
    assert row["robust_z"] == pytest.approx((44.5 - np.median(GOOD)) / scale, rel=1e-4)


def test_ties_count_half() -> None:
    row = against(*good_cars([1.0, 2.0, 2.0, 3.0]), run("SC-099", 2.0, purpose="complaint"))
    assert row["percentile"] == 50.0


def test_tolerance_interval() -> None:
    # exact two-sided factor for 10 cars, 95 % content, 95 % confidence: 3.39343 (own quadrature and
    # toleranceinterval 1.0.3; ISO 16269-6 prints 3.393)
    row = against(*good_cars(), run("SC-099", 44.5, purpose="complaint"))
    reach = 3.39343 * np.std(GOOD, ddof=1)
    assert [row["low"], row["high"]] == pytest.approx(
        [np.mean(GOOD) - reach, np.mean(GOOD) + reach], rel=1e-5
    )


def test_chance_is_that_of_one_more_value() -> None:
    # a new observation against a sample: a t-test with a group of one and pooled variance
    row = against(*good_cars(), run("SC-099", 43.0, purpose="complaint"))
    mean, sd = np.mean(GOOD), np.std(GOOD, ddof=1)
    expected = 2.0 * stats.t.sf(abs(43.0 - mean) / (sd * np.sqrt(1.1)), 9)
    assert row["p"] == pytest.approx(expected)
    assert row["q"] == pytest.approx(expected)
    assert row["differs"]


def test_times_are_compared_by_their_logarithm() -> None:
    times = [600.0, 660.0, 700.0, 580.0, 640.0]
    runs = [run(f"SC-{n:03}", figures={"warm_up_time": time}) for n, time in enumerate(times)]
    row = against(*runs, run("SC-099", figures={"warm_up_time": 1000.0}, purpose="complaint"))
    logs = np.log(times)
    assert row["low"] * row["high"] == pytest.approx(np.exp(2.0 * logs.mean()))
    expected = abs(np.log(1000.0) - logs.mean()) / (logs.std(ddof=1) * np.sqrt(1.2))
    assert row["p"] == pytest.approx(2.0 * stats.t.sf(expected, 4))


def test_other_families_heaters_and_purposes_do_not_count() -> None:
    row = against(
        *good_cars(),
        *good_cars([10.0] * 9, family="Dunlin"),
        *good_cars([20.0] * 9, heater="combined"),
        *good_cars([30.0] * 9, purpose="complaint"),
        run("SC-099", 44.5, purpose="complaint"),
    )
    assert row["good_cars"] == 10
    assert row["usual"] == pytest.approx(np.median(GOOD))


def test_a_good_car_is_compared_with_the_others() -> None:
    row = against(*good_cars(), vehicle="SC-003")
    assert row["value"] == 47.3
    assert row["good_cars"] == 9
    assert row["percentile"] == 100.0


def test_runs_of_one_car_count_once() -> None:
    row = against(
        *good_cars([40.0, 42.0]),
        *[run("SC-001", value) for value in (44.0, 46.0)],  # SC-001: mean of 42, 44, 46
        run("SC-099", 44.5, purpose="complaint"),
    )
    assert row["good_cars"] == 2
    assert row["usual"] == pytest.approx((40.0 + 44.0) / 2.0)


def test_outside_temperature_is_allowed_for() -> None:
    random = np.random.default_rng(1)
    air = np.linspace(-20.0, 10.0, 12)
    values = 50.0 - 0.6 * air + random.normal(0.0, 0.3, 12)
    cars = [
        run(f"SC-{n:03}", value, ambient_degC=each)
        for n, (value, each) in enumerate(zip(values, air, strict=True))
    ]
    # what is usual at +10 degC would be far too little at -20 degC
    row = against(*cars, run("SC-099", 44.0, purpose="complaint", ambient_degC=-20.0))
    assert row["ambient"] == "allowed for"
    assert row["usual"] == pytest.approx(62.0, abs=0.6)
    assert row["differs"]
    assert not against(*cars, run("SC-099", 44.0, purpose="complaint", ambient_degC=10.0))[
        "differs"
    ]
    # the interval for one more car at an outside temperature: ordinary regression
    import statsmodels.api as sm

    fit = sm.OLS(values, sm.add_constant(air)).fit()
    prediction = fit.get_prediction([[1.0, -20.0]])
    t = (44.0 - prediction.predicted_mean[0]) / prediction.se_obs[0]
    assert row["p"] == pytest.approx(2.0 * stats.t.sf(abs(t), 10), rel=1e-9)


@pytest.mark.parametrize(
    ("air", "own", "why"),
    [
        ([None] * 10, -5.0, "outside temperature not logged"),
        ([-5.0 + 0.1 * n for n in range(10)], -5.0, "the days were too much alike"),
        ([-20.0 + 3.0 * n for n in range(10)], None, "outside temperature not logged"),
        ([-20.0, 10.0, 0.0] + [None] * 7, -5.0, "too few runs"),
    ],
)
def test_why_the_outside_temperature_is_not_allowed_for(
    air: list[float | None], own: float | None, why: str
) -> None:
    cars = [
        run(f"SC-{n:03}", value, ambient_degC=each)
        for n, (value, each) in enumerate(zip(GOOD, air, strict=True))
    ]
    row = against(*cars, run("SC-099", 44.5, purpose="complaint", ambient_degC=own))
    assert row["ambient"] == why
    assert row["usual"] == pytest.approx(np.median(GOOD))


def test_without_good_cars_only_the_value_is_said() -> None:
    row = against(run("SC-099", 44.5, purpose="complaint"))
    assert row["good_cars"] == 0
    assert [row[name] for name in ("usual", "percentile", "robust_z", "low", "p", "q")] == [
        None
    ] * 6


def test_good_cars_that_do_not_differ_have_no_chance() -> None:
    row = against(*good_cars([45.0] * 6), run("SC-099", 44.0, purpose="complaint"))
    assert row["robust_z"] is None
    assert row["p"] is None
    assert row["percentile"] == 0.0


def test_many_figures_are_held_together() -> None:
    # 18 figures of a good car at a level of 5 % each: about one false alarm in every table
    random = np.random.default_rng(2)
    names = [f"figure_{n}" for n in range(18)]
    alarms = 0
    for _ in range(60):
        cars = [
            run(f"SC-{n:03}", figures={name: random.normal() for name in names}) for n in range(9)
        ]
        new = run("SC-099", figures={name: random.normal() for name in names}, purpose="complaint")
        table = table_of([*cars, new])
        ids = table.filter(pl.col("vehicle") == "SC-099")["run_id"].unique()
        alarms += bool(car_against_family(table, ids)["differs"].any())
    assert alarms <= 8  # binomial, 60 at 5 %: 8 or more happen once in 85 times


def test_every_row_names_its_runs() -> None:
    table = table_of([*good_cars(), run("SC-099", 44.5, purpose="complaint")])
    row = car_against_family(table, [id_of(10)]).row(0, named=True)
    assert row["figure"] == RISE
    assert row["runs"][0] == id_of(10)
    assert sorted(row["runs"][1:]) == [id_of(n) for n in range(10)]


def test_columns_are_explained() -> None:
    plain = {"vehicle", "family", "purpose", "started", "figure", "unit"}
    assert set(SCHEMA) - plain == set(MEANING)
