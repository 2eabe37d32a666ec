"""Dead travel at either end of the slot, from the descriptions of the settled curve."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.lever.fit.curve import cover_slopes, crossing
from analysis.lever.fit.model import LOG_P, LOG_Q, A, B
from analysis.lever.fit.settled import Curves
from ingest.arrays import Floats
from ingest.values import dataclass

LOW_SHARE: Final = 0.025
HIGH_SHARE: Final = 0.975
"""The contract's shares of the span."""

FLAT_PCT: Final = 1.0
"""A flat end shorter than this behind the backlash cannot be told from none, % of travel."""

SAME_PCT: Final = 0.5
"""Descriptions whose ends agree within about this are one and the same."""

_OUTER, _INNER = math.sqrt(5.0 + math.sqrt(10.0)), math.sqrt(5.0 - math.sqrt(10.0))
_NODES: Final = np.array([-_OUTER, -_INNER, 0.0, _INNER, _OUTER])
_WEIGHTS: Final = np.array(
    [(7.0 + way * 2.0 * math.sqrt(10.0)) / 60.0 for way in (-1.0, 1.0)] + [8.0 / 15.0]
)[[0, 1, 2, 1, 0]]
"""Gauss-Hermite quadrature of five nodes over the standard normal distribution: the roots of
``x**5 - 10 x**3 + 15 x`` (numpy's own, whose package for polynomials takes long to load)."""


@dataclass(frozen=True)
class Ends:
    """The ends of the settled curve on the lever's own scale.

    Parameters
    ----------
    value
        Travel to 2.5 %, travel beyond 97.5 %, backlash; % of travel.
    covariance
        Of the three, shape (3, 3).
    curve
        Best description, as `analysis.lever.fit.curve.cover` takes it.
    flat
        Length of the flat ends that show behind the backlash, cold and hot, % of travel.
    flat_u
        Their standard uncertainties.
    """

    value: Floats
    covariance: Floats
    curve: Floats
    flat: tuple[float, float]
    flat_u: tuple[float, float]


def find_ends(curves: Curves, low: float, high: float, side: float, reading: float) -> Ends:
    """Weigh the descriptions and say where the curve begins and ends.

    Parameters
    ----------
    curves
        Descriptions of the settled curve.
    low, high
        Coldest and hottest position the lever stood at, %.
    side
        0 where the lever was moved both ways; +1/2 where it was only opened and -1/2 where it was
        only closed: then the ends are those of that direction.
    reading
        Standard uncertainty of a position, % of travel.
    """
    params, backlash = curves.params, curves.params[-1]
    sigma = np.sqrt(np.diagonal(curves.covariance, axis1=1, axis2=2))
    ends, spread, joint = _crossings(curves, low, high, side)
    half = backlash / 2
    flat = np.vstack((params[A] - low - half, high - half - params[B]))
    if side == 0.0:
        # The backlash hides as much of the curve at either end of the slot. Where no flat end shows
        # behind it, the door's own travel may go on there: mostly, the lever's is what counts.
        hidden = np.minimum(half, np.maximum(ends, 0.0))
        hidden *= _normal((FLAT_PCT - flat) / np.maximum(sigma[:, [A, B]].T, 0.3))
        ends -= hidden / 4
        spread += hidden**2 / 12
    weight = _evidence(curves, ends)
    values = np.vstack((ends, backlash))
    mean = values @ weight
    away = values - mean[:, None]
    covariance = (away * weight) @ away.T
    covariance[0, 0] += spread[0] @ weight
    covariance[1, 1] += spread[1] @ weight
    covariance[0, 1] += joint @ weight
    covariance[1, 0] += joint @ weight
    covariance[2, 2] += sigma[:, -1] ** 2 @ weight
    covariance[np.diag_indices(3)] += reading**2 / 2.0
    best = int(np.argmax(weight))
    return Ends(
        mean,
        covariance,
        params[:-1, best],
        (float(flat[0, best]), float(flat[1, best])),
        (float(sigma[best, A]), float(sigma[best, B])),
    )


