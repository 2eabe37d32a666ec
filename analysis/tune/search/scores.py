"""From labelled runs to comparable scores: one a car and label, larger is worse.

Figures that grow with their size are taken as logarithms. What the weather does, and how far a
family lies from the others, is taken out, so that all families and days tell about one limit; both
are put back when a limit is wanted for a family. The scatter of the weather is put back into both
classes alike: a limit is used on all days, and that bad cars were measured on colder days is none
of their fault.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.figures import spread_grows
from analysis.statistics.pooling import Pooled, pool
from analysis.tune.search.choice import Cases
from analysis.tune.weather import Slope, ambient_slope
from ingest.arrays import Floats
from ingest.values import dataclass

if TYPE_CHECKING:
    import polars as pl


@dataclass(frozen=True)
class Scale:
    """From a figure's value to a score and back.

    Parameters
    ----------
    sign
        1 where a large value is bad, -1 where a small one is.
    log
        Whether the score is of the logarithm.
    """

    sign: float
    log: bool

    def score(self, value: Floats) -> Floats:
        """Score of values."""
        return self.sign * (np.log(value) if self.log else value)

    def value(self, score: float) -> float:
        """Value of a score."""
        plain = self.sign * score
        return math.exp(plain) if self.log else float(plain)


@dataclass(frozen=True)
class Scored:
    """Labelled cars of one figure, made comparable.

    Parameters
    ----------
    scale
        How values became scores.
    cases
        The cars; their scores have weather and family taken out.
    held_out
        The same scores with the family's offset from the other cars only, shape (n,).
    u
        Standard uncertainty of the score from one run, shape (n,).
    cause
        Confirmed cause of each case, empty where there is none, shape (n,).
    family
        Of each case, shape (n,).
    runs
        Ids of the runs behind each case.
    slope
        What the weather does.
    pooled
        What the families do.
    """

    scale: Scale
    cases: Cases
    held_out: Floats
    u: Floats
    cause: NDArray[np.str_]
    family: NDArray[np.str_]
    runs: tuple[tuple[str, ...], ...]
    slope: Slope
    pooled: Pooled

    @property
    def spread(self) -> float:
        """Standard deviation that the weather's scatter puts into every score."""
        return abs(self.slope.per_k) * self.slope.spread

    def limit(self, score: float, family: str | None = None) -> float:
        """A limit on the score as a value of the figure, for a family or all together."""
        offset = self.pooled.families[family].mean if family is not None else 0.0
        return self.scale.value(score + offset)


def scored(runs: pl.DataFrame, name: str, sign: float, *, true_values: bool = True) -> Scored:
    """Scores of one figure.

    Parameters
    ----------
    runs
        Labelled runs that have the figure: ``run_id, vehicle, family, ambient_degC, value, u,
        random, bad, cause`` without nulls in value, family (empty for none) and cause (empty).
        Both labels occur, good ones in two cars at the least.
    name
        The figure.
    sign
        1 where a large value is bad, -1 where a small one is.
    true_values
        Whether the limit is meant for true values: then the scatter of measuring is no part of it.
    """
    import polars as pl

    log = spread_grows(name) and bool((runs["value"] > 0.0).all())
    scale = Scale(sign, log)
    value = runs["value"].to_numpy()
    u = runs["u"].fill_null(0.0).to_numpy()
    random = runs["random"].fill_null(runs["u"]).fill_null(0.0).to_numpy()
    table = (
        runs.select("run_id", "vehicle", "family", "ambient_degC", "bad", "cause")
        .with_columns(
            pl.Series("score", scale.score(value)),
            pl.Series("square", (random / value if log else random) ** 2),
            pl.Series("whole", u / value if log else u),
        )
        .group_by("vehicle", "family", "bad", "cause", maintain_order=True)
        .agg(
            pl.col("score").mean(),
            (pl.col("square").sum().sqrt() / pl.len()).alias("noise"),
            pl.col("whole").mean(),
            pl.col("ambient_degC").mean(),
            pl.col("run_id"),
        )
        .sort("vehicle", "family", "bad", "cause")
    )
    score, bad = table["score"].to_numpy(), table["bad"].to_numpy()
    family = table["family"].to_numpy().astype(np.str_)
    ambient = table["ambient_degC"].cast(pl.Float64).fill_null(math.nan).to_numpy()
    families, group = np.unique(family, return_inverse=True)
    slope = ambient_slope(score[~bad], ambient[~bad], group[~bad])
    score = score - slope.per_k * np.where(np.isfinite(ambient), ambient - slope.reference, 0.0)
    every = tuple(str(each) for each in families)
    pooled = pool(score[~bad], family[~bad], every)
    offset = np.array([pooled.families[each].mean for each in every])
    _, car = np.unique(table["vehicle"].to_numpy().astype(np.str_), return_inverse=True)
    noise = table["noise"].to_numpy() if true_values else np.zeros(score.size)
    return Scored(
        scale,
        Cases(score - offset[group], noise, bad, car),
        score - _offsets_of_others(score, bad, car, family, pooled),
        table["whole"].to_numpy(),
        table["cause"].to_numpy().astype(np.str_),
        family,
        tuple(tuple(each) for each in table["run_id"].to_list()),
        slope,
        pooled,
    )


def _offsets_of_others(
    score: Floats,
    bad: NDArray[np.bool_],
    car: NDArray[np.intp],
    family: NDArray[np.str_],
    pooled: Pooled,
) -> Floats:
    """For each case its family's offset from the family's other cars."""
    totals: dict[str, tuple[float, int]] = {}
    for name in pooled.families:
        own = score[(family == name) & ~bad]
        totals[name] = (float(own.sum()), own.size)
    mine: dict[tuple[str, int], tuple[float, int]] = {}
    for good in np.flatnonzero(~bad):
        key = (str(family[good]), int(car[good]))
        total, count = mine.get(key, (0.0, 0))
        mine[key] = (total + float(score[good]), count + 1)
    offsets = np.empty(score.size)
    for each in range(score.size):
        name = str(family[each])
        total, size = totals[name]
        less, fewer = mine.get((name, int(car[each])), (0.0, 0))
        change = pooled.without(total - less, size - fewer) - pooled.without(total, size)
        offsets[each] = pooled.families[name].mean + change
    return offsets
