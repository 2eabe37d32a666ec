"""Good cars keep their pass, and a limit is written only for whom the labels tell about."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy.stats import nct, norm

from analysis.limits import Limit, Limits, limits_for
from analysis.tune.joint.exchange import Exchange, exchanges, saving_said
from analysis.tune.joint.fit import KEPT, JointProblem, problem_of, sides_of
from analysis.tune.joint.table import FAIL, PASS, Table, verdicts_of
from analysis.tune.joint.together import tune_together
from analysis.tune.labels import match, parse_labels
from analysis.tune.search.choice import Costs
from analysis.tune.tidy import SAYS_NOTHING, interval_said, tells
from analysis.tune.tuning import Options, Tuning, tune
from analysis.verdict import GUARD
from dashboard.text.tuning import tuning_lines
from tests.support.tune_fleet import FAMILIES, Fleet, draw_fleet

NAMES = ("cold_end_rise", "coolant_drop", "vacuum_decay")
COSTS = Costs(3.0, 1.0, 0.1)
IN_FORCE = 4.0


def cars(good: int, bad: int, rng: np.random.Generator, off: float = 5.0) -> Table:
    """Normal figures, each bad car five deviations off in one of them; one family."""
    n = good + bad
    is_bad = np.arange(n) >= good
    value = rng.normal(0.0, 1.0, (n, 3))
    value[np.flatnonzero(is_bad), rng.integers(0, 3, bad)] += off
    number = np.arange(n)
    return Table(
        NAMES, number.astype(str), number, n, np.zeros(n, dtype=np.intp), ("",),
        np.full(n, "blend-air"), is_bad, np.where(is_bad, "low_core_flow", ""),
        np.full(n, np.nan), value, np.full((n, 3), 0.2), np.zeros(n, dtype=bool),
    )  # fmt: skip


def in_families(table: Table, count: int, rng: np.random.Generator) -> Table:
    """The same cars in families that lie farther apart than the cars of one."""
    family = rng.integers(0, count, table.car.size)
    level = rng.normal(0.0, 2.0, (count, 3))
    names = tuple(f"F{at}" for at in range(count))
    return replace(table, family=family, families=names, value=table.value + level[family])


def limits(high: float) -> Limits:
    return Limits("a", "b", "c", "d", {name: Limit(None, high, "e") for name in NAMES})


def laid_out(table: Table, high: float, *, keep: bool = True) -> JointProblem:
    return problem_of(table, sides_of({}, NAMES), limits(high), COSTS, GUARD, keep=keep)


def passing(table: Table, high: np.ndarray) -> float:
    bounds = np.full(table.value.shape, -np.inf), np.broadcast_to(high, table.value.shape)
    return float((verdicts_of(table, *bounds) == PASS).mean())


@pytest.mark.parametrize("good", [11, 54])
def test_new_good_cars_keep_their_pass(good: int) -> None:
    """What is promised, on the distribution the cars are drawn from: hardly 1 % lose it."""
    new = cars(20_000, 0, np.random.default_rng(99))
    before = passing(new, np.full(3, IN_FORCE))
    lost = []
    for seed in range(20):
        problem = laid_out(cars(good, 10, np.random.default_rng([good, seed])), IN_FORCE)
        found = tune_together(problem, seed, 0.0)
        assert found is not None
        high = np.full(3, IN_FORCE)
        for at in np.flatnonzero(found.fitted.tuned):
            level = found.fitted.levels[at]
            assert level is not None
            high[at] = level.bounds(float(found.fitted.distance[at]))[0]
        lost.append(before - passing(new, high))
    assert (np.array(lost) > 1.0 - KEPT).sum() <= 2  # binomial: of 20 at 5 %, more in 8 %


def test_families_of_one_or_two_cars_do_not_look_alike() -> None:
    """Eleven good cars in up to ten families, which by themselves would have next to no spread."""
    lost = []
    for seed in range(20):
        rng = np.random.default_rng([7, seed])
        every = in_families(cars(2_011, 30, rng, 8.0), 10, rng)
        there = np.isin(every.family, every.family[:11])
        rows = np.arange(2_041)
        labelled = (rows < 11) | (rows >= 2_011)
        fleet, new = taken(every, there & labelled), taken(every, there & ~labelled)
        found = tune_together(laid_out(fleet, 9.0), seed, 0.0)
        assert found is not None
        high = np.full(new.value.shape, 9.0)
        for at in np.flatnonzero(found.fitted.tuned):
            level = found.fitted.levels[at]
            assert level is not None
            high[:, at] = level.bounds(float(found.fitted.distance[at]))[new.family]
        lost.append(passing(new, np.full(3, 9.0)) - passing(new, high))
    assert (np.array(lost) > 1.0 - KEPT).sum() <= 2


def taken(table: Table, rows: np.ndarray) -> Table:
    """Some cars of a table, and their families."""
    number = np.arange(int(rows.sum()))
    names, family = np.unique(table.family[rows], return_inverse=True)
    return replace(
        table, run_id=number.astype(str), car=number, cars=number.size, family=family,
        families=tuple(table.families[each] for each in names),
        heater=table.heater[rows], bad=table.bad[rows], cause=table.cause[rows],
        ambient=table.ambient[rows], value=table.value[rows], u=table.u[rows],
        held=table.held[rows],
    )  # fmt: skip


def test_a_limit_lies_between_the_one_in_force_and_what_good_cars_reach() -> None:
    """The tolerance factor of a normal sample by scipy's non-central t (ISO 16269-6:2014, 5)."""
    for seed, in_force in ((0, 2.0), (1, 2.0), (2, 6.0)):
        table = cars(60, 10, np.random.default_rng(seed))
        found = tune_together(laid_out(table, in_force), seed, 0.0)
        assert found is not None
        content = 1.0 - (1.0 - KEPT) / 3
        k = nct.ppf(0.95, 59, norm.ppf(content) * 60**0.5) / 60**0.5
        for at in np.flatnonzero(found.proposed.tuned):
            level = found.proposed.levels[at]
            assert level is not None
            good = table.value[~table.bad, at]
            reach = float(np.median(good)) + k * float(good.std(ddof=1))
            limit = float(level.bounds(float(found.proposed.distance[at]))[0])
            assert min(in_force, reach) - 0.15 <= limit <= max(in_force, reach) + 0.15


