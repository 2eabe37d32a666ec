"""Tolerance limits of a normal population: they hold a share of it, at a confidence.

``mean ± k s`` of n cars holds at least the share `content` of all cars of the family with
probability `confidence`. The factor is exact: the mean's error is integrated over numerically, the
scatter's by the chi-square distribution (ISO 16269-6:2014, NIST/SEMATECH e-Handbook 7.2.6.3).

Where the cars were measured with noise of known size, the population of TRUE values is narrower
than the scatter that was seen. `half_width` then uses generalized pivots: what is known after the
measurement of the variance (scaled inverse chi-square, the noise taken off) and of the mean
(Krishnamoorthy and Mathew, Statistical Tolerance Regions, Wiley 2009, chapter 4, for components of
variance). Without noise it is the exact factor times s.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np

from ingest.arrays import Floats

CONTENT: Final = 0.95
CONFIDENCE: Final = 0.95

_NODES: Final = 64
_POINTS: Final = 64
"""Equally likely values of the variance, and of the mean, that stand for all."""

_REACH: Final = 8.0
"""Standard deviations of the mean's error that are integrated over."""


@lru_cache(maxsize=4096)
def two_sided_factor(n: int, content: float = CONTENT, confidence: float = CONFIDENCE) -> float:
    """Factor k of ``mean ± k s``.

    Parameters
    ----------
    n
        Cars behind mean and standard deviation.
    content
        Share of the population to lie between.
    confidence
        Probability that it does.
    """
    from scipy.optimize import brentq
    from scipy.special import gammaincc

    if n < 2:
        msg = "a tolerance factor needs at least two cars"
        raise ValueError(msg)
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    error = nodes * _REACH
    density = weights * _REACH * np.exp(-(error**2) / 2.0) / math.sqrt(2.0 * math.pi)
    needed = _covering_radius(error / math.sqrt(n), content)

    def short(log_k: float) -> float:
        """Confidence of a factor, less the one wanted."""
        held = gammaincc((n - 1) / 2.0, (n - 1) * (needed / math.exp(log_k)) ** 2 / 2.0)
        return float(density @ held) - confidence

    return math.exp(float(brentq(short, math.log(1e-3), math.log(1e6), xtol=1e-12)))


@lru_cache(maxsize=4096)
def half_width(n: int, seen: float, noise: float) -> float:
    """Distance from the mean of n noisy values to the 95/95 tolerance limits of the true ones.

    Parameters
    ----------
    n
        Cars.
    seen
        Standard deviation of their values as measured.
    noise
        Standard uncertainty of one value from scatter that is independent from car to car.
    """
    if noise == 0.0:
        return two_sided_factor(n) * seen
    from scipy.special import gammaincinv, ndtri

    share = (np.arange(_POINTS) + 0.5) / _POINTS
    chi_square = 2.0 * gammaincinv((n - 1) / 2.0, share)[:, None]
    variance = (n - 1) * seen**2 / chi_square
    true = np.sqrt(np.maximum(variance - noise**2, (1e-6 * noise) ** 2))
    shift = ndtri(share)[None, :] * np.sqrt(variance / n)
    return float(np.quantile(_covering_radius(shift / true, CONTENT) * true, CONFIDENCE))


def _covering_radius(shift: Floats, content: float) -> Floats:
    """Half-width r about an off-center mean that covers: Phi(z + r) - Phi(z - r) = content."""
    from scipy.special import ndtr, ndtri

    # start above the root, where the function is concave: Newton then descends without overshoot
    radius = np.abs(shift) + float(ndtri(0.5 + content / 2.0))
    for _ in range(50):
        excess = ndtr(shift + radius) - ndtr(shift - radius) - content
        slope = (np.exp(-((shift + radius) ** 2) / 2) + np.exp(-((shift - radius) ** 2) / 2)) / (
            math.sqrt(2.0 * math.pi)
        )
        step = excess / slope
        radius = radius - step
        if float(np.abs(step).max()) < 1e-13:
            break
    return np.asarray(radius, dtype=np.float64)
