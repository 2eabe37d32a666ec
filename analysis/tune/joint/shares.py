"""Shares of good and bad cars that pass, stay undecided and fail, with intervals by car.

A car that was measured several times counts once: its runs are alike. The intervals allow for
wrong labels: where up to a share e of the labels is wrong, cars labelled bad are a known mixture of
truly bad and truly good ones, and so are those labelled good; solved for the truly bad and the
truly good, for no wrong label and for the share e (Rogan and Gladen, Am. J. Epidemiol. 107, 1978,
71, for a test; here it is the label that errs), the interval runs from the least end to the
greatest.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from scipy.special import betaincinv

from analysis.tune.joint.table import FAIL, PASS, UNDECIDED, Indices, Table
from ingest.arrays import Bools
from ingest.values import dataclass

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
class Counted:
    """Cars of a kind and how many of them came out so; in part where their runs differ."""

    count: float
    cars: int

    @property
    def value(self) -> float:
        """The share; NaN of nothing."""
        return self.count / self.cars if self.cars else float("nan")

    def interval(self) -> tuple[float, float]:
        """Exact 95 % interval (Clopper and Pearson, Biometrika 26, 1934, 404)."""
        tail = (1.0 - CONFIDENCE) / 2.0
        k, n = self.count, self.cars
        low = 0.0 if k <= 0.0 else float(betaincinv(k, n - k + 1.0, tail))
        high = 1.0 if k >= n else float(betaincinv(k + 1.0, n - k, 1.0 - tail))
        return low, high


@dataclass(frozen=True, slots=True)
class Believed:
    """Shares of truly good and truly bad cars, if a share of the labels is wrong.

    Parameters
    ----------
    bad_share
        Share of truly bad cars among the labelled ones.
    good, bad
        Share and the ends of its interval; the whole of 0 to 1 where nothing is known.
    """

    bad_share: float
    good: tuple[float, float, float]
    bad: tuple[float, float, float]


def by_car(table: Table, came: Bools, kind: Bools) -> Counted:
    """Cars of a kind, each by the share of its runs that came out so."""
    car, own = np.unique(table.car[kind], return_inverse=True)
    if not car.size:
        return Counted(0.0, 0)
    share = np.bincount(own, came[kind]) / np.bincount(own)
    return Counted(float(share.sum()), int(car.size))


def believed(good: Counted, bad: Counted, wrong: float) -> list[Believed]:
    """What is known of both shares, from no wrong label to the share `wrong`.

    Of a labelled class the share m belongs to the other; with it the shares are solved for. The
    interval's arms are those of both shares in quadrature (Zou and Donner, Statist. Med. 27, 2008,
    1693), which stays good where a share is 0 or 1.
    """
    cars = good.cars + bad.cars
    labelled = bad.cars / max(cars, 1)
    own = [
        (each.value, *each.interval()) if each.cars else (float("nan"), 0.0, 1.0)
        for each in (good, bad)
    ]
    found = [Believed(labelled, own[0], own[1])]
    for each in np.linspace(0.0, wrong, STEPS)[1:].tolist() if wrong else ():
        if not (good.cars and bad.cars):
            break
        truly = (labelled - each) / (1.0 - 2.0 * each)
        if not 0.0 < truly < 1.0:
            # more labels may be wrong than cars are labelled bad: nothing is known of these
            found.append(Believed(max(truly, 0.0), own[0], (own[1][0], 0.0, 1.0)))
            break
        in_bad, in_good = (1.0 - truly) * each / labelled, truly * each / (1.0 - labelled)
        free = 1.0 - in_bad - in_good
        parts = [
            _solved(own[0], own[1], (1.0 - in_bad) / free, in_good / free),
            _solved(own[1], own[0], (1.0 - in_good) / free, in_bad / free),
        ]
        found.append(Believed(truly, parts[0], parts[1]))
    return found


def _solved(
    mine: tuple[float, float, float], other: tuple[float, float, float], a: float, b: float
) -> tuple[float, float, float]:
    """The share ``a mine - b other`` with its interval."""
    middle = a * mine[0] - b * other[0]
    down = math.hypot(a * (mine[0] - mine[1]), b * (other[2] - other[0]))
    up = math.hypot(a * (mine[2] - mine[0]), b * (other[0] - other[1]))
    ends = min(max(middle - down, 0.0), 1.0), min(max(middle + up, 0.0), 1.0)
    return min(max(middle, 0.0), 1.0), *ends


def span(good: Counted, bad: Counted, wrong: float) -> tuple[CarShare, CarShare]:
    """Both shares with intervals that hold whatever share of labels up to `wrong` is wrong."""
    levels = believed(good, bad, wrong)
    kinds = (good, [each.good for each in levels]), (bad, [each.bad for each in levels])
    found = [
        CarShare(kind.value, min(each[1] for each in ends), max(each[2] for each in ends),
                 kind.cars)
        for kind, ends in kinds
    ]  # fmt: skip
    return found[0], found[1]


def cost_span(
    parts: list[tuple[float, Counted, float, Counted]], bad_share: float | None, wrong: float
) -> tuple[float, float, float]:
    """Expected cost a car and its interval, whatever share of labels up to `wrong` is wrong.

    Parameters
    ----------
    parts
        For each outcome: its cost in a good car, how many good cars come out so, and the same for
        bad cars.
    bad_share
        Share of bad cars where the limits are used; None takes that of the labels.
    wrong
        Share of labels that may be wrong.
    """
    levels = [believed(good, bad, wrong) for _, good, _, bad in parts]
    spans = []
    for at in range(len(levels[0])):
        cost = down = up = 0.0
        for (of_good, _, of_bad, _), level in zip(parts, levels, strict=True):
            each = level[at]
            share = each.bad_share if bad_share is None else bad_share
            weighted = (((1.0 - share) * of_good, each.good), (share * of_bad, each.bad))
            for weight, (value, low, high) in weighted:
                if weight > 0.0 and not math.isnan(value):
                    cost += weight * value
                    down += (weight * (value - low)) ** 2
                    up += (weight * (high - value)) ** 2
        spans.append((cost, max(cost - math.sqrt(down), 0.0), cost + math.sqrt(up)))
    return spans[0][0], min(each[1] for each in spans), max(each[2] for each in spans)


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
    return span(by_car(table, came, ~table.bad), by_car(table, came, table.bad), wrong)


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
    missed, needless, again = weights
    costs = {PASS: (0.0, missed), UNDECIDED: (again, again), FAIL: (needless, 0.0)}
    kinds: list[list[CarShare]] = [[], []]
    parts = []
    for rank, (of_good, of_bad) in costs.items():
        good, bad = (by_car(table, ranks == rank, kind) for kind in (~table.bad, table.bad))
        parts.append((of_good, good, of_bad, bad))
        for into, share in zip(kinds, span(good, bad, wrong), strict=True):
            into.append(share)
    return Joint(Kind(*kinds[0]), Kind(*kinds[1]), *cost_span(parts, bad_share, wrong))