def test_cost_alone_decides_where_it_is_asked_to_or_nothing_is_in_force() -> None:
    table = cars(60, 10, np.random.default_rng(5))
    assert laid_out(table, IN_FORCE).content == pytest.approx(1.0 - (1.0 - KEPT) / 3)
    assert laid_out(table, IN_FORCE, keep=False).content == 0.0
    assert laid_out(table, 50.0).content == 0.0  # fails nobody
    assert laid_out(table, -50.0).content == 0.0  # fails everybody


def test_of_no_harm_seen_the_exact_limit_is_said() -> None:
    """0 of n: (1 - p)^n = 5 % (Clopper and Pearson, Biometrika 26, 1934, 404)."""
    assert Exchange(0.0, 3.0, 59).most == pytest.approx(1.0 - 0.05 ** (1.0 / 59.0))
    assert Exchange(5.0, 0.0, 5).most == 1.0


def test_who_changes_is_counted_by_car() -> None:
    # car 0, good, is measured twice and loses one of two passes; car 1 gains one; car 2 is bad
    table = cars(3, 1, np.random.default_rng(0))
    table = replace(table, car=np.array([0, 0, 1, 2]), cars=3)
    found = exchanges(table, np.array([PASS, FAIL, PASS, PASS]), np.array([PASS, PASS, FAIL, FAIL]))
    assert (found.good.worse, found.good.better, found.good.cars) == (0.5, 1.0, 2)
    assert (found.bad.worse, found.bad.better, found.bad.cars) == (1.0, 0.0, 1)
    assert found.harm(0.0).startswith("of 1 bad car left out 1 would pass")


def test_how_often_chance_would_save_as_much() -> None:
    """One-sided normal tail: 1.5 standard errors, 6.7 %."""
    assert "1.5 standard errors of 0.02: chance alone would show as much in 6.7 %" in saving_said(
        0.03, 0.02
    )


def tuned(fleet: Fleet, in_force: Limits, options: Options | None = None) -> Tuning:
    found = match(parse_labels(fleet.labels, ("low_core_flow",)), fleet.runs)
    return tune(fleet.runs, fleet.figures, fleet.causes, found, in_force, options)


def apart() -> Fleet:
    """Three families a factor of ten apart in a figure whose spread grows; bad in all of them."""
    names = ("response_time", "cold_end_rise")
    fleet = draw_fleet(80, 3, names=names, bad_share=0.2)
    family = {name: FAMILIES[at % 3] for at, name in enumerate(FAMILIES)}
    level = {name: 3.0 * 10.0 ** (at % 3) for at, name in enumerate(FAMILIES)}
    runs = fleet.runs.with_columns(pl.col("family").replace_strict(family))
    place = fleet.runs.select(
        pl.col("id").alias("run_id"), pl.col("family").replace_strict(level).alias("level")
    )
    # a spread of ten percent of the level
    value = pl.col("level") * (0.02 * (pl.col("value") - 50.0)).exp()
    figures = (
        fleet.figures.join(place, on="run_id", how="left", maintain_order="left")
        .with_columns(pl.when(pl.col("figure") == "response_time").then(value)
                      .otherwise(pl.col("value")).alias("value"),
                      pl.when(pl.col("figure") == "response_time").then(0.02 * pl.col("level"))
                      .otherwise(pl.col("u")).alias("u"))
        .with_columns(pl.min_horizontal("random", "u").alias("random"))
        .drop("level")
    )  # fmt: skip
    return replace(fleet, runs=runs, figures=figures)


