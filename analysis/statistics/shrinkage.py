"""Means of small groups drawn towards the mean of all (empirical Bayes).

A plant with three cars is rarely as good or as bad as its three cars look. Its mean is drawn
towards the mean of all groups, the more the fewer cars it has and the less the groups differ among
themselves: Morris, J. Am. Stat. Assoc. 78 (1983) 47-55, for groups of unequal precision. With equal
precision this is the estimator of James and Stein about the mean.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from ingest.arrays import Floats
from ingest.values import dataclass

HALVINGS: Final = 60
"""Bisections: to the last digit that counts."""


@dataclass(frozen=True)
class Shrunk:
    """Groups' means after shrinkage.

    Parameters
    ----------
    mean, u
        Mean and standard uncertainty of each group, shape (k,).
    center
        What they are drawn towards.
    between
        Standard deviation of the groups' true means.
    """

    mean: Floats
    u: Floats
    center: float
    between: float


def shrink(means: Floats, variances: Floats) -> Shrunk:
    """Shrink k group means towards their weighted mean.

    Parameters
    ----------
    means
        Mean of each group, shape (k,).
    variances
        Square of each mean's standard error, positive, shape (k,).
    """
    k = means.size
    if k < 2:
        return Shrunk(means.copy(), np.sqrt(variances), float(means.sum()), math.nan)
    between = between_variance(means, variances)
    weight = 1.0 / (variances + between)
    center = float(weight @ means / weight.sum())
    share = variances * weight  # of a mean's deviation that is chance
    if k < 4:
        # Morris' corrections need four groups; the plain estimate with the center's variance
        mean = means - share * (means - center)
        variance = variances * (1.0 - share) + share**2 / weight.sum()
        return Shrunk(mean, np.sqrt(variance), center, math.sqrt(between))
    share = share * (k - 3) / (k - 1)
    mean = means - share * (means - center)
    usual = float(weight @ variances / weight.sum())
    spread = 2.0 / (k - 3) * share**2 * (usual + between) * weight
    part = 1.0 - weight / weight.sum()
    variance = variances * (1.0 - part * share) + spread * (means - center) ** 2
    return Shrunk(mean, np.sqrt(variance), center, math.sqrt(between))


def between_variance(means: Floats, variances: Floats) -> float:
    """Variance of the groups' true means (Paule and Mandel, J. Res. NBS 87 (1982) 377).

    The variance at which the weighted squares about the weighted mean are as large as they should
    be, k - 1; 0 where the means scatter less than their own errors explain.
    """

    def excess(between: float) -> float:
        weight = 1.0 / (variances + between)
        center = weight @ means / weight.sum()
        return float(weight @ (means - center) ** 2) - (means.size - 1)

    if excess(0.0) <= 0.0:
        return 0.0
    low, high = 0.0, means.size * float(np.ptp(means)) ** 2
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(middle) > 0.0 else (low, middle)
    return 0.5 * (low + high)
