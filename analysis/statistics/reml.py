"""Variance components of unbalanced repeat runs by restricted maximum likelihood.

Model: value = mean + a random effect of each factor (car, operator, logger, day) + error (Searle,
Casella and McCulloch, Variance Components, Wiley 1992, 6.6). With balanced data and no negative
component it is the analysis of variance.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Floats
from ingest.values import dataclass


@dataclass(frozen=True, slots=True)
class Components:
    """Standard deviations by factor, and of repeats."""

    factors: Mapping[str, float]
    repeat: float


def components(values: Floats, factors: Mapping[str, NDArray[np.intp]]) -> Components:
    """Fit the components.

    Parameters
    ----------
    values
        Shape (n,), not all alike.
    factors
        Number of the level of each value, by factor, shape (n,) each.
    """
    from scipy.linalg import cho_factor, cho_solve
    from scipy.optimize import minimize

    scale = float(values.std())
    y = (values - values.mean()) / scale
    same = [(each[:, None] == each[None, :]).astype(np.float64) for each in factors.values()]
    same.append(np.eye(y.size))
    ones = np.ones(y.size)

    def cost(log_sd: Floats) -> float:
        """-2 log restricted likelihood."""
        v = sum(variance * each for variance, each in zip(np.exp(2.0 * log_sd), same, strict=True))
        factor = cho_factor(v, lower=True)
        from_ones = cho_solve(factor, ones)
        information = float(ones @ from_ones)
        mean = float(from_ones @ y) / information
        left = y - mean
        log_det = 2.0 * float(np.log(np.diag(factor[0])).sum())
        return log_det + float(np.log(information)) + float(left @ cho_solve(factor, left))

    start = np.log([0.7, *[0.3] * (len(factors) - 1), 0.5])
    found = minimize(cost, start, method="L-BFGS-B", bounds=[(-9.0, 3.0)] * len(same))
    sds = [float(sd) for sd in np.exp(found.x) * scale]
    return Components(dict(zip(factors, sds, strict=False)), sds[-1])
