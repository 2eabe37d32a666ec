"""How many cars of each family were found with which cause.

A car counts once, however often it was measured: by the newest of its runs that names a fault, and
as healthy only where none does. A run after the repair that set the car right, or a good run of a
car that came back, does not take its fault away from the count.
"""

from __future__ import annotations

from typing import Any, Final

import polars as pl

from analysis.causes.knowledge import NO_FAULT
from analysis.compare.table import UNKNOWN
from ingest.errors import Fault, UnusableRun

CAUSE: Final = "cause"

EVERY: Final = "all families"

SCHEMA: Final[dict[str, Any]] = {
    "family": pl.String,
    "cause": pl.String,
    "cars": pl.Int64,
    "of_cars": pl.Int64,
    "share_pct": pl.Float64,
    "runs": pl.List(pl.String),
}

MEANING: Final = {
    "cars": "cars of the family found with the cause; each car counts once",
    "of_cars": "cars of the family",
    "share_pct": "that as a share of the family's cars, %",
    "runs": "ids of the runs that say so, one a car",
}


def count_causes(runs: pl.DataFrame) -> pl.DataFrame:
    """Cars by family and first cause, the commonest cause of a family first.

    Parameters
    ----------
    runs
        As `ingest.store.read.runs` gives them.

    Returns
    -------
    DataFrame
        One row a family and cause that occurs in it, columns of `SCHEMA`, explained in `MEANING`.

    Raises
    ------
    UnusableRun
        Where no run has a cause.
    """
    told = runs.filter(pl.col("first_cause").is_not_null())
    if not told.height:
        raise UnusableRun(
            Fault("causes", "no run with a cause", "runs of a heater test", "add some")
        )
    cars = (
        told.with_columns(
            pl.col("family").fill_null(UNKNOWN), (pl.col("first_cause") == NO_FAULT).alias("sound")
        )
        .sort("sound", "started", "id", descending=[False, True, False], nulls_last=True)
        .unique(["family", "vehicle"], keep="first", maintain_order=True)
    )
    size = pl.len().over("family").alias("of_cars")
    return (
        cars.select("family", pl.col("first_cause").alias("cause"), pl.col("id").alias("run"), size)
        .group_by("family", "cause", "of_cars")
        .agg(pl.len().cast(pl.Int64).alias("cars"), pl.col("run").sort().alias("runs"))
        .with_columns(
            pl.col("of_cars").cast(pl.Int64),
            (100.0 * pl.col("cars") / pl.col("of_cars")).alias("share_pct"),
        )
        .sort("family", "cars", "cause", descending=[False, True, False])
        .select(*SCHEMA)
    )


def side_by_side(counted: pl.DataFrame) -> pl.DataFrame:
    """`count_causes` for a screen: a row a cause, a column a family, the commonest cause first."""
    families = counted["family"].unique().sort().to_list()
    of_all = counted.group_by("cause").agg(pl.col("cars").sum().alias(EVERY))
    wide = of_all
    for family in families:
        own = counted.filter(pl.col("family") == family).select(
            "cause", pl.col("cars").alias(family)
        )
        wide = wide.join(own, on="cause", how="left")
    return wide.fill_null(0).sort(EVERY, "cause", descending=[True, False]).select(
        "cause", *families, EVERY
    )  # fmt: skip
