"""Variance components of unbalanced repeat runs by restricted maximum likelihood.

Model: value = mean + car + operator + error, cars and operators random (Searle, Casella and
McCulloch, Variance Components, Wiley 1992, 6.6). With balanced data and no negative component it
is the analysis of variance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Floats


@dataclass(frozen=True, slots=True)
class Components:
    """Standard deviations between cars, between operators, and of repeats."""

    car: float
    operator: float
    repeat: float


def components(values: Floats, car: NDArray[np.intp], operator: NDArray[np.intp]) -> Components:
    """Fit the components.

    Parameters
    ----------
    values
        Shape (n,), not all alike.
    car, operator
        Numbers of the car and of the operator of each value, from 0, shape (n,).
    """
    from scipy.linalg import cho_factor, cho_solve
    from scipy.optimize import minimize

    scale = float(values.std())
    y = (values - values.mean()) / scale
    same_car = (car[:, None] == car[None, :]).astype(np.float64)
    same_operator = (operator[:, None] == operator[None, :]).astype(np.float64)
    ones, identity = np.ones(y.size), np.eye(y.size)

    def cost(log_sd: Floats) -> float:
        """-2 log restricted likelihood."""
        var_car, var_operator, var_repeat = np.exp(2.0 * log_sd)
        v = var_car * same_car + var_operator * same_operator + var_repeat * identity
        factor = cho_factor(v, lower=True)
        from_ones = cho_solve(factor, ones)
        information = float(ones @ from_ones)
        mean = float(from_ones @ y) / information
        left = y - mean
        log_det = 2.0 * float(np.log(np.diag(factor[0])).sum())
        return log_det + float(np.log(information)) + float(left @ cho_solve(factor, left))

    start = np.log([0.7, 0.3, 0.5])
    found = minimize(cost, start, method="L-BFGS-B", bounds=[(-9.0, 3.0)] * 3)
    sds = np.exp(found.x) * scale
    return Components(*(float(sd) for sd in sds))
