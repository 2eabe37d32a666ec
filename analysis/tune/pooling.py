"""Families pooled partially: each by its own cars as far as these go, by all families beyond.

Mean of a family's good cars, shrunk towards the mean of all families by how much families differ
(empirical Bayes). The variance between families is Paule and Mandel's (J. Res. Nat. Bur. Stand. 87,
1982, 377; for the iteration see DerSimonian and Kacker, Contemp. Clin. Trials 28, 2007, 105).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ROUNDS: Final = 200


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

    def without(self, family: str, total: float, count: int) -> float:
        """Offset of a family from only `count` of its good cars, whose scores sum to `total`."""
        if count == 0 or self.between == 0.0:
            return 0.0
        share = self.between**2 / (self.between**2 + self.within**2 / count)
        return share * (total / count - self.center)


def between_variance(means: Floats, variances: Floats) -> float:
    """Paule and Mandel's variance between groups.

    Parameters
    ----------
    means, variances
        Mean of each group and the variance of that mean, shape (k,).

    Returns
    -------
    float
        The variance at which the weighted sum of squares equals its expectation; 0 where the means
        differ by no more than their variances explain.
    """
    if means.size < 2:
        return 0.0
    tau2 = 0.0
    for _ in range(ROUNDS):
        weight = 1.0 / (variances + tau2)
        center = float(weight @ means) / float(weight.sum())
        excess = float(weight @ (means - center) ** 2) - (means.size - 1)
        step = excess / float(weight**2 @ (means - center) ** 2)
        if not math.isfinite(step) or (tau2 == 0.0 and excess <= 0.0):
            return 0.0
        tau2 = max(0.0, tau2 + step)
        if abs(step) <= 1e-12 * tau2:
            break
    return tau2


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
    tau2 = between_variance(mean, variances)
    weight = 1.0 / (variances + tau2)
    center = float(weight @ mean) / float(weight.sum())
    families = {name: Offset(0.0, math.sqrt(tau2), 0) for name in every}
    for name, here, variance, cars in zip(names, mean, variances, count, strict=True):
        share = tau2 / (tau2 + variance)
        sd = math.sqrt(share * variance)
        families[str(name)] = Offset(float(share * (here - center)), sd, int(cars))
    return Pooled(center, math.sqrt(tau2), math.sqrt(within2), families)
