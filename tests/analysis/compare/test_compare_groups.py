"""Groups against each other: families, plants, months, cars, purposes."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy import stats

from analysis.compare.groups import MEANING, SCHEMA, By, compare_groups
from analysis.statistics.shrinkage import shrink
from tests.support.fleets import RISE, day, run, table_of

RANDOM = np.random.default_rng(11)
NORTH = RANDOM.normal(46.0, 1.0, 12).tolist()
SOUTH = RANDOM.normal(43.0, 2.0, 7).tolist()
HILL = RANDOM.normal(45.5, 1.0, 3).tolist()


def plants() -> list[dict]:
    told = {"North": NORTH, "South": SOUTH, "Hill": HILL}
    return [
        run(f"SC-{plant}-{n}", value, plant=plant)
        for plant, values in told.items()
        for n, value in enumerate(values)
    ]


def rows(runs: list[dict], by: By, against: str | None = None) -> dict[str, dict]:
    frame = compare_groups(table_of(runs), by, against)
    return {row["group"]: row for row in frame.iter_rows(named=True)}


def test_each_plant_against_all_others() -> None:
    row = rows(plants(), "plant")["South"]
    # scipy.stats.ttest_ind without equal variances (Welch)
    expected = stats.ttest_ind(SOUTH, NORTH + HILL, equal_var=False)
    interval = expected.confidence_interval(0.95)
    assert row["difference"] == pytest.approx(np.mean(SOUTH) - np.mean(NORTH + HILL))
    assert [row["low"], row["high"]] == pytest.approx([interval.low, interval.high])
    assert row["p"] == pytest.approx(expected.pvalue)
    assert row["against"] == "all others"
    assert row["differs"]
    assert row["g"] < -1.0


def test_against_one_group() -> None:
    found = rows(plants(), "plant", "North")
    expected = stats.ttest_ind(HILL, NORTH, equal_var=False)
    assert found["Hill"]["p"] == pytest.approx(expected.pvalue)
    assert found["North"]["p"] is None
    assert found["North"]["mean"] == pytest.approx(np.mean(NORTH))


def test_means_with_their_intervals() -> None:
    row = rows(plants(), "plant")["North"]
    interval = stats.ttest_1samp(NORTH, 0.0).confidence_interval(0.95)
    assert row["cars"] == 12
    assert [row["mean_low"], row["mean_high"]] == pytest.approx([interval.low, interval.high])


def test_small_groups_are_drawn_to_the_family() -> None:
    found = rows(plants(), "plant")
    groups = [np.array(HILL), np.array(NORTH), np.array(SOUTH)]
    within = sum(each.var(ddof=1) * (each.size - 1) for each in groups) / (22 - 3)
    expected = shrink(
        np.array([each.mean() for each in groups]),
        within / np.array([each.size for each in groups]),
    )
    assert [found[name]["shrunk"] for name in ("Hill", "North", "South")] == pytest.approx(
        expected.mean.tolist()
    )
    assert [found[name]["shrunk_u"] for name in ("Hill", "North", "South")] == pytest.approx(
        expected.u.tolist()
    )


def test_chances_are_held_together() -> None:
    found = rows(plants(), "plant")
    p = [found[name]["p"] for name in ("Hill", "North", "South")]
    q = [found[name]["q"] for name in ("Hill", "North", "South")]
    assert q == pytest.approx(stats.false_discovery_control(p))


def test_a_plant_is_not_blamed_for_its_family() -> None:
    # a family with less heat, built mostly in one plant; within each family the plants are alike
    random = np.random.default_rng(3)
    runs = [
        run(f"SC-{family}-{plant}-{n}", level + random.normal(), family=family, plant=plant)
        for family, level, share in (("Plover", 50.0, (20, 4)), ("Knot", 30.0, (4, 20)))
        for plant, count in zip(("North", "South"), share, strict=True)
        for n in range(count)
    ]
    frame = compare_groups(table_of(runs), "plant")
    assert frame["family"].to_list() == ["Knot", "Knot", "Plover", "Plover"]
    assert not frame["differs"].any()
    by_family = compare_groups(table_of(runs), "family")
    assert by_family["differs"].all()
    assert by_family["family"].unique().to_list() == ["all"]


def test_a_plant_is_not_blamed_for_the_weather() -> None:
    # North tests on colder days; at the same temperature there is no difference
    random = np.random.default_rng(4)
    runs = []
    for plant, center in (("North", -12.0), ("South", 2.0)):
        for n in range(25):
            air = center + random.normal(0.0, 5.0)
            value = 50.0 - 0.7 * air + random.normal(0.0, 1.0)
            runs.append(run(f"SC-{plant}-{n}", value, plant=plant, ambient_degC=air))
    row = rows(runs, "plant")["North"]
    assert row["ambient"] == "allowed for"
    assert not row["differs"]
    assert row["low"] < 0.0 < row["high"]
    blind = rows([each | {"ambient_degC": None} for each in runs], "plant")["North"]
    assert blind["ambient"] == "outside temperature not logged"
    assert blind["difference"] > 7.0


def test_the_weather_correction_agrees_with_regression() -> None:
    import statsmodels.api as sm

    random = np.random.default_rng(5)
    air = random.normal(-5.0, 8.0, 40)
    north = np.arange(40) % 2 == 0
    values = 50.0 - 0.7 * air + 1.5 * north + random.normal(0.0, 1.0, 40)
    runs = [
        run(f"SC-{n}", values[n], plant="North" if north[n] else "South", ambient_degC=air[n])
        for n in range(40)
    ]
    row = rows(runs, "plant")["North"]
    # analysis of covariance: group and temperature as regressors (statsmodels OLS)
    fit = sm.OLS(values, sm.add_constant(np.column_stack([north, air]))).fit()
    assert row["difference"] == pytest.approx(fit.params[1], rel=1e-6)
    low, high = fit.conf_int()[1]
    assert [row["low"], row["high"]] == pytest.approx([low, high], abs=0.08)


def test_a_car_counts_once_however_often_it_was_measured() -> None:
    runs = [
        *[run("SC-A", 40.0 + 0.01 * n, plant="North") for n in range(50)],
        *[run(f"SC-N{n}", value, plant="North") for n, value in enumerate((46.0, 45.0))],
        *[run(f"SC-S{n}", value, plant="South") for n, value in enumerate((44.0, 43.0, 45.0))],
    ]
    row = rows(runs, "plant")["North"]
    assert row["cars"] == 3
    assert row["mean"] == pytest.approx((40.245 + 46.0 + 45.0) / 3.0)
    assert len(row["runs"]) == 52


def test_complaints_and_repairs_are_never_averaged() -> None:
    """A car measured before and after its repair is no car half repaired."""
    runs = [
        run(f"SC-{plant}-{n}", value, plant=plant, purpose=purpose)
        for plant in ("North", "South")
        for n in range(4)
        for purpose, value in (("complaint", 36.0 + n), ("after-repair", 46.0 + n))
    ]
    frame = compare_groups(table_of(runs), "plant")
    means = {(row["purpose"], row["group"]): row["mean"] for row in frame.iter_rows(named=True)}
    assert means == {
        ("after-repair", "North"): 47.5,
        ("after-repair", "South"): 47.5,
        ("complaint", "North"): 37.5,
        ("complaint", "South"): 37.5,
    }


def test_by_month_and_vehicle_and_purpose() -> None:
    runs = [
        run("SC-A", 45.0, started=day(3), purpose="baseline"),
        run("SC-A", 46.0, started=day(40), purpose="complaint"),
        run("SC-B", 40.0, started=day(45), purpose="complaint"),
    ]
    assert sorted(rows(runs, "month")) == ["2026-01", "2026-02"]
    vehicles = rows(runs, "vehicle")
    assert (vehicles["SC-A"]["cars"], vehicles["SC-A"]["mean"]) == (2, 45.5)  # its runs
    assert rows(runs, "purpose")["complaint"]["mean"] == 43.0


def test_heater_layouts_of_one_family_stay_apart() -> None:
    runs = [*plants(), *[each | {"heater": "combined"} for each in plants()]]
    families = compare_groups(table_of(runs), "plant")["family"].unique().sort().to_list()
    assert families == ["Plover (blend-air)", "Plover (combined)"]


def test_a_single_group_has_nothing_to_be_compared_with() -> None:
    row = rows([run("SC-A", 45.0), run("SC-B", 46.0)], "plant")["not said"]
    assert (row["mean"], row["difference"], row["p"], row["shrunk"]) == (45.5, None, None, None)


def test_nothing_at_all() -> None:
    assert compare_groups(table_of([]), "plant").schema == pl.Schema(SCHEMA)


def test_false_alarms_over_many_plants_are_rare() -> None:
    random = np.random.default_rng(6)
    tables = 0
    for _ in range(40):
        runs = [
            run(
                f"SC-{n}",
                random.normal(),
                plant=f"plant {n % 12}",
                figures={"coolant_drop": random.normal()},
            )
            for n in range(96)
        ]
        tables += bool(compare_groups(table_of(runs), "plant")["differs"].any())
    assert tables <= 6  # binomial, 40 at 5 %: 6 or more happen once in 70 times


def test_figures_come_in_the_order_of_tables() -> None:
    runs = [
        run(f"SC-{n}", 45.0, figures={"coolant_drop": 9.0, "warm_up_time": 600.0}) for n in range(3)
    ]
    figures = compare_groups(table_of(runs), "plant")["figure"].to_list()
    assert figures == [RISE, "warm_up_time", "coolant_drop"]


def test_columns_are_explained() -> None:
    assert set(SCHEMA) - {"family", "group", "figure", "unit"} == set(MEANING)
