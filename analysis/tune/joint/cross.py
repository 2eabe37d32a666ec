"""Limits judged on cars they were not chosen with, and taken only where they earn it.

The cars are dealt into folds; each fold is judged by limits from all the others. A figure whose
tuned limit does not lower the cost on the cars left out goes back to what is in force. The whole
set is taken where it costs less there than the limits in force, by more than one standard error
(Breiman, Friedman, Olshen and Stone, Classification and Regression Trees, Wadsworth 1984, 3.4.3),
and where no fewer good cars pass there and no more bad ones (`analysis.tune.joint.exchange`); else
the limits in force stand.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from analysis.tune.joint.fit import JointFit, JointProblem, bounds_under, fit, stakes_of
from analysis.tune.joint.table import FAIL, PASS, UNDECIDED, Indices, Table
from ingest.arrays import Bools, Floats
from ingest.values import dataclass

FOLDS: Final = 5

LEAST_GAIN: Final = 0.01
"""Of the cost on cars left out: what earns less adds nothing."""


@dataclass(frozen=True)
class Crossed:
    """Fits without each fold, and what becomes of the cars left out.

    Parameters
    ----------
    fold
        Of each run, shape (n,).
    low, high
        Bounds of each run by the fit without its fold, shape (n, J).
    chosen, standing
        Probabilities of every run by the fit without its fold (see `JointFit`), shape (2, n, J).
    unseen, unseen_standing
        The same of the bad car not yet seen, in the mean of the fits, shape (2, J).
    """

    fold: Indices
    low: Floats
    high: Floats
    chosen: Floats
    standing: Floats
    unseen: Floats
    unseen_standing: Floats


def folds_of(table: Table, seed: int) -> Indices:
    """Fold of each run: whole cars, the bad ones dealt out evenly."""
    rng = np.random.default_rng(seed)
    is_bad = np.zeros(table.cars, dtype=bool)
    is_bad[table.car[table.bad]] = True
    order = rng.permutation(table.cars)
    dealt = np.concatenate([order[is_bad[order]], order[~is_bad[order]]])
    fold = np.empty(table.cars, dtype=np.intp)
    fold[dealt] = np.arange(table.cars) % min(FOLDS, table.cars)
    return np.asarray(fold[table.car])


def cross(problem: JointProblem, seed: int, like: JointFit | None = None) -> Crossed:
    """Fit without each fold; `like` says which figures may be tuned, None all."""
    table = problem.table
    fold = folds_of(table, seed)
    low, high = problem.low.copy(), problem.high.copy()
    chosen = np.ones((2, *table.value.shape))
    standing = chosen.copy()
    folds = int(fold.max()) + 1
    unseen = np.zeros((2, 2, len(table.names)))
    for each in range(folds):
        left = np.flatnonzero(fold == each)
        fitted = fit(problem, (fold != each).astype(np.float64), like)
        low[left], high[left] = bounds_under(problem, fitted, left)
        chosen[:, left] = fitted.chosen[:, left]
        standing[:, left] = fitted.standing[:, left]
        unseen += np.array([fitted.unseen, fitted.unseen_standing]) / folds
    return Crossed(fold, low, high, chosen, standing, unseen[0], unseen[1])


def earning(problem: JointProblem, whole: JointFit, crossed: Crossed) -> JointFit:
    """The fit with only those changes that lower the cost on the cars left out.

    The change that earns least goes first, until all that are left earn.
    """
    stakes, _ = stakes_of(problem.table, problem.costs, np.ones(problem.table.car.size))
    changed = set(np.flatnonzero(whole.tuned | whole.dropped).tolist())
    unseen = stakes.cost_of_unseen(crossed.unseen)
    as_it_was = stakes.cost_of_unseen(crossed.unseen_standing)
    now = np.where(_mask(changed, whole), crossed.chosen, crossed.standing)
    while changed:
        of_unseen = float(np.where(_mask(changed, whole), unseen, as_it_was).sum())
        cost = stakes.cost(*now.prod(axis=2)) + of_unseen
        without = {}
        for at in sorted(changed):
            back = now.copy()
            back[:, :, at] = crossed.standing[:, :, at]
            without[at] = stakes.cost(*back.prod(axis=2)) + float(
                of_unseen + as_it_was[at] - unseen[at]
            )
        least = min(without, key=lambda each: (without[each], each))
        if without[least] > cost * (1.0 + LEAST_GAIN):
            break
        changed.remove(least)
        now[:, :, least] = crossed.standing[:, :, least]
    kept = _mask(changed, whole)
    return replace(
        whole, distance=np.where(kept, whole.distance, np.nan), dropped=whole.dropped & kept
    )


def _mask(changed: set[int], whole: JointFit) -> Bools:
    return np.isin(np.arange(whole.distance.size), sorted(changed))


def run_costs(problem: JointProblem, ranks: Indices) -> Floats:
    """What each run's verdict costs times what it counts, shape (n,); they sum to the cost."""
    table, costs = problem.table, problem.costs
    n_bad = np.unique(table.car[table.bad]).size
    n_good = np.unique(table.car[~table.bad]).size
    labelled = n_bad / max(n_bad + n_good, 1)
    share = labelled if costs.bad_share is None else costs.bad_share
    of_bad = np.select([ranks == PASS, ranks == UNDECIDED], [costs.missed, costs.again], 0.0)
    of_good = np.select([ranks == FAIL, ranks == UNDECIDED], [costs.needless, costs.again], 0.0)
    each = np.where(table.bad, share * of_bad, (1.0 - share) * of_good)
    return np.asarray(each * table.weight)


def difference(table: Table, costs: Floats, others: Floats) -> tuple[float, float]:
    """Cost less another cost, and its standard error by car."""
    of_car = np.bincount(table.car, costs - others, table.cars)
    is_bad = np.zeros(table.cars, dtype=bool)
    is_bad[table.car[table.bad]] = True
    variance = 0.0
    for kind in (is_bad, ~is_bad):
        n = int(kind.sum())
        if n > 1:
            variance += n * float(of_car[kind].var(ddof=1))
    return float(of_car.sum()), math.sqrt(variance)
