"""The limit of least expected cost from labelled cars, how flat the least is and how sure.

Good and bad cars are taken as two smoothed distributions (`analysis.statistics.density`); the limit
lies where calling one more car bad costs as much as it saves. With few cars this costs far less
than minimising the cost counted on the sample, which follows its noise.

Everything that has to do with other cars - the interval, the errors on cars left out, what wrong
labels would do - is the same calculation with other weights: a resample counts some cars twice and
others not at all, a fold left out counts not at all, a wrong label counts in the other class.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from analysis.statistics.density import smoothed
from ingest.arrays import Bools, Floats
from ingest.values import dataclass

FLAT_SHARE: Final = 0.05
"""The optimum is called flat over limits whose cost is within this share of the least."""

GRID: Final = 401
"""Limits tried between a little below the least score and a little above the largest."""

MARGIN: Final = 0.05
MAX_ATOMS: Final = 512
"""With more cases than this, near scores are taken together."""

FOLDS: Final = 10
MAX_FOLDS: Final = 50
"""Folds where a class is so small that a tenth of it would be missed."""

RESAMPLES: Final = 200
FLIPS: Final = 40
"""Draws of wrong labels."""

WRONG_SHARE: Final = 0.05
"""Labels that are made wrong to see what it does."""

WIDTHS: Final = (0.45, 0.7, 1.0)
"""Kernel widths among the resamples: how smooth the truth is, is not known either."""

UNCLAIMED_TRIED: Final = (0.0, 0.02, 0.05, 0.1, 0.2)

CONFIDENCE: Final = 0.95

AGAIN: Final = 0.3
"""Cost of a test to be done again in needless repairs, where nothing is told: an hour of work
against half a day and parts (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Costs:
    """What errors cost and how common bad cars are where the limit will be used.

    Parameters
    ----------
    missed
        A bad car that passes: the owner comes back cold. In any currency.
    needless
        A good car that fails and is repaired for nothing, in the same currency.
    bad_share
        Share of bad cars among those the limit will be used on; None takes the labelled share.
    unclaimed
        Share of the cars labelled good that are bad, and were only never claimed.
    undecided
        A test that has to be done again, in the same currency; None takes `AGAIN` of `needless`.
    """

    missed: float = 3.0
    needless: float = 1.0
    bad_share: float | None = None
    unclaimed: float = 0.0
    undecided: float | None = None

    @property
    def again(self) -> float:
        """Cost of an undecided run."""
        return AGAIN * self.needless if self.undecided is None else self.undecided


@dataclass(frozen=True)
class Cases:
    """Labelled cars; a car that was bad and then repaired is two cases.

    Parameters
    ----------
    score
        Larger is worse, shape (n,).
    noise
        Standard uncertainty of each score from measuring; 0 where the limit is for scores as they
        are measured, shape (n,).
    bad
        The label, shape (n,).
    car
        Number of the car, from 0, shape (n,).
    """

    score: Floats
    noise: Floats
    bad: Bools
    car: NDArray[np.intp]


@dataclass(frozen=True)
class Choice:
    """A chosen limit on the score: at or above is called bad.

    Parameters
    ----------
    limit
        The limit of least expected cost.
    interval
        Where it would lie with other cars of the kind, 95 %.
    cost
        Expected cost a car at the limit, on the cars it was chosen with; see `HeldOut`.
    blind
        Expected cost a car of the better of calling none bad and calling all bad.
    flat
        Limits between which the cost stays within `FLAT_SHARE` of the least.
    limits
        Limits tried, shape (GRID,).
    curve, missed, needless
        At each: expected cost a car, share of bad cars that pass and of good cars that fail.
    bad_share
        Used for the costs.
    folds
        For each case the limit chosen without its car and all others of its fold, shape (n,).
    by_unclaimed
        The limit for other shares of good cars that were only never claimed.
    wrong_moves
        How far `WRONG_SHARE` of wrong labels move the limit: the 95 % point of the distance.
    pays
        Whether the least lies between the limits tried, and below `blind`.
    """

    limit: float
    interval: tuple[float, float]
    cost: float
    blind: float
    flat: tuple[float, float]
    limits: Floats
    curve: Floats
    missed: Floats
    needless: Floats
    bad_share: float
    folds: Floats
    by_unclaimed: tuple[tuple[float, float], ...]
    wrong_moves: float
    pays: bool


def choose(
    cases: Cases,
    costs: Costs,
    *,
    spread: float = 0.0,
    resamples: int = RESAMPLES,
    seed: int = 0,
    wrong: float = WRONG_SHARE,
) -> Choice:
    """Choose the limit of least expected cost.

    Parameters
    ----------
    cases
        Good and bad, at least two different scores of each.
    costs
        What errors cost.
    spread
        Standard deviation to be put into the scores of both classes (see
        `analysis.tune.search.scores`).
    resamples
        Resamples behind the interval.
    seed
        The same gives the same answer.
    wrong
        Share of labels that may be wrong; the interval allows for what that moves the limit.

    Raises
    ------
    ValueError
        With fewer than two different scores in a class.
    """
    for kind in (cases.bad, ~cases.bad):
        if np.unique(cases.score[kind]).size < 2:
            raise ValueError("a limit from labels needs two different good and bad cars each")
    rng = np.random.default_rng(seed)
    bad, good, widths, parts = _weights(cases, resamples, rng)
    score, atom = _atoms(cases.score)
    noise = _mean_noise(cases.noise, atom, score.size)
    bad, good = _gather(bad, atom, score.size), _gather(good, atom, score.size)
    keep = _usable(bad) & _usable(good)
    keep[: parts.start_resamples] = True
    limits = _limits(score)
    bad_below, good_below = (
        smoothed(score, kind[keep], limits, widths=widths[keep], noise=noise, spread=spread)
        for kind in (bad, good)
    )
    labelled = (bad.sum(axis=1) / (bad.sum(axis=1) + good.sum(axis=1)))[keep]
    curves, missed, needless, share = _costs(bad_below, good_below, labelled, costs)
    chosen, kinds = limits[curves.argmin(axis=1)], parts.kinds[keep]
    best = int(curves[0].argmin())
    near = np.flatnonzero(curves[0] <= (1.0 + FLAT_SHARE) * curves[0, best])
    blind = min(share[0] * costs.missed, (1.0 - share[0]) * costs.needless)
    limit = float(limits[best])
    moves = float(np.quantile(np.abs(chosen[kinds == FLIP] - limit), CONFIDENCE))
    half = math.hypot(_half(cases, chosen[kinds == RESAMPLE]), moves * wrong / WRONG_SHARE)
    return Choice(
        limit=limit,
        interval=(limit - half, limit + half),
        cost=float(curves[0, best]),
        blind=float(blind),
        flat=(float(limits[near[0]]), float(limits[near[-1]])),
        limits=limits,
        curve=curves[0],
        missed=missed[0],
        needless=needless[0],
        bad_share=float(share[0]),
        folds=chosen[kinds == FOLD][parts.fold_of],
        by_unclaimed=_by_unclaimed(limits, (bad_below[:1], good_below[:1], labelled[:1]), costs),
        wrong_moves=moves,
        pays=0 < best < limits.size - 1 and bool(curves[0, best] < (1.0 - 1e-3) * blind),
    )


def _half(cases: Cases, drawn: Floats) -> float:
    """Half-width of the interval of a limit from the limits of resamples."""
    fewest = min(int(cases.bad.sum()), int((~cases.bad).sum()))
    factor = float(student.ppf(0.5 + CONFIDENCE / 2.0, fewest - 1))
    return factor * float(drawn.std(ddof=1))


def _by_unclaimed(
    limits: Floats, below: tuple[Floats, Floats, Floats], costs: Costs
) -> tuple[tuple[float, float], ...]:
    """The limit for other shares of good cars never claimed; `below` as `_costs` takes it."""
    return tuple(
        (each, float(limits[_costs(*below, replace(costs, unclaimed=each))[0].argmin()]))
        for each in UNCLAIMED_TRIED
    )


def least_cost_limit(cases: Cases, costs: Costs, spread: float = 0.0) -> float:
    """The limit alone, as `choose` gives it."""
    score, atom = _atoms(cases.score)
    noise = _mean_noise(cases.noise, atom, score.size)
    limits = _limits(score)
    counts = [
        np.bincount(atom, kind, score.size)[None, :].astype(np.float64)
        for kind in (cases.bad, ~cases.bad)
    ]
    one = np.ones(1)
    bad, good = (
        smoothed(score, count, limits, widths=one, noise=noise, spread=spread) for count in counts
    )
    labelled = np.array([float(cases.bad.mean())])
    return float(limits[_costs(bad, good, labelled, costs)[0].argmin()])


WHOLE: Final = 0
FOLD: Final = 1
FLIP: Final = 2
RESAMPLE: Final = 3


@dataclass(frozen=True)
class _Parts:
    """Which row of the weights is what.

    Parameters
    ----------
    kinds
        `WHOLE`, `FOLD`, `FLIP` or `RESAMPLE`, shape (rows,).
    fold_of
        Fold of each case, shape (n,).
    start_resamples
        First row that is drawn at random.
    """

    kinds: NDArray[np.int_]
    fold_of: NDArray[np.intp]
    start_resamples: int


def _weights(
    cases: Cases, resamples: int, rng: np.random.Generator
) -> tuple[Floats, Floats, Floats, _Parts]:
    """How often each case counts as bad and as good, in every row; kernel widths; the rows."""
    cars = int(cases.car.max()) + 1
    fold_of = _folds(cases, cars, rng)
    folds = int(fold_of.max()) + 1
    counts = np.stack(
        [np.bincount(rng.integers(0, cars, cars), minlength=cars) for _ in range(resamples)]
    )
    flipped = np.stack([_flip(cases.bad.size, rng) for _ in range(FLIPS)])
    ones = np.ones((1, cases.bad.size))
    left = (fold_of[None, :] != np.arange(folds)[:, None]).astype(np.float64)
    whole = np.concatenate(
        [ones, left, np.ones(flipped.shape), counts[:, cases.car].astype(np.float64)]
    )
    label = np.broadcast_to(cases.bad, whole.shape).copy()
    label[1 + folds : 1 + folds + FLIPS] ^= flipped
    kinds = np.repeat([WHOLE, FOLD, FLIP, RESAMPLE], [1, folds, FLIPS, resamples])
    widths = np.ones(whole.shape[0])
    widths[kinds == RESAMPLE] = rng.choice(WIDTHS, resamples)
    return whole * label, whole * ~label, widths, _Parts(kinds, fold_of, 1 + folds)


def _folds(cases: Cases, cars: int, rng: np.random.Generator) -> NDArray[np.intp]:
    """Fold of each case: whole cars, the bad ones dealt out evenly."""
    is_bad = np.zeros(cars, dtype=bool)
    is_bad[cases.car[cases.bad]] = True
    order = rng.permutation(cars)
    dealt = np.concatenate([order[is_bad[order]], order[~is_bad[order]]])
    fewest = min(int(cases.bad.sum()), int((~cases.bad).sum()))
    folds = FOLDS if fewest >= 2 * FOLDS else MAX_FOLDS
    fold = np.empty(cars, dtype=np.intp)
    fold[dealt] = np.arange(cars) % min(folds, cars)
    return np.asarray(fold[cases.car], dtype=np.intp)


def _flip(n: int, rng: np.random.Generator) -> Bools:
    wrong = np.zeros(n, dtype=bool)
    wrong[rng.choice(n, max(1, round(WRONG_SHARE * n)), replace=False)] = True
    return wrong


def _atoms(score: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """Scores with near ones taken together, and the atom of each case."""
    values, atom = np.unique(score, return_inverse=True)
    if values.size <= MAX_ATOMS:
        return values, atom
    center = float(np.median(score))
    size = float(np.quantile(score, 0.75) - np.quantile(score, 0.25)) or float(score.std())
    # even steps near the middle, ever wider ones far out, so that a stray value costs no detail
    place = np.arcsinh((score - center) / size)
    edges = np.linspace(place.min(), place.max(), MAX_ATOMS + 1)
    bins = np.clip(np.searchsorted(edges, place, side="right") - 1, 0, MAX_ATOMS - 1)
    used, atom = np.unique(bins, return_inverse=True)
    mean = np.bincount(atom, score, used.size) / np.bincount(atom, minlength=used.size)
    return mean, atom


def _mean_noise(noise: Floats, atom: NDArray[np.intp], atoms: int) -> Floats:
    count = np.bincount(atom, minlength=atoms)
    return np.asarray(np.sqrt(np.bincount(atom, noise**2, atoms) / count))


def _gather(weights: Floats, atom: NDArray[np.intp], atoms: int) -> Floats:
    """Weights of the cases as weights of the atoms."""
    rows = weights.shape[0]
    flat = atom[None, :] + atoms * np.arange(rows)[:, None]
    sums = np.bincount(flat.ravel(), weights.ravel(), rows * atoms)
    return np.asarray(sums.reshape(rows, atoms), dtype=np.float64)


def _usable(weights: Floats) -> Bools:
    return np.asarray(np.count_nonzero(weights, axis=1) >= 2)


def _limits(score: Floats) -> Floats:
    low, high = float(score.min()), float(score.max())
    margin = MARGIN * (high - low)
    return np.linspace(low - margin, high + margin, GRID)


def _costs(
    bad_below: Floats, good_below: Floats, labelled: Floats, costs: Costs
) -> tuple[Floats, Floats, Floats, Floats]:
    """Expected cost at each limit, shares missed and needless, and the share of bad cars.

    Cars labelled good are a mixture: `unclaimed` of them are distributed as the bad ones. That is
    solved for the truly good ones.
    """
    hidden = costs.unclaimed
    truly = np.clip((good_below - hidden * bad_below) / (1.0 - hidden), 0.0, 1.0)
    truly = np.maximum.accumulate(truly, axis=1)
    if costs.bad_share is None:
        share = labelled + (1.0 - labelled) * hidden
    else:
        share = np.full(labelled.shape, costs.bad_share)
    needless = 1.0 - truly
    curve = (
        share[:, None] * costs.missed * bad_below
        + (1.0 - share[:, None]) * costs.needless * needless
    )
    return curve, bad_below, needless, share
