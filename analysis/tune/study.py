"""Measurement system study from the runs of a store: who and what measured makes how much.

Repeat runs are runs of one car with one label and one purpose. What the weather does is taken out
first, as it is for the limits: repeat runs on a cold and a mild day are else no repeats. Operators,
loggers and days have components of their own where they can be told apart. Every car measured by
every operator (or logger set) equally often, and nothing else that varies, gives the analysis of
variance with interaction; anything less gives restricted maximum likelihood without it, and says
so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import field
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.figures import figures_by_name, spread_grows
from analysis.statistics.gauge import CATEGORIES_FACTOR, gauge_study
from analysis.statistics.reml import components
from analysis.tune.labels import Matched
from analysis.tune.weather import Slope, ambient_slope
from analysis.verdict import GUARD
from ingest.arrays import Floats
from ingest.values import dataclass

if TYPE_CHECKING:
    import polars as pl

Indices = NDArray[np.intp]

FACTORS: Final = ("operator", "logger", "day")
"""What may make a difference between repeat runs of a car."""

FEWEST: Final = 2
"""Cars, and levels of a factor."""

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
    how
        Which calculation, in words.
    cars, runs
        Behind it.
    repeatability
        Standard deviation of repeats with nothing changed.
    parts
        Standard deviation that each factor told apart adds: ``operator``, ``logger``, ``day``.
    levels
        How many operators, loggers and days there were, of the factors told apart.
    measuring, car
        Standard deviations of all the measuring, and between cars.
    categories
        Number of distinct categories.
    guard_share
        Measuring over the standard uncertainty the runs state: the share of the guard band that
        repeat runs explain. Above 1, the stated uncertainties are too small.
    guard_band
        Typical guard band on one side.
    weather
        What the weather does, taken out; per kelvin of the figure or of its logarithm.
    """

    figure: str
    unit: str
    how: str
    cars: int
    runs: int
    repeatability: float
    parts: Mapping[str, float]
    levels: Mapping[str, int]
    measuring: float
    car: float
    categories: int
    guard_share: float
    guard_band: float
    weather: Slope = field(default_factory=lambda: Slope(0.0, math.nan, math.nan, 0.0))


