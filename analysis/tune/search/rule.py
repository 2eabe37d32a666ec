"""What the guard band makes of a limit: pass, fail or undecided, and the risks (JCGM 106:2012)."""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.special import ndtr

from analysis.statistics.proportions import Share, exact_share
from analysis.verdict import GUARD
from ingest.arrays import Bools, Floats
from ingest.values import dataclass

KINDS_OF_U: Final = 25
"""Uncertainties, equally common, that stand for those of all runs."""


@dataclass(frozen=True, slots=True)
class Risks:
    """Global risks of a decision rule over a population of cars (JCGM 106:2012, clause 9).

    Parameters
    ----------
    consumer
        Probability that a car is beyond the limit and yet accepted.
    producer
        Probability that a car is within the limit and yet rejected.
    """

    consumer: float
    producer: float


@dataclass(frozen=True, slots=True)
class Outcomes:
    """How one kind of cars comes out of the rule, as shares with exact intervals."""

    passed: Share
    undecided: Share
    failed: Share


@dataclass(frozen=True, slots=True)
class Rule:
    """A limit with its guard band.

    Parameters
    ----------
    good, bad
        How labelled cars come out.
    risks
        Of any car of the mix the limit is for, as to the true value of its figure: consumer's, that
        it is beyond the limit and passes; producer's, that it is within and fails.
    without_guard
        The same risks with no guard band: pass and fail at the limit itself.
    guard_band
        Median width of the guard band on one side, in units of the score.
    """

    good: Outcomes
    bad: Outcomes
    risks: Risks
    without_guard: Risks
    guard_band: float


def guarded(score: Floats, u: Floats, bad: Bools, limit: float) -> tuple[Outcomes, Outcomes]:
    """Count how good and bad cars come out.

    Parameters
    ----------
    score, u
        Score of each car and its standard uncertainty, shape (n,).
    bad
        Labels, shape (n,).
    limit
        At or above is bad.
    """
    fails = (score >= limit) & (score - limit >= GUARD * u)
    passes = ~fails & (limit - score >= GUARD * u)

    def count(kind: Bools) -> Outcomes:
        total = int(kind.sum())
        return Outcomes(
            exact_share(int((passes & kind).sum()), total),
            exact_share(int((~passes & ~fails & kind).sum()), total),
            exact_share(int((fails & kind).sum()), total),
        )

    return count(~bad), count(bad)


def population_risks(
    places: Floats, below: Floats, u: Floats, limit: float, guard: float = GUARD
) -> Risks:
    """Risks over cars of any distribution.

    Parameters
    ----------
    places, below
        Distribution function of the true scores, shape (m,).
    u
        Standard uncertainties that runs have, each equally often, above 0, shape (k,).
    limit
        On the true score; above is bad.
    guard
        Width of the guard band on either side, in standard uncertainties.
    """
    mass = np.diff(below)
    true = 0.5 * (places[1:] + places[:-1])
    passes = ndtr((limit - guard * u[:, None] - true) / u[:, None]).mean(axis=0)
    fails = ndtr((true - limit - guard * u[:, None]) / u[:, None]).mean(axis=0)
    # the step that holds the limit belongs to both sides in part
    beyond = np.clip((places[1:] - limit) / np.diff(places), 0.0, 1.0)
    return Risks(float(mass @ (passes * beyond)), float(mass @ (fails * (1.0 - beyond))))


def rule(score: Floats, u: Floats, bad: Bools, limit: float, places: Floats, below: Floats) -> Rule:
    """All about one limit's guard band; parameters as in `guarded` and `population_risks`."""
    good_cars, bad_cars = guarded(score, u, bad, limit)
    shares = (np.arange(KINDS_OF_U) + 0.5) / KINDS_OF_U
    floor = 1e-6 * float(places[-1] - places[0])
    kinds = np.maximum(np.quantile(u, shares), floor)
    return Rule(
        good_cars,
        bad_cars,
        population_risks(places, below, kinds, limit),
        population_risks(places, below, kinds, limit, 0.0),
        GUARD * float(np.median(u)),
    )
