"""One figure's limit moved while all others stay: what the run gets, and how firm the choice is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.tune.joint.fit import prepare
from analysis.tune.joint.outcomes import STANDING
from ingest.arrays import Bools, Floats
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.tune.joint.levels import GoodLevel
    from analysis.tune.joint.together import Together

RATIOS: Final = (1.0, 2.0, 3.0, 5.0, 10.0)
"""Costs of a missed fault in needless repairs for which the limit is asked again."""

SHARES: Final = (0.02, 0.05, 0.1, 0.2, 0.3)
"""Shares of bad cars for which it is asked again."""

BINS: Final = 24


@dataclass(frozen=True)
class Sweep:
    """One figure's limit moved. Values are those of a car of the middle family in mean weather.

    Parameters
    ----------
    figure
        Which.
    limit, interval
        The chosen limit and its 95 % interval.
    standing
        The limit in force, as the median over the runs; infinite where there is none.
    edges, good, bad
        Cars by value: edges of the bins, shape (BINS + 1,), and shares of good and of bad cars.
    values
        Limits tried, shape (k,).
    good_passes, good_fails, bad_passes, bad_fails
        Shares of cars whose *run* passes or fails by all figures, shape (k,).
    cost
        Expected cost a car, shape (k,).
    by_ratio, by_share
        The limit of least cost for other costs and other shares of bad cars.
    per_10_k
        How the limit would move on a day 10 K warmer.
    """

    figure: str
    limit: float
    interval: tuple[float, float]
    standing: float
    edges: Floats
    good: Floats
    bad: Floats
    values: Floats
    good_passes: Floats
    good_fails: Floats
    bad_passes: Floats
    bad_fails: Floats
    cost: Floats
    by_ratio: tuple[tuple[float, float], ...]
    by_share: tuple[tuple[float, float], ...]
    per_10_k: float


def sweeps(found: Together) -> tuple[Sweep, ...]:
    """Move the limit of every tuned figure."""
    tuned = np.flatnonzero(found.fitted.tuned).tolist()
    if not tuned:
        return ()
    problem, table = found.problem, found.problem.table
    ready = prepare(problem, np.ones(table.car.size, dtype=bool))
    weight = table.weight
    kinds = [np.where(kind, weight, 0.0) for kind in (~table.bad, table.bad)]
    made = []
    for at in tuned:
        level, mine = ready.levels[at], ready.found[at]
        if level is None or mine is None:
            continue
        others = np.delete(found.fitted.chosen, at, axis=2).prod(axis=2)
        holds = others[0][:, None] * ready.made[at].holds[:, STANDING + 1 :]
        passes = others[1][:, None] * ready.made[at].passes[:, STANDING + 1 :]
        passes = np.where(table.held[:, None], 0.0, passes)
        shares = [(kind @ passes, 1.0 - kind @ holds) for kind in kinds]
        tried = ready.made[at].distance
        # the limit is held between these: what is harmless, in force, or within good cars' reach
        known = level.known
        nearest, farthest = (float(np.median(e[known])) for e in (level.floor, level.ceiling))
        held = np.maximum(np.minimum(tried, farthest), nearest)
        values = np.array([_value(level, float(each)) for each in held])
        standing = float(np.median(mine.standing))
        distance, half = float(found.fitted.distance[at]), float(found.half[at])
        center = max(min(distance, farthest), nearest)
        low, high = sorted(_value(level, center + sign * half) for sign in (-1.0, 1.0))
        cost, by_ratio, by_share = _asked(found, values, shares)
        made.append(
            Sweep(
                table.names[at], _value(level, center), (low, high),
                _value(level, standing) if np.isfinite(standing) else np.inf,
                *_histogram(level, mine.distance, table.bad, weight),
                values, *shares[0], *shares[1], cost, by_ratio, by_share,
                10.0 * level.scale.sign * level.slope.per_k,
            )
        )  # fmt: skip
    return tuple(made)


def _value(level: GoodLevel, distance: float) -> float:
    return level.scale.value(level.pooled.center + distance)


def _histogram(
    level: GoodLevel, distance: Floats, bad: Bools, weight: Floats
) -> tuple[Floats, Floats, Floats]:
    """Cars by value, the far ones drawn to the ends so that the middle can be seen."""
    known = np.isfinite(distance)
    low, high = np.quantile(distance[known], [0.005, 0.98])
    far = np.clip(distance, low, high)
    value = np.array([_value(level, each) if np.isfinite(each) else np.nan for each in far])
    edges = np.linspace(np.nanmin(value), np.nanmax(value), BINS + 1)
    shares = []
    for kind in (known & ~bad, known & bad):
        count = np.histogram(value[kind], edges, weights=weight[kind])[0]
        shares.append(count / max(float(count.sum()), 1e-300))
    return edges, shares[0], shares[1]


def _asked(
    found: Together, values: Floats, shares: list[tuple[Floats, Floats]]
) -> tuple[Floats, tuple[tuple[float, float], ...], tuple[tuple[float, float], ...]]:
    """Cost at each limit, and the limit of least cost for other costs and shares of bad cars."""
    costs, table = found.problem.costs, found.problem.table
    (good_passes, good_fails), (bad_passes, bad_fails) = shares
    labelled = np.unique(table.car[table.bad]).size / max(
        np.unique(table.car * 2 + table.bad).size, 1
    )
    share = labelled if costs.bad_share is None else costs.bad_share

    def cost(missed: float, bad: float) -> Floats:
        of_bad = missed * bad_passes + costs.again * (1.0 - bad_passes - bad_fails)
        of_good = costs.needless * good_fails + costs.again * (1.0 - good_passes - good_fails)
        return np.asarray(bad * of_bad + (1.0 - bad) * of_good)

    def least(missed: float, bad: float) -> float:
        return float(values[cost(missed, bad).argmin()])

    ratios = tuple((each, least(each * costs.needless, share)) for each in RATIOS)
    return (
        cost(costs.missed, share),
        ratios,
        tuple((each, least(costs.missed, each)) for each in SHARES),
    )