STANDING = Limits(
    "a", "b", "c", "d",
    {"response_time": Limit(None, 900.0, "x"), "cold_end_rise": Limit(None, 75.0, "x")},
)  # fmt: skip


def test_three_families_do_not_tell_of_a_fourth() -> None:
    fleet = apart()
    result = tuned(fleet, STANDING, Options(COSTS, trade_passes=True))
    assert result.together is not None
    assert result.together.taken
    assert result.limits.figures == STANDING.figures
    time = next(each for each in result.figures if each.figure == "response_time")
    assert not time.others
    good = fleet.figures.join(fleet.runs, left_on="run_id", right_on="id").filter(
        (pl.col("purpose") == "road-test") & (pl.col("figure") == "response_time")
    )
    for family, own in time.families.items():
        values = good.filter(pl.col("family") == family)["value"]
        # the spread is a tenth of the level: no good or bad car lies a factor of three away
        assert values.min() < own.limit < 3.0 * values.max()  # type: ignore[operator]


def test_a_family_without_good_cars_keeps_what_is_in_force() -> None:
    fleet = draw_fleet(150, 5, names=("cold_end_rise",), bad_share=0.3)
    # of Knot only bad cars are labelled
    lines = fleet.labels.splitlines()
    family = dict(fleet.runs.select("vehicle", "family").iter_rows())
    kept = [line for line in lines if ",good" not in line or family[line[:8]] != "Knot"]
    heater = Limits(
        "a", "b", "c", "d", {"cold_end_rise": Limit(None, 200.0, "x")},
        families={"Knot": {"cold_end_rise": Limit(None, 180.0, "own")}},
    )  # fmt: skip
    result = tuned(replace(fleet, labels="\n".join(kept) + "\n"), heater)
    rise = next(each for each in result.figures if each.figure == "cold_end_rise")
    assert rise.limit is not None
    assert rise.others
    assert (rise.apart, rise.stays) == ((), ("Knot",))
    assert "Knot" not in rise.families
    assert limits_for(result.limits, "Knot", "blend-air")["cold_end_rise"].high == 180.0
    assert "  Knot: no good car measured; the limit in force stays" in tuning_lines(
        result, [], "si"
    )
    plain = replace(heater, families={})
    result = tuned(replace(fleet, labels="\n".join(kept) + "\n"), plain)
    assert "Knot" not in result.limits.families
    general = result.limits.figures["cold_end_rise"].high
    assert limits_for(result.limits, "Knot", "blend-air")["cold_end_rise"].high == general
    assert general != 200.0
    told = "  Knot: no good car measured; the limit of other families"
    assert told in tuning_lines(result, [], "si")


def test_what_is_printed_is_what_is_written() -> None:
    result = tuned(draw_fleet(150, 3, names=("cold_end_rise",)), STANDING)
    text = "\n".join(tuning_lines(result, [], "si"))
    written = result.limits.families
    assert written
    for family, own in written.items():
        told = re.search(rf"^  {family}: (\S+) K ", text, re.MULTILINE)
        assert told is not None
        assert float(told[1]) == own["cold_end_rise"].high
    whole = re.search(r"^cold end rise: fails above (\S+) K;", text, re.MULTILINE)
    assert whole is not None
    assert float(whole[1]) == result.limits.figures["cold_end_rise"].high


def test_an_interval_as_wide_as_everything_measured_is_said_in_words() -> None:
    assert not tells((0.0, 26e6), (2.0, 45.0))
    assert interval_said((0.0, 26e6), (2.0, 45.0)) == SAYS_NOTHING
    assert interval_said((3.0, 26e6), (2.0, 45.0)) != SAYS_NOTHING
    assert tells((3.0, 5.0), (2.0, 45.0))


def test_no_limit_and_no_interval_lies_where_the_figure_cannot_be() -> None:
    """Backlash is between none and the whole travel (a share)."""
    fleet = draw_fleet(40, 8, names=("lever_hysteresis",), bad_share=0.3)
    near = fleet.figures.with_columns((pl.col("value") - 49.0).clip(0.0, None).alias("value"))
    standing = Limits("a", "b", "c", "d", {"lever_hysteresis": Limit(None, 90.0, "x")})
    result = tuned(replace(fleet, figures=near), standing)
    backlash = next(each for each in result.figures if each.figure == "lever_hysteresis")
    assert backlash.limit is not None
    for own in backlash.families.values():
        assert 0.0 <= own.interval[0] <= own.limit <= own.interval[1] <= 100.0
