"""The limit on a cause's probability: from where on it is worth acting upon."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.statistics.roc import Roc, roc
from analysis.tune.count_words import counted
from analysis.tune.search.choice import Cases, Choice, Costs, choose
from analysis.tune.search.held_out import HeldOut, held_out
from analysis.tune.search.one_figure import FEWEST
from ingest.values import dataclass

if TYPE_CHECKING:
    import polars as pl

SMALLEST: Final = 1e-4
"""Probabilities nearer to 0 or 1 than this are not told apart."""


@dataclass(frozen=True)
class CauseTuning:
    """How well a cause's probability tells cars that have it from all others.

    Parameters
    ----------
    cause
        Which.
    with_it, without
        Cars with it confirmed; good cars and cars with another cause.
    roc
        The curve.
    limit, interval
        Probability from which acting costs least, and its 95 % interval; None where no limit pays
        or there are too few cars.
    choice, held_out
        How it was found; None likewise.
    why
        What stands in the way of a limit, else empty.
    """

    cause: str
    with_it: int
    without: int
    roc: Roc | None
    limit: float | None
    interval: tuple[float, float] | None
    choice: Choice | None
    held_out: HeldOut | None
    why: str


def tune_cause(runs: pl.DataFrame, cause: str, costs: Costs, seed: int = 0) -> CauseTuning:
    """Tune one cause.

    Parameters
    ----------
    runs
        One row a labelled run: ``vehicle, bad, cause`` (confirmed, empty where not known) and
        ``probability`` of the cause in the result.
    cause
        Which.
    costs
        What errors cost.
    seed
        The same gives the same answer.
    """
    import polars as pl

    # a bad car whose cause nobody knows may have this one
    known = runs.filter(~pl.col("bad") | (pl.col("cause") != ""))
    likely = known["probability"].clip(SMALLEST, 1.0 - SMALLEST)
    table = (
        known.with_columns(
            (likely / (1.0 - likely)).log().alias("score"),
            (pl.col("bad") & (pl.col("cause") == cause)).alias("has"),
        )
        .group_by("vehicle", "has", maintain_order=True)
        .agg(pl.col("score").mean())
        .sort("vehicle", "has")
    )
    score, has = table["score"].to_numpy(), table["has"].to_numpy()
    counts = int(has.sum()), int((~has).sum())
    curve = roc(score[~has], score[has]) if min(counts) else None
    if min(counts) < FEWEST:
        why = f"{counted(counts[0], 'confirmed car')}, {counted(counts[1], 'other')}"
        return CauseTuning(cause, *counts, curve, None, None, None, None, why)
    if min(np.unique(score[kind]).size for kind in (has, ~has)) < 2:
        return CauseTuning(cause, *counts, curve, None, None, None, None,
                           "one and the same probability for all of them")  # fmt: skip
    _, car = np.unique(table["vehicle"].to_numpy().astype(np.str_), return_inverse=True)
    choice = choose(Cases(score, np.zeros(score.size), has, car), costs, seed=seed)
    held = held_out(score, has, choice, costs)
    if not choice.pays or held.cost >= choice.blind:
        return CauseTuning(cause, *counts, curve, None, None, choice, held,
                           "acting on no car, or on all, costs no more")  # fmt: skip
    low, high = (_probability(end) for end in choice.interval)
    return CauseTuning(
        cause, *counts, curve, _probability(choice.limit), (low, high), choice, held, ""
    )


def _probability(score: float) -> float:
    return float(1.0 / (1.0 + np.exp(-score)))
