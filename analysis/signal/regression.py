"""Linear least squares with prior knowledge, scatter that is correlated in time, and a lag.

The scatter of a heater's temperatures is slow: a fluctuating flow, a thermostat that cycles. What
it does to a parameter follows from its spectrum at frequency zero (`mean_variance`), as if each
sample carried that much white noise. Parameters that the data hardly show (how the flow changes
with engine speed, when nobody drove) keep what physics says of them: a normal prior about a usual
value (Bayesian linear regression, e.g. C. M. Bishop, Pattern Recognition and Machine Learning,
2006, 3.3; from memory). Several lags are tried; all are averaged by their probability.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.uncertainty import mean_variance
from ingest.arrays import Floats
from ingest.values import dataclass


@dataclass(frozen=True, slots=True)
class Posterior:
    """Parameters of a linear model, averaged over the lags that were tried.

    Parameters
    ----------
    parameters
        Means, shape (k,).
    covariance
        From scatter, priors and the choice of lag, shape (k, k).
    gain
        What 1 added to every sample of the answer does to each parameter, shape (k,).
    scatter
        Standard deviation of one sample about the fit.
    lag, u_lag
        Mean and standard uncertainty of the lag, s.
    """

    parameters: Floats
    covariance: Floats
    gain: Floats
    scatter: float
    lag: float
    u_lag: float


def fit_lags(
    answer: Floats,
    columns: Floats,
    lags: Floats,
    prior_lag: tuple[float, float],
    priors: tuple[Floats, Floats],
    floor: float,
) -> Posterior:
    """Fit a linear model once for each lag and average.

    Parameters
    ----------
    answer
        Samples, evenly spaced as far as they go, shape (n,).
    columns
        For each lag the model's columns, shape (m, n, k).
    lags
        The lags, s, shape (m,), increasing.
    prior_lag
        Mean and standard deviation of the lag before the data are seen, s.
    priors
        Means and standard deviations of the parameters, shape (k,); infinite for unknown.
    floor
        Standard deviation of a sample that no model goes below.
    """
    usual, spread = priors
    precision = np.where(np.isinf(spread), 0.0, 1.0 / spread**2)
    turned = columns.transpose(0, 2, 1)
    gram, along = turned @ columns, turned @ answer
    noise = floor**2
    for _ in range(ROUNDS):
        # the scatter weighs the data against the priors, and itself comes from the fit
        inverse = np.linalg.inv(gram + np.diag(precision * noise))
        found = np.einsum("mij,mj->mi", inverse, along + precision * noise * usual)
        residuals = answer - np.einsum("mnk,mk->mn", columns, found)
        penalty = ((found - usual) ** 2) @ precision
        misfit = (residuals**2).sum(axis=1) + noise * penalty
        best = residuals[int(np.argmin(misfit))]
        noise = _white(best, usual.size) + floor**2
    evidence = -0.5 * misfit / noise - 0.5 * ((lags - prior_lag[0]) / prior_lag[1]) ** 2
    # lags are spaced unevenly: each stands for its part of the axis
    weight = np.exp(evidence - evidence.max()) * np.gradient(lags)
    weight /= weight.sum()
    parameters = weight @ found
    away = found - parameters
    covariance = np.einsum("m,mij->ij", weight, inverse) * noise
    covariance += np.einsum("m,mi,mj->ij", weight, away, away)
    gain = weight @ np.einsum("mij,mj->mi", inverse, columns.sum(axis=1))
    lag = float(weight @ lags)
    grid = float(np.diff(lags).min()) / math.sqrt(12.0)
    u_lag = math.hypot(math.sqrt(float(weight @ (lags - lag) ** 2)), grid)
    return Posterior(parameters, covariance, gain, float(best.std()), lag, u_lag)


ROUNDS: Final = 2
"""The first finds the scatter with priors that hardly count, the second uses it."""


def _white(residual: Floats, parameters: int) -> float:
    """Variance of white noise that would make means as uncertain as this scatter does."""
    lost = residual.size / max(residual.size - parameters, 1.0)
    return float(residual.size * mean_variance(residual) * lost)