def study_figures(
    runs: pl.DataFrame, figures: pl.DataFrame, matched: Matched
) -> tuple[FigureStudy, ...]:
    """Study of every figure that repeat runs allow one of.

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
    about = runs.join(labels, on="id", how="left").select(
        pl.col("id").alias("run_id"),
        pl.concat_str(
            "vehicle",
            pl.col("purpose").fill_null(""),
            pl.col("bad").cast(pl.String).fill_null(""),
            separator="\t",
        ).alias("car"),
        "operator",
        "logger",
        pl.col("started").dt.date().cast(pl.String).alias("day"),
        pl.col("ambient_degC").cast(pl.Float64),
        pl.col("family").fill_null(""),
        (~pl.col("bad").fill_null(value=True)).alias("good"),
    )
    joined = figures.filter(pl.col("value").is_finite()).join(about, on="run_id", how="inner")
    found = []
    for name in figures_by_name():
        rows = joined.filter(pl.col("figure") == name).sort("car", "run_id")
        study = _study(rows, name) if rows.height else None
        if study is not None:
            found.append(study)
    return tuple(found)


def _study(rows: pl.DataFrame, name: str) -> FigureStudy | None:
    import polars as pl

    slope = _slope(rows, name)
    # a car measured once tells nothing about the measuring
    rows = rows.filter(pl.len().over("car") > 1)
    if rows["car"].n_unique() < FEWEST:
        return None
    values = _without_weather(rows, name, slope)
    if np.ptp(values) == 0.0:
        return None
    car = _numbers(rows["car"])
    u = rows["u"].drop_nulls().drop_nans()
    typical = math.sqrt(float((u**2).mean())) if u.len() else math.nan  # type: ignore[arg-type]
    unit = str(rows["unit"][0])
    told = _told_apart(rows, car)
    if len(told) == 1:
        (by, who), *_ = told.items()
        block = _complete(values, car, who, int(car.max()) + 1, int(who.max()) + 1)
        if block is not None:
            gauge = gauge_study(block)
            aside = " (interaction pooled)" if gauge.pooled else ""
            return FigureStudy(
                name, unit, f"analysis of variance, every car by every {by}{aside}",
                block.shape[0], block.size, gauge.repeatability, {by: gauge.reproducibility},
                {by: block.shape[1]}, gauge.measuring, gauge.car, gauge.categories,
                gauge.measuring / typical, GUARD * typical, slope,
            )  # fmt: skip
    chosen = _most_repeated(car)
    told = _told_apart(rows[chosen.tolist()], car[chosen])
    if not _spare(car[chosen], told):
        return None
    part = components(values[chosen], {"car": _renumbered(car[chosen])} | told)
    parts = {by: part.factors[by] for by in told}
    measuring = math.hypot(part.repeat, *parts.values())
    between = part.factors["car"]
    return FigureStudy(
        name, unit, "unbalanced: restricted maximum likelihood, without interactions",
        np.unique(car[chosen]).size, chosen.size, part.repeat, parts,
        {by: np.unique(who).size for by, who in told.items()}, measuring, between,
        max(1, math.floor(CATEGORIES_FACTOR * between / measuring)),
        measuring / typical, GUARD * typical, slope,
    )  # fmt: skip


def _slope(rows: pl.DataFrame, name: str) -> Slope:
    """What the weather does, from repeat runs of a car or good cars of a family.

    Whichever knows it better: a slope that is hardly known would add the scatter it should take
    out.
    """
    values = rows["value"].to_numpy()
    score = np.log(values) if _logarithmic(rows, name) else values
    ambient = rows["ambient_degC"].fill_null(math.nan).to_numpy()
    good = rows["good"].to_numpy()
    within = ambient_slope(score, ambient, _numbers(rows["car"]))
    between = ambient_slope(score[good], ambient[good], _numbers(rows["family"])[good])
    known = [each for each in (within, between) if not math.isnan(each.se)]
    return min(known, key=lambda each: each.se) if known else within


def _logarithmic(rows: pl.DataFrame, name: str) -> bool:
    return spread_grows(name) and bool((rows["value"] > 0.0).all())


def _without_weather(rows: pl.DataFrame, name: str, slope: Slope) -> Floats:
    values = rows["value"].to_numpy()
    if slope.per_k == 0.0:
        return values
    ambient = rows["ambient_degC"].fill_null(math.nan).to_numpy()
    move = slope.per_k * np.where(np.isfinite(ambient), ambient - slope.reference, 0.0)
    moved = values * np.exp(-move) if _logarithmic(rows, name) else values - move
    return np.asarray(moved, dtype=np.float64)


def _numbers(column: pl.Series) -> Indices:
    names = column.fill_null("").to_numpy().astype(np.str_)
    return np.asarray(np.unique(names, return_inverse=True)[1], dtype=np.intp)


def _renumbered(numbers: Indices) -> Indices:
    return np.asarray(np.unique(numbers, return_inverse=True)[1], dtype=np.intp)


def _told_apart(rows: pl.DataFrame, car: Indices) -> dict[str, Indices]:
    """Factors noted in every run that vary within cars and are not another one under its name."""
    told: dict[str, Indices] = {}
    for by in FACTORS:
        if rows[by].null_count():
            continue
        who = _numbers(rows[by])
        pairs = np.unique(np.stack([car, who]), axis=1).shape[1]
        within = pairs > np.unique(car).size
        # a day of its own for every run is the repeat itself
        of_own = np.unique(who).size == who.size
        twin = any(_same(who, other) for other in told.values())
        if within and not of_own and not twin:
            told[by] = who
    return told


def _same(one: Indices, other: Indices) -> bool:
    pairs = np.unique(np.stack([one, other]), axis=1).shape[1]
    return bool(pairs == np.unique(one).size == np.unique(other).size)


def _complete(values: Floats, car: Indices, who: Indices, cars: int, names: int) -> Floats | None:
    """The runs as cars by appraisers by repeats, if none has to be left out."""
    count = np.zeros((cars, names), dtype=np.intp)
    np.add.at(count, (car, who), 1)
    repeats = int(count[0, 0])
    if repeats < 2 or np.any(count != repeats):
        return None
    order = np.lexsort((np.arange(values.size), who, car))
    return values[order].reshape(cars, names, repeats)


def _spare(car: Indices, told: Mapping[str, Indices]) -> bool:
    """Whether runs are left for the repeats."""
    levels = sum(np.unique(who).size - 1 for who in told.values())
    return bool(car.size - np.unique(car).size - levels >= MIN_SPARE)


def _most_repeated(car: Indices) -> Indices:
    """Runs of the cars with most repeats, up to `MAX_RUNS`."""
    count = np.bincount(car)
    order = np.argsort(-count, kind="stable")
    kept = order[: max(FEWEST, int(np.searchsorted(np.cumsum(count[order]), MAX_RUNS, "right")))]
    return np.flatnonzero(np.isin(car, kept))
