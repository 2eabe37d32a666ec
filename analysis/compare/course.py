"""A figure over time, by family or plant: whether its level has changed, and since when."""

from __future__ import annotations

import math
from typing import Any, Final, Literal, get_args

import numpy as np
import polars as pl

from analysis.compare.weather import floats, slope_of
from analysis.statistics.control_chart import Average, individuals, moving_average
from ingest.arrays import Floats

By = Literal["family", "plant", "vehicle"]
SERIES: Final[tuple[By, ...]] = get_args(By)

REFERENCE: Final = 20
"""Runs at the beginning whose mean is the level that later ones are held against."""

FEWEST: Final = 8
"""A shorter series is no chart."""

SCHEMA: Final[dict[str, Any]] = {
    "series": pl.String,
    "started": pl.Datetime("us", "UTC"),
    "run": pl.String,
    "vehicle": pl.String,
    "figure": pl.String,
    "unit": pl.String,
    "value": pl.Float64,
    "moved": pl.Float64,
    "center": pl.Float64,
    "strange": pl.Boolean,
    "level": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "alarm": pl.String,
    "alarm_level": pl.Float64,
    "ambient": pl.String,
    "runs": pl.List(pl.String),
}

MEANING: Final = {
    "series": "family or plant",
    "value": "the figure as it was measured",
    "moved": "the same as on a day of the series' mean outside temperature",
    "center": "mean of the first runs, which later ones are held against",
    "strange": "whether this single value lies more than 3 standard deviations from the center",
    "level": "moving average of the values so far (weight 0.2)",
    "low": "lower limit of the moving average",
    "high": "its upper limit",
    "alarm": "the level has changed: since which run, and how",
    "alarm_level": "mean since then",
    "ambient": "whether the outside temperature is allowed for, and if not, why",
    "runs": "ids of the runs behind the row",
}


def timeline(table: pl.DataFrame, figure: str, by: By = "family") -> pl.DataFrame:
    """Control chart of a figure, for each series.

    Runs without a date, and series of fewer than `FEWEST` runs, are left out. The level to be held
    against is the mean of the first `REFERENCE` runs (of a short series the first half); its own
    uncertainty widens the limits. The scatter comes from neighbors in time.

    Parameters
    ----------
    table
        `analysis.compare.table.fleet_table`.
    figure
        The figure.
    by
        What makes a series.

    Returns
    -------
    DataFrame
        One row a run, in order of time, columns of `SCHEMA`, explained in `MEANING`.
    """
    dated = table.filter((pl.col("figure") == figure) & pl.col("started").is_not_null())
    dated = dated.sort(by, "started", "run_id")
    parts = [
        _chart(part, str(series))
        for (series,), part in dated.group_by(by, maintain_order=True)
        if part.height >= FEWEST
    ]
    return pl.concat([pl.DataFrame(schema=SCHEMA), *parts])


def _chart(part: pl.DataFrame, series: str) -> pl.DataFrame:
    slope = slope_of(part, "purpose")
    moved = slope.moved(part["value"].to_numpy(), floats(part["ambient_degC"]), slope.center)
    sigma = individuals(moved).sigma
    reference = min(REFERENCE, part.height // 2)
    center = float(moved[:reference].mean())
    chart = moving_average(moved, center, sigma, center_u=sigma / math.sqrt(reference))
    alarms, levels = _alarms(chart, part, moved)
    return pl.DataFrame(
        {
            "series": series,
            "started": part["started"],
            "run": part["name"],
            "vehicle": part["vehicle"],
            "figure": part["figure"],
            "unit": part["unit"],
            "value": part["value"],
            "moved": moved,
            "center": center,
            "strange": np.abs(moved - center) > 3.0 * sigma,
            "level": chart.level,
            "low": chart.low,
            "high": chart.high,
            "alarm": alarms,
            "alarm_level": levels,
            "ambient": slope.why_not or "allowed for",
            "runs": [[each] for each in part["run_id"]],
        },
        schema=SCHEMA,
    )


def _alarms(
    chart: Average, part: pl.DataFrame, moved: Floats
) -> tuple[list[str | None], list[float | None]]:
    """For every run: what has changed there, and the mean of the figure since."""
    said: list[str | None] = [None] * part.height
    levels: list[float | None] = [None] * part.height
    for alarm in chart.alarms:
        since = part["started"][alarm.since]
        said[alarm.at] = f"{'higher' if alarm.up else 'lower'} since {since:%Y-%m-%d}"
        levels[alarm.at] = float(moved[alarm.since : alarm.at + 1].mean())
    return said, levels