def _crossings(
    curves: Curves, low: float, high: float, side: float
) -> tuple[Floats, Floats, Floats]:
    """Dead travel at both ends for every description.

    How a crossing moves with the beginning of the curve is not linear near the end of the slot, so
    that direction is integrated (Gauss-Hermite); the rest is propagated linearly.

    Returns
    -------
    tuple
        Ends and their variances, shape (2, m), and the covariance of the two, shape (m,).
    """
    params, covariance = curves.params, curves.covariance
    count, many = params.shape
    shares = np.array([[LOW_SHARE], [HIGH_SHARE]])
    sigma = np.sqrt(covariance[:, [A, B], [A, B]])
    along = (covariance[:, :, [A, B]] / sigma[:, None]).transpose(1, 2, 0)
    moved = (params[:, None, :, None] + along[..., None] * _NODES).reshape(count, -1)
    level = np.repeat(shares, many * _NODES.size)
    found = _crossing(level, moved, low, high).reshape(2, many, -1)
    lean = _lean(shares, found[..., _NODES.size // 2], params, low, high)
    lean[:, -1] += side
    # from the door's scale to the lever's
    found = found + side * moved[-1].reshape(2, many, -1)
    mean = found @ _WEIGHTS
    turned = np.einsum("mpq,eqm->epm", covariance, lean)
    linear = (lean * turned).sum(axis=1) - np.einsum("epm,pem->em", lean, along) ** 2
    spread = np.maximum(linear, 0.0) + (found - mean[..., None]) ** 2 @ _WEIGHTS
    ends = np.minimum(np.maximum((mean[0] - low, high - mean[1]), 0.0), high - low)
    return ends, spread, -(lean[0] * turned[1]).sum(axis=0)


def _crossing(share: Floats, params: Floats, low: float, high: float) -> Floats:
    """Where curves have covered each its share of what the backlash lets them reach."""
    kept = params.copy()
    half = np.minimum(np.abs(kept[-1]) / 2, 0.25 * (high - low))
    kept[A] = np.minimum(np.maximum(kept[A], low - 30.0), high - 5.0)
    kept[B] = np.minimum(np.maximum(kept[B], kept[A] + 2.0), high + 30.0)
    kept[LOG_P : LOG_Q + 1] = np.minimum(np.maximum(kept[LOG_P : LOG_Q + 1], -2.0), 2.5)
    return crossing(share, kept[:-1], low + half, high - half)


def _lean(shares: Floats, places: Floats, params: Floats, low: float, high: float) -> Floats:
    """Derivatives of the crossings of both shares by the parameters, shape (2, p, m)."""
    half = params[-1] / 2
    at = np.concatenate((places, (low + half, high - half)))
    _, by_place, by = cover_slopes(at, params[:-1])
    left = 1.0 - shares
    lean = np.empty((2, *params.shape))
    lean[:, :-1] = left[..., None] * by[:, 2] + shares[..., None] * by[:, 3]
    lean[:, :-1] -= by[:, :2].swapaxes(0, 1)
    lean[:, -1] = 0.5 * (left * by_place[2] - shares * by_place[3])
    lean /= np.maximum(by_place[:2], 1e-3)[:, None]
    return lean


def _evidence(curves: Curves, ends: Floats) -> Floats:
    """Evidence of each description (Laplace); those that came out the same share one weight."""
    score = 0.5 * np.linalg.slogdet(curves.covariance)[1] - curves.cost
    weight = np.exp(score - score.max())
    apart = np.abs(ends[:, :, None] - ends[:, None, :]).max(axis=0)
    weight /= np.exp(-0.5 * (apart / SAME_PCT) ** 2).sum(axis=1)
    shares: Floats = weight / weight.sum()
    return shares


def _normal(x: Floats) -> Floats:
    """Standard normal distribution function to about 1e-3 (logistic approximation)."""
    bounded = np.clip(x, -6.0, 6.0)
    result: Floats = 1.0 / (1.0 + np.exp(-bounded * (1.5976 + 0.07056 * bounded**2)))
    return result
