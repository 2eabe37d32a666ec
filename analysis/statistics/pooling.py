"""Families pooled partially: each by its own cars as far as these go, by all families beyond.

Mean of a family's good cars, shrunk towards the mean of all families by how much families differ.
How much they differ is itself known badly from a few families, and is averaged over with a
half-Cauchy prior as wide as the spread within a family (Gelman, Bayesian Analysis 1, 2006, 515):
one best value would be zero too often and then deny a small family every difference.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Floats
from ingest.values import dataclass

SPREADS: Final = 100
"""Spreads between families that are averaged over."""


@dataclass(frozen=True, slots=True)
class Offset:
    """How far a family's good cars lie from all families' mean.

    Parameters
    ----------
    mean
        Best estimate, shrunk.
    sd
        Its standard deviation.
    cars
        Good cars of the family behind it.
    """

    mean: float
    sd: float
    cars: int


@dataclass(frozen=True)
class Pooled:
    """Families side by side.

    Parameters
    ----------
    center
        Mean over the families.
    between, within
        Standard deviation between families, and of cars within one.
    families
        Offset of each family, 0 with the spread between families for one without good cars.
    """

    center: float
    between: float
    within: float
    families: dict[str, Offset]

    def without(self, total: float, count: int) -> float:
        """Offset of a family with `count` good cars whose scores sum to `total`."""
        if count == 0 or self.between == 0.0:
            return 0.0
        share = self.between**2 / (self.between**2 + self.within**2 / count)
        return share * (total / count - self.center)


def pool(score: Floats, family: NDArray[np.str_], every: tuple[str, ...]) -> Pooled:
    """Offsets of the families from their good cars.

    Parameters
    ----------
    score
        Of good cars, shape (n,), at least two.
    family
        Of each, shape (n,).
    every
        All families that need an offset.
    """
    names, index = np.unique(family, return_inverse=True)
    count = np.bincount(index)
    mean = np.bincount(index, score) / count
    left = score.size - names.size
    square = float(((score - mean[index]) ** 2).sum())
    within2 = square / left if left > 0 else float(score.var(ddof=1))
    # a family of alike cars is known as well as the others' scatter says, never exactly
    variances = np.maximum(within2, 1e-18) / count
    tau, belief = _spread_between(mean, variances, math.sqrt(max(within2, 1e-18)))
    weight = 1.0 / (variances + tau[:, None] ** 2)
    centers = (weight @ mean) / weight.sum(axis=1)
    share = tau[:, None] ** 2 * weight
    offsets = share * (mean - centers[:, None])
    best = belief @ offsets
    # what is not known with a given spread between families, and what follows from not knowing that
    variance = belief @ (share * variances) + belief @ (offsets - best) ** 2
    between = math.sqrt(float(belief @ tau**2)) if names.size > 1 else 0.0
    families = {name: Offset(0.0, between, 0) for name in every}
    for name, here, spread, cars in zip(names, best, variance, count, strict=True):
        families[str(name)] = Offset(float(here), math.sqrt(float(spread)), int(cars))
    return Pooled(float(belief @ centers), between, math.sqrt(within2), families)


def _spread_between(mean: Floats, variances: Floats, within: float) -> tuple[Floats, Floats]:
    """Standard deviations between families, and how far each is believed."""
    if mean.size < 2:
        return np.zeros(1), np.ones(1)
    # equally likely beforehand: half of them below the spread within a family
    tau = within * np.tan(0.5 * np.pi * (np.arange(SPREADS) + 0.5) / SPREADS)
    total = variances + tau[:, None] ** 2
    weight = 1.0 / total
    center = (weight @ mean) / weight.sum(axis=1)
    log = -0.5 * (
        np.log(total).sum(axis=1)
        + np.log(weight.sum(axis=1))
        + (weight * (mean - center[:, None]) ** 2).sum(axis=1)
    )
    belief = np.exp(log - log.max())
    return tau, belief / belief.sum()
