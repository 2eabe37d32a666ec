"""A car against the good cars of its family, figure by figure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Any, Final

import numpy as np
import polars as pl

from analysis.baseline import Spread, spread_of
from analysis.compare.weather import GOOD, WeatherSlope, fit_slope, floats
from analysis.measurement import Measurement
from analysis.statistics.false_discovery import ACCEPTED, adjusted
from analysis.statistics.tolerance import half_width
from ingest.arrays import Floats

MAD_TO_SIGMA: Final = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""

SCHEMA: Final[dict[str, Any]] = {
    "run": pl.String,
    "vehicle": pl.String,
    "family": pl.String,
    "purpose": pl.String,
    "started": pl.Datetime("us", "UTC"),
    "figure": pl.String,
    "unit": pl.String,
    "value": pl.Float64,
    "u": pl.Float64,
    "good_cars": pl.Int64,
    "usual": pl.Float64,
    "percentile": pl.Float64,
    "robust_z": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "p": pl.Float64,
    "q": pl.Float64,
    "differs": pl.Boolean,
    "ambient": pl.String,
    "runs": pl.List(pl.String),
}

MEANING: Final = {
    "run": "name of the run folder",
    "value": "the car's figure",
    "u": "its standard uncertainty",
    "good_cars": "good cars of the family with this heater that the figure is known of",
    "usual": "their median, at this run's outside temperature",
    "percentile": "share of the good cars that lie below, %",
    "robust_z": "distance from the median in standard deviations (1.4826 median deviations)",
    "low": "lower end of the interval that holds 95 % of the family with 95 % confidence",
    "high": "its upper end",
    "p": "probability that a good car lies as far away or farther",
    "q": "the same with all rows of the table in mind (Benjamini and Hochberg)",
    "differs": "whether q is at most 0.05",
    "ambient": "whether the outside temperature is allowed for, and if not, why",
    "runs": "ids of the run and of the good cars' runs behind the row",
}


def car_against_family(table: pl.DataFrame, run_ids: Iterable[str]) -> pl.DataFrame:
    """Runs against the good cars of their families.

    A good car that is itself asked for is compared with the others. A family's good cars are its
    runs with the purpose `GOOD`; a car's runs count as one.

    Parameters
    ----------
    table
        `analysis.compare.table.fleet_table`.
    run_ids
        The runs asked for.

    Returns
    -------
    DataFrame
        One row a run and figure, columns of `SCHEMA`, explained in `MEANING`.
    """
    asked = table.filter(pl.col("run_id").is_in(list(run_ids)))
    rows: list[dict[str, Any]] = []
    for (_, family, heater, figure), group in asked.group_by(
        "order", "family", "heater", "figure", maintain_order=True
    ):
        good = table.filter(
            (pl.col("purpose") == GOOD)
            & (pl.col("family") == family)
            & (pl.col("heater") == heater)
            & (pl.col("figure") == figure)
        )
        rows += _rows(str(figure), group, good)
    frame = pl.DataFrame(rows, schema=SCHEMA).sort("started", "run", maintain_order=True)
    q = adjusted(frame["p"].fill_null(math.nan).to_numpy())
    return frame.with_columns(pl.Series("q", q).fill_nan(None)).with_columns(
        (pl.col("q") <= ACCEPTED).alias("differs")
    )


def _rows(figure: str, group: pl.DataFrame, good: pl.DataFrame) -> Iterator[dict[str, Any]]:
    for run in group.iter_rows(named=True):
        others = good.filter(pl.col("vehicle") != run["vehicle"])
        yield {
            "run": run["name"],
            **{
                name: run[name]
                for name in (
                    "vehicle",
                    "family",
                    "purpose",
                    "started",
                    "figure",
                    "unit",
                    "value",
                    "u",
                )
            },
            **against(figure, run["value"], run["ambient_degC"], others),
            "runs": [run["run_id"], *others["run_id"]],
        }


def against(figure: str, value: float, ambient: float | None, good: pl.DataFrame) -> dict[str, Any]:
    """One value against good cars: everything of `SCHEMA` that speaks of them.

    Parameters
    ----------
    figure
        Its name.
    value
        The value.
    ambient
        Its run's outside temperature, °C.
    good
        Rows of the good cars' runs with ``vehicle, value, random, ambient_degC, unit``.
    """
    temperatures = floats(good["ambient_degC"])
    slope = fit_slope(good["value"].to_numpy(), temperatures, np.zeros(good.height, dtype=np.int64))
    if ambient is None and slope.why_not is None:
        slope = WeatherSlope(0.0, 0.0, slope.center, "outside temperature not logged")
    to = slope.center if ambient is None else ambient
    moved = good.with_columns(
        pl.Series("value", slope.moved(good["value"].to_numpy(), temperatures, to))
    )
    cars = moved.group_by("vehicle", maintain_order=True).agg(
        pl.col("value").mean(),
        pl.col("random").fill_null(0.0).pow(2).mean().sqrt() / pl.len().sqrt(),
    )
    values = cars["value"].to_numpy()
    found: dict[str, Any] = {"good_cars": values.size, "ambient": slope.why_not or "allowed for"}
    if values.size:
        found |= _place(value, values)
    spread = spread_of(
        figure,
        [
            Measurement(each, "", random)
            for each, random in cars.select("value", "random").iter_rows()
        ],
    )
    if spread is not None and spread.seen > 0.0:
        found |= _interval(spread)
        shift = 0.0 if slope.why_not else slope.variance * (to - slope.center) ** 2
        found["p"] = _chance(value, spread, shift, fitted=slope.why_not is None)
    return found


def _place(value: float, good: Floats) -> dict[str, float | None]:
    median = float(np.median(good))
    scale = MAD_TO_SIGMA * float(np.median(np.abs(good - median)))
    below = float(np.sum(good < value)) + 0.5 * float(np.sum(good == value))
    return {
        "usual": median,
        "percentile": 100.0 * below / good.size,
        "robust_z": (value - median) / scale if scale > 0.0 else None,
    }


def _interval(spread: Spread) -> dict[str, float]:
    reach = half_width(spread.n, spread.seen, spread.noise)
    low, high = spread.mean - reach, spread.mean + reach
    return (
        {"low": math.exp(low), "high": math.exp(high)} if spread.log else {"low": low, "high": high}
    )


def _chance(value: float, spread: Spread, shift: float, *, fitted: bool) -> float | None:
    """Two-sided p-value of one more value of the same population (Student's t).

    `shift` is the variance that the fitted slope adds at this run's temperature, in the figure's
    unit; on the logarithmic scale it is relative to the value at the mean.
    """
    from scipy.special import stdtr

    if spread.log:
        if value <= 0.0:
            return None
        value, shift = math.log(value), shift / math.exp(2.0 * spread.mean)
    df = spread.n - 1 - fitted
    if df < 1:
        return None
    scatter = spread.seen**2 * (spread.n - 1) / df
    u = math.sqrt(scatter * (1.0 + 1.0 / spread.n) + shift)
    return float(2.0 * stdtr(df, -abs(value - spread.mean) / u))
