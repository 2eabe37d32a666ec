"""A limit tried out on a fleet: what it would find, what it would cost, which cars lie on its edge.

Everything slow is done once in `prepare`; `attempt` then answers while a slider moves.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.figures import bad_side
from analysis.statistics.density import smoothed
from analysis.statistics.proportions import Share, exact_share
from analysis.statistics.roc import Roc, roc
from analysis.tune.search.choice import GRID, MARGIN
from analysis.verdict import GUARD
from ingest.arrays import Bools, Floats
from ingest.values import dataclass

if TYPE_CHECKING:
    import polars as pl


FEWEST: Final = 3
"""Labelled runs of a kind, below which no curve is drawn."""

MAX_SHOWN: Final = 25


@dataclass(frozen=True)
class Trial:
    """One figure of a fleet, ready to be tried with limits.

    Parameters
    ----------
    figure, unit
        Which.
    sign
        1 where a large value is bad, -1 where a small one is.
    value, u
        Shape (n,).
    good, bad
        Labels, shape (n,); a run may have neither.
    before
        Verdict of the figure that the run was judged with, shape (n,).
    run_id, vehicle
        Shape (n,).
    low, high
        Ends of the range of values.
    roc
        Over the labelled runs; None with too few.
    limits, missed, needless
        Smoothed shares of bad runs that pass and good ones that fail, by limit on ``sign * value``;
        empty with too few.
    """

    figure: str
    unit: str
    sign: float
    value: Floats
    u: Floats
    good: Bools
    bad: Bools
    before: NDArray[np.str_]
    run_id: tuple[str, ...]
    vehicle: tuple[str, ...]
    low: float
    high: float
    roc: Roc | None
    limits: Floats
    missed: Floats
    needless: Floats


@dataclass(frozen=True)
class Attempt:
    """What one limit does.

    Parameters
    ----------
    limit
        In the figure's unit.
    detection, false_alarm
        Labelled runs beyond the limit.
    cost
        Expected cost a car with these shares; NaN without labels.
    best, best_cost
        Limit of least expected cost and its cost; NaN with too few labels.
    curve
        Expected cost at each of the trial's limits.
    passed, undecided, failed
        Runs of the whole fleet, with the guard band.
    on_edge
        Runs that stay undecided, nearest to the limit first, as positions; `MAX_SHOWN` at most.
    moved
        How many runs get another verdict in this figure than they were judged with.
    changed
        Of them the labelled ones first, as positions with the verdict now; `MAX_SHOWN` at most.
    """

    limit: float
    detection: Share
    false_alarm: Share
    cost: float
    best: float
    best_cost: float
    curve: Floats
    passed: int
    undecided: int
    failed: int
    on_edge: tuple[int, ...]
    moved: int
    changed: tuple[tuple[int, str], ...]


def prepare(
    runs: pl.DataFrame, figures: pl.DataFrame, labels: Mapping[str, bool], figure: str
) -> Trial | None:
    """Get one figure ready; None where fewer than two different values are there.

    Parameters
    ----------
    runs, figures
        As `ingest.store.read` gives them; only runs of `runs` count.
    labels
        Whether a run was bad, by run id.
    figure
        A figure with a bad side.
    """
    import polars as pl

    rows = (
        figures.filter(
            (pl.col("figure") == figure)
            & pl.col("value").is_finite()
            & pl.col("u").fill_null(0.0).is_finite()
        )
        .select("run_id", "value", "u", "unit", "verdict")
        .join(runs.select(pl.col("id").alias("run_id"), "vehicle"), on="run_id")
        .sort("value", "run_id")
    )
    value = rows["value"].to_numpy()
    if value.size < 2 or value[0] == value[-1]:
        return None
    sign = 1.0 if bad_side(figure) == "high" else -1.0
    ids = rows["run_id"].to_list()
    good = np.array([labels.get(run_id) is False for run_id in ids])
    bad = np.array([labels.get(run_id) is True for run_id in ids])
    margin = MARGIN * float(value[-1] - value[0])
    low, high = float(value[0]) - margin, float(value[-1]) + margin
    score = sign * value
    curve, limits, missed, needless = None, np.empty(0), np.empty(0), np.empty(0)
    if all(np.unique(score[kind]).size >= FEWEST for kind in (good, bad)):
        curve = roc(score[good], score[bad])
        ends = sorted((sign * low, sign * high))
        limits = np.linspace(ends[0], ends[1], GRID)
        missed, below = (
            smoothed(score[kind], np.ones((1, int(kind.sum()))), limits, widths=np.ones(1))[0]
            for kind in (bad, good)
        )
        needless = 1.0 - below
    return Trial(
        figure,
        str(rows["unit"][0]),
        sign,
        value,
        rows["u"].fill_null(0.0).to_numpy(),
        good,
        bad,
        rows["verdict"].to_numpy().astype(np.str_),
        tuple(ids),
        tuple(rows["vehicle"].to_list()),
        low,
        high,
        curve,
        limits,
        missed,
        needless,
    )


def attempt(
    trial: Trial, limit: float, missed: float, needless: float, bad_share: float
) -> Attempt:
    """Try one limit.

    Parameters
    ----------
    trial
        From `prepare`.
    limit
        In the figure's unit.
    missed, needless
        Costs of passing a bad car and of failing a good one.
    bad_share
        Share of bad cars where the limit will be used.
    """
    # positive beyond the limit
    beyond = trial.sign * (trial.value - limit)
    called = beyond > 0.0
    detection = exact_share(int((called & trial.bad).sum()), int(trial.bad.sum()))
    false_alarm = exact_share(int((called & trial.good).sum()), int(trial.good.sum()))
    fails = called & (beyond >= GUARD * trial.u)
    passes = ~fails & (-beyond >= GUARD * trial.u)
    between = np.flatnonzero(~fails & ~passes)
    order = np.argsort(np.abs(beyond[between]), kind="stable")[:MAX_SHOWN]
    now = np.where(fails, "fail", np.where(passes, "pass", "undecided"))
    moved = np.flatnonzero(now != trial.before)
    labelled = trial.bad[moved] | trial.good[moved]
    first = moved[np.lexsort((np.abs(beyond[moved]), ~labelled))][:MAX_SHOWN]
    weight_bad, weight_good = bad_share * missed, (1.0 - bad_share) * needless
    curve = weight_bad * trial.missed + weight_good * trial.needless
    best = best_cost = math.nan
    if curve.size:
        least = int(curve.argmin())
        best, best_cost = trial.sign * float(trial.limits[least]), float(curve[least])
    return Attempt(
        limit,
        detection,
        false_alarm,
        weight_bad * (1.0 - detection.value) + weight_good * false_alarm.value,
        best,
        best_cost,
        curve,
        int(passes.sum()),
        int(between.size),
        int(fails.sum()),
        tuple(int(each) for each in between[order]),
        int(moved.size),
        tuple((int(each), str(now[each])) for each in first),
    )
