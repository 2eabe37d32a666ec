"""What proposed limits take from cars left out, and what they give, against those in force."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import betaincinv, ndtr

from analysis.tune.count_words import counted
from analysis.tune.joint.table import PASS, Indices, Table
from ingest.arrays import Bools
from ingest.saying import rounded, say
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.saying import Said

CONFIDENCE: Final = 0.95

LEAST_LOST: Final = 0.005
"""Net share of cars that may change for the worse: less than one car of two hundred, so that large
fleets are not held to a single car."""


SAME: Final = 1e-9
"""Relative error of sums of alike costs."""

LEAST_CHANCE: Final = 0.1
"""Percent; what is rarer is not said to be known."""


@dataclass(frozen=True)
class Exchange:
    """Cars of one label that change for the worse and for the better; in part where runs differ.

    Parameters
    ----------
    worse, better
        Good cars that lose and gain their pass; bad ones that pass now and no longer pass.
    cars
        Of how many.
    """

    worse: float
    better: float
    cars: int

    @property
    def most(self) -> float:
        """Upper 95 % limit of the share that changes for the worse (Clopper and Pearson)."""
        if self.worse >= self.cars:
            return 1.0
        return float(betaincinv(self.worse + 1.0, self.cars - self.worse, CONFIDENCE))

    def harms(self, wrong: float) -> bool:
        """Whether more cars change for the worse than for the better.

        Parameters
        ----------
        wrong
            How many of them may have the wrong label: for those the change is the right one.
        """
        return self.worse - self.better > LEAST_LOST * self.cars + wrong


@dataclass(frozen=True)
class Exchanges:
    """Of the good and the bad cars left out."""

    good: Exchange
    bad: Exchange

    def harm(self, wrong: float) -> str:
        """What stands against the proposed limits, in words; empty for nothing.

        Parameters
        ----------
        wrong
            Share of labels that may be wrong.
        """
        mistaken = wrong * min(self.good.cars, self.bad.cars)
        if self.good.harms(mistaken):
            return (
                f"of {counted(self.good.cars, 'good car')} left out {self.good.worse:g} would lose "
                f"the pass that the limits in force give, and {self.good.better:g} would gain one"
            )
        if self.bad.harms(mistaken):
            return (
                f"of {counted(self.bad.cars, 'bad car')} left out {self.bad.worse:g} would pass "
                f"that the limits in force do not pass, and {self.bad.better:g} would no longer"
            )
        return ""

    def said(self) -> str:
        """Both, and what can be told of other cars."""
        good, bad = self.good, self.bad
        return (
            f"against the limits in force, on cars left out: of {counted(good.cars, 'good car')} "
            f"{good.worse:g} lose their pass and {good.better:g} gain one; of "
            f"{counted(bad.cars, 'bad car')} {bad.worse:g} newly pass and {bad.better:g} no longer "
            f"do; so that, each with 95 % confidence, at most {100 * good.most:.2g} % of all good "
            f"cars lose their pass and at most {100 * bad.most:.2g} % of all bad ones newly pass"
        )


def exchanges(table: Table, ranks: Indices, in_force: Indices) -> Exchanges:
    """Compare verdicts, whole cars; parameters as in `analysis.tune.joint.cross.run_costs`."""
    passes, passed = ranks == PASS, in_force == PASS
    lost, gained = passed & ~passes, passes & ~passed
    return Exchanges(
        _of(table, lost, gained, ~table.bad), _of(table, gained, lost, table.bad)
    )  # fmt: skip


def _of(table: Table, worse: Bools, better: Bools, kind: Bools) -> Exchange:
    car, own = np.unique(table.car[kind], return_inverse=True)
    runs = np.maximum(np.bincount(own, minlength=car.size), 1)

    def cars(came: Bools) -> float:
        return float((np.bincount(own, came[kind], car.size) / runs).sum())

    return Exchange(cars(worse), cars(better), int(car.size))


def saving_said(saved: float, error: float) -> Said:
    """A saving on cars left out, and how often chance alone would show as much."""
    if error < SAME * abs(saved):
        return say("{gain} a car", gain=rounded(saved, None, ""))
    gain, reach = (rounded(each, error, "") for each in (saved, error))
    chance = 100.0 * float(ndtr(-saved / error))
    return say(
        "{gain} a car, {times} standard errors of {reach}: chance alone would show as much in "
        "{chance} of such fleets",
        gain=gain, times=f"{math.floor(10.0 * saved / error) / 10.0:.3g}", reach=reach,
        chance=f"{chance:.2g} %" if chance >= LEAST_CHANCE else f"under {LEAST_CHANCE} %",
    )  # fmt: skip
