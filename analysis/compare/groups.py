"""Groups of cars against each other: families, plants, months, single cars, purposes.

Families are compared with each other; everything else within a family, since plants and months with
other families in them differ for that reason alone. Runs for a complaint, after a repair and of
known-good cars are never averaged: families, plants and months are compared for each purpose apart.
Each group is compared with all the rest of its family and purpose (or with one group that is
named), the day's temperature allowed for.
"""

from __future__ import annotations

import math
from typing import Any, Final, Literal, get_args

import numpy as np
import polars as pl

from analysis.compare.table import by_unit
from analysis.compare.weather import WeatherSlope, floats, slope_of
from analysis.statistics.effects import Group, difference, hedges, welch
from analysis.statistics.false_discovery import ACCEPTED, adjusted
from analysis.statistics.shrinkage import shrink
from ingest.arrays import Floats
from ingest.values import dataclass

By = Literal["family", "plant", "month", "vehicle", "purpose"]
GROUPINGS: Final[tuple[By, ...]] = get_args(By)

APART: Final[tuple[By, ...]] = ("family", "plant", "month")
"""What is compared for each purpose apart."""

ANY: Final = "any"
"""Stands for the purpose where all of them are compared together."""

REST: Final = "all others"

ALL: Final = "all"
"""Stands for the family where families themselves are compared."""

SCHEMA: Final[dict[str, Any]] = {
    "family": pl.String,
    "purpose": pl.String,
    "group": pl.String,
    "figure": pl.String,
    "unit": pl.String,
    "cars": pl.Int64,
    "mean": pl.Float64,
    "mean_low": pl.Float64,
    "mean_high": pl.Float64,
    "shrunk": pl.Float64,
    "shrunk_u": pl.Float64,
    "against": pl.String,
    "difference": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "g": pl.Float64,
    "g_low": pl.Float64,
    "g_high": pl.Float64,
    "p": pl.Float64,
    "q": pl.Float64,
    "differs": pl.Boolean,
    "ambient": pl.String,
    "runs": pl.List(pl.String),
}

MEANING: Final = {
    "purpose": "what the runs were made for; other purposes are compared in rows of their own",
    "cars": "cars in the group; of a single car, its runs",
    "mean": "their mean, at the family's mean outside temperature",
    "mean_low": "its 95 % confidence interval, lower end",
    "mean_high": "upper end",
    "shrunk": "the mean drawn towards the family's, the more the fewer cars it comes from",
    "shrunk_u": "standard uncertainty of that",
    "against": "what the group is compared with",
    "difference": "group minus that, in the figure's unit",
    "low": "95 % confidence interval of the difference (Welch), lower end",
    "high": "upper end",
    "g": "the difference in standard deviations (Hedges' g)",
    "g_low": "its 95 % confidence interval, lower end",
    "g_high": "upper end",
    "p": "probability of so large a difference by chance",
    "q": "the same with all rows of the table in mind (Benjamini and Hochberg)",
    "differs": "whether q is at most 0.05",
    "ambient": "whether the outside temperature is allowed for, and if not, why",
    "runs": "ids of the group's runs",
}


def compare_groups(table: pl.DataFrame, by: By, against: str | None = None) -> pl.DataFrame:
    """Each group of a family against the rest of it.

    Parameters
    ----------
    table
        `analysis.compare.table.fleet_table`.
    by
        What makes the groups. By ``vehicle`` a car's runs are the single values, else its mean is.
    against
        Group to compare with instead of the rest.

    Returns
    -------
    DataFrame
        One row a family, figure and group, columns of `SCHEMA`, explained in `MEANING`.
    """
    heater = pl.format(" ({})", "heater")
    several = pl.col("heater").n_unique().over("family") > 1
    stratum = pl.col("family") + pl.when(several).then(heater).otherwise(pl.lit(""))
    parted = table.with_columns((pl.lit(ALL) if by == "family" else stratum).alias("stratum"))
    parted = parted.with_columns(
        (pl.col("purpose") if by in APART else pl.lit(ANY)).alias("apart")
    ).sort("order", "stratum", "apart", maintain_order=True)
    frames = [
        _compare(part, str(family), str(figure), by, against).with_columns(
            pl.lit(purpose, pl.String).alias("purpose")
        )
        for (_, figure, family, purpose), part in parted.group_by(
            "order", "figure", "stratum", "apart", maintain_order=True
        )
    ]
    frame = pl.concat([pl.DataFrame(schema=SCHEMA), *frames])
    q = adjusted(frame["p"].fill_null(math.nan).to_numpy())
    return frame.with_columns(pl.Series("q", q).fill_nan(None)).with_columns(
        (pl.col("q") <= ACCEPTED).alias("differs")
    )


