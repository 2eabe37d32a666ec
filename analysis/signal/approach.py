"""How far a drifting signal still is from where it tends to, and how sure that is.

A heater disturbed approaches its level in several steps at once: the air in seconds, the core in
tens of seconds, case and cabin in minutes. The signal is described as a level with none, one or two
exponential approaches of time constants out of a fixed series. For each description the amplitudes
have a normal prior about zero and the scatter is known, so that their posterior and the evidence
for the description have a closed form (Bayesian linear regression, e.g. C. M. Bishop, Pattern
Recognition and Machine Learning, 2006, 3.3-3.5; from memory). All descriptions are then averaged by
their evidence: nothing is decided by a threshold, and what the data cannot tell stays uncertain.
"""

from __future__ import annotations

import math
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.signal.spacing import equal_ratios
from analysis.uncertainty import mean_variance
from ingest.arrays import Floats
from ingest.values import dataclass

LONGEST_TAU_S: Final = 600.0
"""Time constants are looked for up to this (case, core and cabin), or up to twice the record."""

SHORTEST_TAU_S: Final = 5.0
TAU_COUNT: Final = 18
PAIR_RATIO: Final = 2.5
"""Two approaches whose time constants differ by less are one."""

UNSEEN_K: Final = 1.0
UNSEEN_SHARE: Final = 0.03
"""An approach of this size, or this share of the change before (k = 1), may hide in the scatter."""

SLOW_SHARE: Final = 0.05
"""Size (k = 1) of a second, slower approach, as a share of all that the signal moved."""

MODEL_K: Final = 0.01
MODEL_SHARE: Final = 0.01
"""No signal follows its description closer than 10 mK, or a hundredth of the change it makes."""

MIN_U_K: Final = 1.0
"""Standard uncertainty of the least level a signal may settle to (its sensors' errors), K."""


@dataclass(frozen=True, slots=True)
class Approach:
    """A record's mean and what lies between it and the level it tends to.

    Parameters
    ----------
    mean, u_mean
        Mean of the record and its standard uncertainty from scatter.
    ahead, u_ahead
        Distance from the mean to the asymptote.
    to_come
        Distance from the end of the record to the asymptote.
    rate
        Slope at the end, per second.
    """

    mean: float
    u_mean: float
    ahead: float
    u_ahead: float
    to_come: float
    rate: float


@dataclass(frozen=True, slots=True)
class _Pairs:
    """The time constants of every description; a single approach has one of them twice.

    Parameters
    ----------
    i, j
        Indices of both, shape (d,).
    paired
        Whether they are two, shape (d,).
    two_i, two_j
        Indices of those that are.
    share
        Belief before the data are seen: a kind's third (level, one approach, two) goes to all of
        its kind in equal parts, in units of that third.
    """

    i: NDArray[np.intp]
    j: NDArray[np.intp]
    paired: NDArray[np.bool_]
    two_i: NDArray[np.intp]
    two_j: NDArray[np.intp]
    share: Floats


@dataclass(frozen=True, slots=True)
class _Models:
    """One description a row: posterior means and covariance of its two amplitudes.

    A single approach is a pair whose second member has no amplitude.
    """

    first: Floats
    second: Floats
    variance_first: Floats
    variance_second: Floats
    covariance: Floats
    evidence: Floats

    def spread(self, at_first: Floats, at_second: Floats) -> Floats:
        """Variance of ``first * at_first + second * at_second``."""
        return np.asarray(
            self.variance_first * at_first**2
            + self.variance_second * at_second**2
            + 2.0 * self.covariance * at_first * at_second
        )


def approach(
    time: Floats,
    values: Floats,
    *,
    resolution: float = 0.0,
    before: float = 0.0,
    least: float | None = None,
) -> Approach:
    """Average all descriptions of a record by their evidence.

    Parameters
    ----------
    time
        Increasing times, s, shape (m,), m of 4 at least.
    values
        Shape (m,), no NaN.
    resolution
        Smallest step of the readings.
    before
        How far the signal moved before the record began.
    least
        The signal cannot settle below this; descriptions that would are discounted.
    """
    elapsed = time - time[0]
    length = float(elapsed[-1])
    mean = float(values.sum()) / values.size
    centered = values - mean
    shortest = max(SHORTEST_TAU_S, 2.0 * length / values.size)
    taus = equal_ratios(shortest, max(LONGEST_TAU_S, 2.0 * length), TAU_COUNT)
    decay = np.exp(-elapsed / taus[:, None])
    middle, end = decay.sum(axis=1) / values.size, decay[:, -1]
    shape = decay - middle[:, None]
    gram, along = shape @ shape.T, shape @ centered
    pairs = _pairs(int(np.searchsorted(taus, PAIR_RATIO * taus[0])))
    change = _change(values)
    floor = max(MODEL_K, MODEL_SHARE * change) ** 2 + resolution**2 / 12.0
    variance = _scatter(shape, gram, along, centered, pairs) + floor
    priors = _priors(end, pairs, change, abs(before))
    models = _fit(gram / variance, along / variance, priors, pairs)
    i, j = pairs.i, pairs.j
    middle_i, middle_j = middle[i], middle[j]
    ahead = -(models.first * middle_i + models.second * middle_j)
    spread = models.spread(middle_i, middle_j)
    evidence = models.evidence
    if least is not None:
        short = np.maximum(least - (mean + ahead), 0.0)
        evidence = evidence - 0.5 * short**2 / (MIN_U_K**2 + spread)
    weight = _weights(evidence, pairs.share)
    expected = float(weight @ ahead)
    rest = -(models.first * end[i] + models.second * end[j])
    slope = end / taus
    rate = -(models.first * slope[i] + models.second * slope[j])
    # rounding of a signal that scatters less than its step does not average out
    rounding = resolution**2 / 12.0 if variance < resolution**2 / 4.0 else 0.0
    return Approach(
        mean,
        math.sqrt(variance / values.size + rounding),
        expected,
        math.sqrt(max(float(weight @ (ahead**2 + spread)) - expected**2, 0.0)),
        float(weight @ rest),
        float(weight @ rate),
    )


