"""Measurement system study from the runs of a store: who and what measured makes how much.

Repeat runs are runs of one car with one label and one purpose. Every car measured by every operator
(or logger set) equally often gives the analysis of variance with interaction; anything less gives
restricted maximum likelihood without it, and says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.figures import figures_by_name
from analysis.statistics.gauge import CATEGORIES_FACTOR, gauge_study
from analysis.statistics.reml import components
from analysis.tune.labels import Matched
from analysis.verdict import GUARD
from ingest.arrays import Floats

if TYPE_CHECKING:
    import polars as pl

Indices = NDArray[np.intp]

FEWEST: Final = 2
"""Cars and operators."""

MIN_SPARE: Final = 3
"""Degrees of freedom left for the repeats."""

MAX_RUNS: Final = 150
"""Runs looked at where the study is unbalanced; cars with most repeats first."""


@dataclass(frozen=True, slots=True)
class FigureStudy:
    """How much of a figure's scatter is the measuring.

    Parameters
    ----------
    figure, unit
        Which.
    by
        ``operator`` or ``logger``.
    how
        Which calculation, in words.
    cars, appraisers, runs
        Behind it.
    repeatability, reproducibility, measuring, car
        Standard deviations.
    categories
        Number of distinct categories.
    guard_share
        Measuring over the standard uncertainty the runs state: the share of the guard band that
        repeat runs explain. Above 1, the stated uncertainties are too small.
    guard_band
        Typical guard band on one side.
    """

    figure: str
    unit: str
    by: Literal["operator", "logger"]
    how: str
    cars: int
    appraisers: int
    runs: int
    repeatability: float
    reproducibility: float
    measuring: float
    car: float
    categories: int
    guard_share: float
    guard_band: float


def study_figures(
    runs: pl.DataFrame, figures: pl.DataFrame, matched: Matched
) -> tuple[FigureStudy, ...]:
    """Study of every figure by operator and by logger, where repeat runs allow one.

    Parameters
    ----------
    runs, figures
        As `ingest.store.read` gives them.
    matched
        Labels: a car's good runs and its bad ones are no repeats of each other.
    """
    import polars as pl

    labels = pl.DataFrame(
        {"id": list(matched.by_run), "bad": [each.bad for each in matched.by_run.values()]},
        schema={"id": pl.String, "bad": pl.Boolean},
    )
    found = []
    for by in ("operator", "logger"):
        about = (
            runs.filter(pl.col(by).is_not_null())
            .join(labels, on="id", how="left")
            .with_columns(
                pl.concat_str(
                    "vehicle",
                    pl.col("purpose").fill_null(""),
                    pl.col("bad").cast(pl.String).fill_null(""),
                    separator="\t",
                ).alias("car"),
                pl.col(by).alias("appraiser"),
            )
            .select(pl.col("id").alias("run_id"), "car", "appraiser")
        )
        if about["appraiser"].n_unique() < FEWEST:
            continue
        # a car measured once tells nothing about the measuring
        about = about.filter(pl.len().over("car") > 1)
        joined = figures.filter(pl.col("value").is_finite()).join(about, on="run_id", how="inner")
        for name in figures_by_name():
            rows = joined.filter(pl.col("figure") == name).sort("car", "appraiser", "run_id")
            rows = rows.filter(pl.len().over("car") > 1)
            study = _study(rows, name, "operator" if by == "operator" else "logger")
            if study is not None:
                found.append(study)
    return tuple(found)


def _study(rows: pl.DataFrame, name: str, by: Literal["operator", "logger"]) -> FigureStudy | None:
    if rows["car"].n_unique() < FEWEST or rows["appraiser"].n_unique() < FEWEST:
        return None
    values = rows["value"].to_numpy()
    if np.ptp(values) == 0.0:
        return None
    cars, car = np.unique(rows["car"].to_numpy().astype(np.str_), return_inverse=True)
    names, who = np.unique(rows["appraiser"].to_numpy().astype(np.str_), return_inverse=True)
    block = _complete(values, car, who, cars.size, names.size)
    u = rows["u"].drop_nulls().drop_nans()
    typical = math.sqrt(float((u**2).mean())) if u.len() else math.nan  # type: ignore[arg-type]
    unit = str(rows["unit"][0])
    if block is not None:
        told = gauge_study(block)
        aside = " (interaction pooled)" if told.pooled else ""
        return FigureStudy(
            name, unit, by, f"analysis of variance, every car by every {by}{aside}",
            block.shape[0], block.shape[1], block.size,
            told.repeatability, told.reproducibility, told.measuring, told.car, told.categories,
            told.measuring / typical, GUARD * typical,
        )  # fmt: skip
    if not _crossed(car, who):
        return None
    chosen = _most_repeated(car)
    part = components(
        values[chosen],
        np.unique(car[chosen], return_inverse=True)[1],
        np.unique(who[chosen], return_inverse=True)[1],
    )
    measuring = math.hypot(part.operator, part.repeat)
    return FigureStudy(
        name, unit, by,
        f"unbalanced: restricted maximum likelihood, without the interaction of car and {by}",
        np.unique(car[chosen]).size, np.unique(who[chosen]).size, chosen.size,
        part.repeat, part.operator, measuring, part.car,
        max(1, math.floor(CATEGORIES_FACTOR * part.car / measuring)),
        measuring / typical, GUARD * typical,
    )  # fmt: skip


def _complete(values: Floats, car: Indices, who: Indices, cars: int, names: int) -> Floats | None:
    """The runs as cars by appraisers by repeats, if none has to be left out."""
    count = np.zeros((cars, names), dtype=np.intp)
    np.add.at(count, (car, who), 1)
    repeats = int(count[0, 0])
    if repeats < 2 or np.any(count != repeats):
        return None
    order = np.lexsort((np.arange(values.size), who, car))
    return values[order].reshape(cars, names, repeats)


def _crossed(car: Indices, who: Indices) -> bool:
    """Whether cars were measured by several appraisers, with runs to spare for the repeats."""
    cars, pairs = np.unique(car).size, np.unique(np.stack([car, who]), axis=1).shape[1]
    return bool(pairs > cars and car.size - cars - np.unique(who).size + 1 >= MIN_SPARE)


def _most_repeated(car: Indices) -> Indices:
    """Runs of the cars with most repeats, up to `MAX_RUNS`."""
    count = np.bincount(car)
    order = np.argsort(-count, kind="stable")
    kept = order[: max(FEWEST, int(np.searchsorted(np.cumsum(count[order]), MAX_RUNS, "right")))]
    return np.flatnonzero(np.isin(car, kept))