@dataclass(frozen=True)
class _Groups:
    """The groups of one family and figure; arrays of shape (k,)."""

    names: list[str]
    group: Group
    ambient: Floats
    runs: list[list[str]]

    @classmethod
    def of(cls, units: pl.DataFrame) -> _Groups:
        """From one row a car."""
        value = pl.col("value")
        found = units.group_by("group", maintain_order=True).agg(
            pl.len().cast(pl.Float64).alias("n"),
            value.mean().alias("mean"),
            value.var().alias("variance"),
            pl.col("ambient").mean(),
            pl.col("runs").list.explode(),
        )
        found = found.sort("group")
        group = Group(*(floats(found[name]) for name in ("n", "mean", "variance")))
        return cls(
            found["group"].to_list(), group, floats(found["ambient"]), found["runs"].to_list()
        )

    def others(self, against: str | None) -> tuple[Group, Floats, list[str]]:
        """What each group is compared with, its outside temperature, and what it is called."""
        if against is not None:
            return self._one(against)
        n, mean, variance = self.group.n, self.group.mean, np.nan_to_num(self.group.variance)
        known = self.ambient[~np.isnan(self.ambient)]
        ambient = np.nan_to_num(self.ambient, nan=float(known.mean()) if known.size else 0.0)
        center = float(n @ mean / n.sum())
        squares = (n - 1.0) * variance + n * (mean - center) ** 2
        rest = n.sum() - n
        with np.errstate(divide="ignore", invalid="ignore"):
            offset = -n * (mean - center) / rest
            spread = (squares.sum() - squares - rest * offset**2) / (rest - 1.0)
            warmth = (n @ ambient - n * ambient) / rest
        spread = np.where(rest >= 2, np.maximum(spread, 0.0), np.nan)
        return Group(rest, center + offset, spread), warmth, [REST] * n.size

    def _one(self, against: str) -> tuple[Group, Floats, list[str]]:
        if against not in self.names:
            nothing = np.full(len(self.names), np.nan)
            return Group(nothing, nothing, nothing), nothing, [against] * len(self.names)
        place = self.names.index(against)
        itself = np.arange(len(self.names)) == place
        parts = [
            np.where(itself, np.nan, part[place])
            for part in (self.group.n, self.group.mean, self.group.variance, self.ambient)
        ]
        return Group(*parts[:3]), parts[3], [against] * len(self.names)


def _compare(
    part: pl.DataFrame, family: str, figure: str, by: By, against: str | None
) -> pl.DataFrame:
    slope = slope_of(part, by)
    groups = _Groups.of(by_unit(part, by, "run_id" if by == "vehicle" else "vehicle", slope))
    other, warmth, names = groups.others(against)
    found = welch(groups.group, other, slope.variance * np.nan_to_num(groups.ambient - warmth) ** 2)
    effect = hedges(groups.group, other)
    return pl.DataFrame(
        {
            "family": family,
            "purpose": None,
            "group": groups.names,
            "figure": figure,
            "unit": part["unit"][0],
            "cars": groups.group.n.astype(np.int64),
            **_means(groups, slope),
            "against": names,
            "difference": found.value,
            "low": found.low,
            "high": found.high,
            "g": effect.g,
            "g_low": effect.low,
            "g_high": effect.high,
            "p": found.p,
            "q": None,
            "differs": None,
            "ambient": slope.why_not or "allowed for",
            "runs": groups.runs,
        },
        schema=SCHEMA,
        nan_to_null=True,
    )


def _means(groups: _Groups, slope: WeatherSlope) -> dict[str, Floats]:
    """Means with their intervals, and drawn towards the family's."""
    group = groups.group
    moved = slope.variance * np.nan_to_num(groups.ambient - slope.center) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        alone = difference(group.mean, np.sqrt(group.variance / group.n + moved), group.n - 1.0)
    found = {"mean": group.mean, "mean_low": alone.low, "mean_high": alone.high}
    df = float(np.sum(group.n - 1.0))
    pooled = float(np.sum((group.n - 1.0) * np.nan_to_num(group.variance))) / df if df else 0.0
    if pooled > 0.0 and group.n.size > 1:
        shrunk = shrink(group.mean, pooled / group.n + moved)
        return found | {"shrunk": shrunk.mean, "shrunk_u": shrunk.u}
    nothing = np.full(group.n.size, np.nan)
    return found | {"shrunk": nothing, "shrunk_u": nothing}