def _weights(evidence: Floats, share: Floats) -> Floats:
    """Posterior probability of every description; the level alone has what is left to 1."""
    top = max(0.0, float(evidence.max()))
    weight = share * np.exp(evidence - top)
    return np.asarray(weight / (weight.sum() + math.exp(-top)))


@cache
def _pairs(apart: int) -> _Pairs:
    """Every description, two time constants being at least so many places apart."""
    i, j = np.triu_indices(TAU_COUNT)
    kept = (i == j) | (j - i >= apart)
    i, j = i[kept], j[kept]
    paired = i != j
    both = int(paired.sum())
    share = np.where(paired, 1.0 / max(both, 1), 1.0 / (paired.size - both))
    return _Pairs(i, j, paired, i[paired], j[paired], share)


def _scatter(
    shape: Floats,
    gram: Floats,
    along: Floats,
    centered: Floats,
    pairs: _Pairs,
) -> float:
    """Variance of one value, its correlation allowed for, about the best of all descriptions."""
    i, j = pairs.two_i, pairs.two_j
    own, mixed = gram.diagonal(), gram[i, j]
    own_i, own_j, along_i, along_j = own[i], own[j], along[i], along[j]
    determinant = own_i * own_j - mixed**2
    first = (own_j * along_i - mixed * along_j) / determinant
    second = (own_i * along_j - mixed * along_i) / determinant
    best = int((first * along_i + second * along_j).argmax())
    residual = centered - first[best] * shape[i[best]] - second[best] * shape[j[best]]
    size = centered.size
    lost = size / max(size - 4.0, 1.0)  # degrees of freedom the description took
    return float(size * mean_variance(residual) * lost)


def _change(values: Floats) -> float:
    """How far the record moves from its first to its last third."""
    third = max(1, values.size // 3)
    return abs(float(values[-third:].sum() - values[:third].sum())) / third


def _priors(end: Floats, pairs: _Pairs, change: float, before: float) -> tuple[Floats, Floats]:
    """Variances of both amplitudes of every description before the data are seen.

    The first may explain what the record changes, but not more than the signal moved in all; a
    slower one besides it is a small share of that (case and duct beside the core).
    """
    moved = before + change
    unseen = max(UNSEEN_K, UNSEEN_SHARE * before)
    first = np.clip(1.5 * change / (1.0 - end), unseen, max(unseen, moved))
    slow = max(UNSEEN_K, SLOW_SHARE * moved)
    return first[pairs.i] ** 2, np.where(pairs.paired, slow**2, 1.0)


def _fit(
    gram: Floats,
    along: Floats,
    priors: tuple[Floats, Floats],
    pairs: _Pairs,
) -> _Models:
    """Posterior of every description's amplitudes; `gram`, `along` in units of the scatter."""
    i, j, paired = pairs.i, pairs.j, pairs.paired
    own = gram.diagonal()
    p = own[i] + 1.0 / priors[0]
    # the second member of a single description is pinned to zero
    q = np.where(paired, own[j] + 1.0 / priors[1], 1.0)
    r = np.where(paired, gram[i, j], 0.0)
    determinant = p * q - r**2
    first_along, second_along = along[i], np.where(paired, along[j], 0.0)
    first = (q * first_along - r * second_along) / determinant
    second = (p * second_along - r * first_along) / determinant
    scale = priors[0] * priors[1]
    evidence = 0.5 * (first * first_along + second * second_along)
    evidence -= 0.5 * np.log(determinant * scale)
    return _Models(
        first,
        second,
        q / determinant,
        np.where(paired, p / determinant, 0.0),
        -r / determinant,
        evidence,
    )
