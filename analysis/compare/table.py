"""The store's runs and figures as one long table, and a fair unit of comparison: the car.

Ten runs of one car are not ten cars. Wherever cars are counted, a car's runs are averaged first.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

import polars as pl

from analysis.compare.weather import WeatherSlope, floats
from analysis.figures import all_figures

RUN_COLUMNS: Final = (
    "id",
    "name",
    "vehicle",
    "family",
    "heater",
    "purpose",
    "plant",
    "started",
    "ambient_degC",
)

UNKNOWN: Final = "not said"
"""Stands for a family, plant or purpose that the set-up does not name."""


def fleet_table(
    runs: pl.DataFrame, figures: pl.DataFrame, names: Collection[str] | None = None
) -> pl.DataFrame:
    """One row a run and measured figure.

    Parameters
    ----------
    runs, figures
        As `ingest.store.read` gives them.
    names
        Figures wanted; None for all.

    Returns
    -------
    DataFrame
        `RUN_COLUMNS`, ``month`` (``2026-01``), ``figure, order`` (its place in tables)
        ``, value, u, random, unit``. Texts that are not known are `UNKNOWN`.
    """
    order = pl.DataFrame(
        {
            "figure": [each.name for each in all_figures()],
            "order": [each.order for each in all_figures()],
        },
        schema={"figure": pl.String, "order": pl.Int64},
    )
    about = runs.select(RUN_COLUMNS).with_columns(
        pl.col("family", "plant", "purpose").fill_null(UNKNOWN),
        pl.col("started").dt.strftime("%Y-%m").fill_null(UNKNOWN).alias("month"),
    )
    measured = figures.filter(pl.col("value").is_finite()).select(
        "run_id", "figure", "value", "u", "random", "unit"
    )
    if names is not None:
        measured = measured.filter(pl.col("figure").is_in(list(names)))
    return measured.join(about, left_on="run_id", right_on="id").join(
        order, on="figure", how="left", maintain_order="left"
    )


def by_unit(table: pl.DataFrame, group: str, unit: str, slope: WeatherSlope) -> pl.DataFrame:
    """Mean of each car's runs within each group, moved to the slope's own outside temperature.

    Parameters
    ----------
    table
        Rows of `fleet_table`, of one figure.
    group
        Column that names the groups.
    unit
        Column that names what counts as one: ``vehicle``, or ``run_id`` within one car.
    slope
        How the figure goes with the outside temperature.

    Returns
    -------
    DataFrame
        ``group, unit, value, ambient, runs`` (list of ids).
    """
    moved = slope.moved(table["value"].to_numpy(), floats(table["ambient_degC"]), slope.center)
    return (
        table.select(
            pl.col(group).alias("group"),
            pl.col(unit).alias("unit"),
            pl.col("run_id").alias("runs"),
            pl.col("ambient_degC").alias("ambient"),
            pl.Series("value", moved),
        )
        .group_by("group", "unit", maintain_order=True)
        .agg(pl.col("value").mean(), pl.col("ambient").mean(), pl.col("runs"))
    )
