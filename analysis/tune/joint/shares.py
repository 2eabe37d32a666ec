"""Shares of good and bad cars that pass, stay undecided and fail, with intervals by car.

A car that was measured several times counts once: its runs are alike. The intervals allow for
wrong labels: where up to a share e of the labels is wrong, cars labelled bad are a known mixture of
truly bad and truly good ones, and so are those labelled good; solved for the truly bad and the
truly good, for no wrong label and for the share e (Rogan and Gladen, Am. J. Epidemiol. 107, 1978,
71, for a test; here it is the label that errs), the interval runs from the least end to the
greatest.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import betaincinv

from analysis.tune.joint.table import FAIL, PASS, UNDECIDED, Indices, Table
from ingest.arrays import Bools, Floats

CONFIDENCE: Final = 0.95
STEPS: Final = 3
"""Shares of wrong labels looked at, from none to the most."""


@dataclass(frozen=True, slots=True)
class CarShare:
    """A share of cars.

    Parameters
    ----------
    value
        As labelled; NaN of nothing.
    low, high
        95 % interval by car, wrong labels allowed for.
    cars
        Behind it.
    """

    value: float
    low: float
    high: float
    cars: int


@dataclass(frozen=True, slots=True)
class Kind:
    """How the good or the bad cars come out; shares of cars."""

    passed: CarShare
    undecided: CarShare
    failed: CarShare


@dataclass(frozen=True, slots=True)
class Joint:
    """What a set of limits does to cars it was not chosen with, all figures together.

    Parameters
    ----------
    good, bad
        How they come out.
    cost, cost_low, cost_high
        Expected cost a car and its interval.
    """

    good: Kind
    bad: Kind
    cost: float
    cost_low: float
    cost_high: float


@dataclass(frozen=True, slots=True)
class _Counted:
    """Cars of a kind and how much of them came out so."""

    count: float
    cars: int

    @property
    def value(self) -> float:
        return self.count / self.cars if self.cars else float("nan")

    def interval(self) -> tuple[float, float]:
        """Exact (Clopper and Pearson), with cars that came out so in part counted in part."""
        tail = (1.0 - CONFIDENCE) / 2.0
        k, n = self.count, self.cars
        low = 0.0 if k <= 0.0 else float(betaincinv(k, n - k + 1.0, tail))
        high = 1.0 if k >= n else float(betaincinv(k + 1.0, n - k, 1.0 - tail))
        return low, high


def by_car(table: Table, came: Bools, kind: Bools) -> _Counted:
    """Cars of a kind, each by the share of its runs that came out so."""
    car, own = np.unique(table.car[kind], return_inverse=True)
    if not car.size:
        return _Counted(0.0, 0)
    share = np.bincount(own, came[kind]) / np.bincount(own)
    return _Counted(float(share.sum()), int(car.size))


def unmixed(good: Floats, bad: Floats, labelled: float, wrong: float) -> tuple[Floats, Floats]:
    """Shares among truly good and truly bad cars from those among labelled ones.

    Parameters
    ----------
    good, bad
        Shares as labelled, same shape.
    labelled
        Share of cars labelled bad.
    wrong
        Share of labels that are wrong, whatever the car.
    """
    truly = (labelled - wrong) / (1.0 - 2.0 * wrong)
    if not 0.0 < truly < 1.0:
        return np.full_like(good, np.nan), np.full_like(bad, np.nan)
    in_bad = (1.0 - truly) * wrong / labelled
    in_good = truly * wrong / (1.0 - labelled)
    free = 1.0 - in_bad - in_good
    return (
        ((1.0 - in_bad) * good - in_good * bad) / free,
        ((1.0 - in_good) * bad - in_bad * good) / free,
    )


def joint_share(table: Table, came: Bools, wrong: float) -> tuple[CarShare, CarShare]:
    """Share of good and of bad cars that came out so, with their intervals.

    Parameters
    ----------
    table
        Labelled runs.
    came
        Whether each run did, shape (n,).
    wrong
        Share of labels that may be wrong.
    """
    return _span(by_car(table, came, ~table.bad), by_car(table, came, table.bad), wrong)


def _span(good: _Counted, bad: _Counted, wrong: float) -> tuple[CarShare, CarShare]:
    """Both shares with their intervals."""
    ends = good.interval(), bad.interval()
    spans = [[end] for end in ends]
    cars = good.cars + bad.cars
    for each in np.linspace(0.0, wrong, STEPS)[1:] if wrong else ():
        if not (good.cars and bad.cars):
            break
        labelled = bad.cars / cars
        middle = unmixed(np.array(good.value), np.array(bad.value), labelled, float(each))
        if np.isnan(middle[0]):
            # more labels may be wrong than cars are labelled bad: nothing is known of these
            spans[1].append((0.0, 1.0))
            continue
        for at, (own, other) in enumerate(((good, bad), (bad, good))):
            low, high = _moved(own, other, float(middle[at]), labelled, float(each), at)
            spans[at].append((low, high))
    found = []
    for kind, span in zip((good, bad), spans, strict=True):
        low, high = min(end[0] for end in span), max(end[1] for end in span)
        found.append(CarShare(kind.value, max(low, 0.0), min(high, 1.0), kind.cars))
    return found[0], found[1]


def _moved(
    own: _Counted, other: _Counted, middle: float, labelled: float, wrong: float, at: int
) -> tuple[float, float]:
    """Interval of an unmixed share: the parts' distances in quadrature (Zou and Donner, Statist.

    Med. 27, 2008, 1693), which stays good where a share is 0 or 1.
    """
    truly = (labelled - wrong) / (1.0 - 2.0 * wrong)
    in_bad, in_good = (1.0 - truly) * wrong / labelled, truly * wrong / (1.0 - labelled)
    free = 1.0 - in_bad - in_good
    mine, theirs = (in_bad, in_good) if at == 0 else (in_good, in_bad)
    a, b = (1.0 - mine) / free, theirs / free
    (low, high), (low2, high2) = own.interval(), other.interval()
    down = np.hypot(a * (own.value - low), b * (high2 - other.value))
    up = np.hypot(a * (high - own.value), b * (other.value - low2))
    return float(middle - down), float(middle + up)


def joint_shares(
    table: Table,
    ranks: Indices,
    weights: tuple[float, float, float],
    bad_share: float | None,
    wrong: float,
) -> Joint:
    """Count how cars come out.

    Parameters
    ----------
    table
        Labelled runs.
    ranks
        Verdict of each run by limits it had no part in, shape (n,).
    weights
        Costs of a missed fault, a needless repair and an undecided run.
    bad_share
        Share of bad cars where the limits are used; None takes the labelled one.
    wrong
        Share of labels that may be wrong.
    """
    kinds: list[list[CarShare]] = [[], []]
    for rank in (PASS, UNDECIDED, FAIL):
        for into, share in zip(kinds, joint_share(table, ranks == rank, wrong), strict=True):
            into.append(share)
    good, bad = Kind(*kinds[0]), Kind(*kinds[1])
    return Joint(good, bad, *_cost(good, bad, weights, bad_share))


def _cost(
    good: Kind, bad: Kind, weights: tuple[float, float, float], bad_share: float | None
) -> tuple[float, float, float]:
    """Expected cost a car, and its interval from those of the shares."""
    missed, needless, again = weights
    n_good, n_bad = good.passed.cars, bad.passed.cars
    share = n_bad / max(n_good + n_bad, 1) if bad_share is None else bad_share
    parts = [
        (share * missed, bad.passed), (share * again, bad.undecided),
        ((1.0 - share) * needless, good.failed), ((1.0 - share) * again, good.undecided),
    ]  # fmt: skip
    used = [(weight, each) for weight, each in parts if weight > 0.0 and each.cars]
    cost = sum(weight * each.value for weight, each in used)
    down = float(np.sqrt(sum((w * (each.value - each.low)) ** 2 for w, each in used)))
    up = float(np.sqrt(sum((w * (each.high - each.value)) ** 2 for w, each in used)))
    return cost, max(cost - down, 0.0), cost + up
