"""What repairs changed: each car's visit before and after, and second repairs against first ones.

A car is its own control, so that only the change counts. The day's temperature is taken out with
the slope of the family's good cars.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import polars as pl

from analysis.compare.weather import GOOD, WeatherSlope, fit_slope, floats
from analysis.statistics.effects import Group, difference, hedges, welch
from analysis.statistics.false_discovery import ACCEPTED, adjusted

BEFORE: Final = ("complaint", "after-repair")
AFTER: Final = "after-repair"

FIRST: Final = "first repair"
AGAIN: Final = "repair again"

PAIR_SCHEMA: Final[dict[str, Any]] = {
    "family": pl.String,
    "vehicle": pl.String,
    "repair": pl.String,
    "before_run": pl.String,
    "after_run": pl.String,
    "figure": pl.String,
    "unit": pl.String,
    "before": pl.Float64,
    "after": pl.Float64,
    "change": pl.Float64,
    "u": pl.Float64,
    "ambient": pl.String,
    "runs": pl.List(pl.String),
}

SCHEMA: Final[dict[str, Any]] = {
    "family": pl.String,
    "repair": pl.String,
    "figure": pl.String,
    "unit": pl.String,
    "cars": pl.Int64,
    "change": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "p": pl.Float64,
    "q": pl.Float64,
    "differs": pl.Boolean,
    "against_first": pl.Float64,
    "against_low": pl.Float64,
    "against_high": pl.Float64,
    "against_g": pl.Float64,
    "ambient": pl.String,
    "runs": pl.List(pl.String),
}

MEANING: Final = {
    "repair": "the car's first repair, or a later one",
    "before": "the figure at the visit before",
    "after": "the figure after the repair",
    "change": "after minus before, as on a day of the same temperature; of several cars the mean",
    "u": "standard uncertainty of the change, nothing taken as common to both runs",
    "cars": "repairs behind the row",
    "low": "95 % confidence interval of the mean change, lower end",
    "high": "upper end",
    "p": "probability of so large a change by chance (paired t-test)",
    "q": "the same with all rows of the table in mind (Benjamini and Hochberg)",
    "differs": "whether q is at most 0.05",
    "against_first": "mean change of later repairs minus that of first ones",
    "against_low": "its 95 % confidence interval (Welch), lower end",
    "against_high": "upper end",
    "against_g": "the same in standard deviations (Hedges' g)",
    "ambient": "whether the outside temperature is allowed for, and if not, why",
    "runs": "ids of the runs before and after",
}


def repair_pairs(table: pl.DataFrame) -> pl.DataFrame:
    """Each repair with the visit before it, figure by figure.

    The visit before is the car's last complaint or earlier repair; runs without a date cannot be
    put in order and are left out.

    Parameters
    ----------
    table
        `analysis.compare.table.fleet_table`.

    Returns
    -------
    DataFrame
        One row a repair and figure, columns of `PAIR_SCHEMA`, explained in `MEANING`.
    """
    visits = _visits(table)
    columns = ["figure", "value", "u", "unit", "order", "ambient_degC"]
    values = table.select("run_id", *columns)
    pairs = visits.join(
        values.rename({"value": "before", "u": "u_before", "ambient_degC": "ambient_before"}),
        left_on="before_id",
        right_on="run_id",
    ).join(
        values.select(
            "run_id",
            "figure",
            pl.col("value").alias("after"),
            pl.col("u").alias("u_after"),
            pl.col("ambient_degC").alias("ambient_after"),
        ),
        left_on=["after_id", "figure"],
        right_on=["run_id", "figure"],
    )
    parts = [
        _changes(part, _slope(table, str(family), str(heater), str(figure)))
        for (family, heater, figure), part in pairs.sort(
            "order", "family", "vehicle", "started"
        ).group_by("family", "heater", "figure", maintain_order=True)
    ]
    return pl.concat([pl.DataFrame(schema=PAIR_SCHEMA), *parts])


def compare_repairs(table: pl.DataFrame) -> pl.DataFrame:
    """What repairs changed on the average, and later repairs of a car against first ones.

    Parameters
    ----------
    table
        `analysis.compare.table.fleet_table`.

    Returns
    -------
    DataFrame
        One row a family, figure and kind of repair, columns of `SCHEMA`, explained in `MEANING`.
    """
    rows: list[dict[str, Any]] = []
    for (family, figure), part in repair_pairs(table).group_by(
        "family", "figure", maintain_order=True
    ):
        first = _group(part, FIRST)
        for (repair,), some in part.group_by("repair", maintain_order=True):
            rows.append(
                {"family": family, "repair": repair, "figure": figure, "unit": some["unit"][0]}
                | _mean_change(some)
                | (_against(_group(part, AGAIN), first) if repair == AGAIN else {})
            )
    frame = pl.DataFrame(rows, schema=SCHEMA).with_columns(pl.selectors.float().fill_nan(None))
    q = adjusted(frame["p"].fill_null(math.nan).to_numpy())
    return frame.with_columns(pl.Series("q", q).fill_nan(None)).with_columns(
        (pl.col("q") <= ACCEPTED).alias("differs")
    )


def _visits(table: pl.DataFrame) -> pl.DataFrame:
    """Pairs of run ids: a repair and the visit before it."""
    runs = (
        table.select("run_id", "name", "vehicle", "family", "heater", "purpose", "started")
        .unique("run_id", maintain_order=True)
        .filter(pl.col("started").is_not_null() & pl.col("purpose").is_in(BEFORE))
        .sort("vehicle", "started", maintain_order=True)
    )
    number = (pl.col("purpose") == AFTER).cast(pl.Int64).cum_sum().over("vehicle")
    return (
        runs.with_columns(
            pl.col("run_id").shift(1).over("vehicle").alias("before_id"),
            pl.col("name").shift(1).over("vehicle").alias("before_run"),
            pl.when(number <= 1).then(pl.lit(FIRST)).otherwise(pl.lit(AGAIN)).alias("repair"),
        )
        .filter((pl.col("purpose") == AFTER) & pl.col("before_id").is_not_null())
        .rename({"run_id": "after_id", "name": "after_run"})
    )


def _slope(table: pl.DataFrame, family: str, heater: str, figure: str) -> WeatherSlope:
    good = table.filter(
        (pl.col("purpose") == GOOD)
        & (pl.col("family") == family)
        & (pl.col("heater") == heater)
        & (pl.col("figure") == figure)
    )
    values, ambient = good["value"].to_numpy(), floats(good["ambient_degC"])
    return fit_slope(values, ambient, np.zeros(good.height, dtype=np.int64))


def _changes(part: pl.DataFrame, slope: WeatherSlope) -> pl.DataFrame:
    warmer = (pl.col("ambient_after") - pl.col("ambient_before")).fill_null(0.0)
    return part.select(
        "family",
        "vehicle",
        "repair",
        "before_run",
        "after_run",
        "figure",
        "unit",
        "before",
        "after",
        (pl.col("after") - pl.col("before") - slope.value * warmer).alias("change"),
        (pl.col("u_before").pow(2) + pl.col("u_after").pow(2) + slope.variance * warmer.pow(2))
        .sqrt()
        .alias("u"),
        pl.lit(slope.why_not or "allowed for").alias("ambient"),
        pl.concat_list("before_id", "after_id").alias("runs"),
    )


def _group(part: pl.DataFrame, repair: str) -> Group:
    return Group.of(part.filter(pl.col("repair") == repair)["change"].to_numpy())


def _mean_change(some: pl.DataFrame) -> dict[str, Any]:
    group = Group.of(some["change"].to_numpy())
    found = difference(group.mean, np.sqrt(group.variance / group.n), group.n - 1.0)
    return {
        "cars": some.height,
        "change": float(group.mean),
        "low": float(found.low),
        "high": float(found.high),
        "p": float(found.p),
        "ambient": some["ambient"][0],
        "runs": some["runs"].list.explode().to_list(),
    }


def _against(again: Group, first: Group) -> dict[str, float]:
    if first.n == 0:
        return {}
    found = welch(again, first)
    return {
        "against_first": float(found.value),
        "against_low": float(found.low),
        "against_high": float(found.high),
        "against_g": float(hedges(again, first).g),
    }
