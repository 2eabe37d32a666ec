"""Consumer's and producer's risk of a limit with a guard band (JCGM 106:2012, clauses 8 and 9)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import ndtr

from ingest.arrays import Floats


@dataclass(frozen=True, slots=True)
class Risks:
    """Global risks of a decision rule over a population of cars.

    Parameters
    ----------
    consumer
        Probability that a car is beyond the limit and yet accepted.
    producer
        Probability that a car is within the limit and yet rejected.
    """

    consumer: float
    producer: float


def conformance_probability(value: float, u: float, low: float | None, high: float | None) -> float:
    """Probability that the true value lies within the limits (JCGM 106:2012, 7.3)."""
    upper = 1.0 if high is None else float(ndtr((high - value) / u))
    lower = 0.0 if low is None else float(ndtr((low - value) / u))
    return upper - lower


def global_risks(
    mean: float,
    sd: float,
    u: float,
    *,
    tolerance: tuple[float | None, float | None],
    acceptance: tuple[float | None, float | None],
) -> Risks:
    """Risks over a normal population measured with a normal error (JCGM 106:2012, eq. 17 and 19).

    Parameters
    ----------
    mean, sd
        The population's true values.
    u
        Standard uncertainty of one measurement, above 0.
    tolerance
        Low and high limit of the true value.
    acceptance
        Low and high limit the measured value is held against.
    """
    # Gauss-Legendre on pieces that end at the tolerance limits, where the integrand jumps
    edges = [mean - 8.0 * sd, mean + 8.0 * sd]
    edges += [edge for edge in tolerance if edge is not None and edges[0] < edge < edges[1]]
    edges = sorted(edges)
    nodes, weights = np.polynomial.legendre.leggauss(200)
    consumer = producer = 0.0
    for start, stop in pairwise(edges):
        true = 0.5 * (stop - start) * nodes + 0.5 * (stop + start)
        density = np.exp(-0.5 * ((true - mean) / sd) ** 2) / (sd * math.sqrt(2.0 * math.pi))
        accepted = _accepted(true, u, acceptance)
        share = 0.5 * (stop - start) * weights * density
        middle = 0.5 * (start + stop)
        inside = (tolerance[0] is None or middle > tolerance[0]) and (
            tolerance[1] is None or middle < tolerance[1]
        )
        if inside:
            producer += float(share @ (1.0 - accepted))
        else:
            consumer += float(share @ accepted)
    return Risks(consumer, producer)


def _accepted(true: Floats, u: float, acceptance: tuple[float | None, float | None]) -> Floats:
    low, high = acceptance
    upper = np.ones_like(true) if high is None else ndtr((high - true) / u)
    lower = np.zeros_like(true) if low is None else ndtr((low - true) / u)
    return np.asarray(upper - lower, dtype=np.float64)
