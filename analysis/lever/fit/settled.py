"""The settled curve by itself, once the lags are known: what can be said of its ends.

With the lags fitted, the outlet is a linear function of the settled responses at the positions the
lever stood at. All that the record says of them is then a quadratic form of a few dozen numbers,
and the curve can be searched as thoroughly as its ends deserve: between two positions the lever
stood at, a sharp end far in and a soft end far out may both be true. Several descriptions are
followed to their best fit (`analysis.lever.fit.ends` weighs them).
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.lever.fit.curve import FORM, cover_slopes, crossing, ripple_prior
from analysis.lever.fit.fit import BEYOND_PCT, Fit
from analysis.lever.fit.model import (
    BACKLASH,
    CURVE,
    DRIFT,
    LOG_P,
    LOG_Q,
    SETTLED,
    SPAN,
    A,
    B,
    ModelCourse,
)
from ingest.arrays import Floats
from ingest.values import dataclass

RIPPLES: Final = 6
STEPS: Final = 9

MAX_COLUMNS: Final = 60
BIN_PCT: Final = 2.5
"""Positions of a slow sweep are put between knots this far apart, % of travel."""

STARTS: Final = (
    # log p, log q, and where 15 % and 85 % of the change lie between a and b
    (0.0, 0.0, 0.150, 0.850),
    (0.65, 0.65, 0.260, 0.744),
    (0.0, 0.69, 0.078, 0.613),
    (0.69, 0.0, 0.387, 0.922),
)


@dataclass(frozen=True)
class Responses:
    """What the record says of the settled responses, lags taken out.

    Minus the log likelihood is ``e @ precision @ e / 2 - pull @ e`` with ``e`` the settled
    responses less `response`.

    Parameters
    ----------
    position, by_backlash
        Positions behind the backlash of the fit, %, and their derivative by it, shape (k,).
    response
        Settled responses of the fit, shares of the span, shape (k,).
    precision, pull
        Shape (k, k) and (k,).
    """

    position: Floats
    by_backlash: Floats
    response: Floats
    precision: Floats
    pull: Floats


@dataclass(frozen=True)
class Curves:
    """Descriptions of the settled curve that were followed to their best fit.

    Parameters
    ----------
    params
        The curve as `analysis.lever.fit.curve.cover` takes it, then the backlash; shape (p, m).
    covariance
        Shape (m, p, p).
    cost
        Minus the log posterior, up to a constant, shape (m,).
    """

    params: Floats
    covariance: NDArray[np.float64]
    cost: Floats


def settled_responses(fit: Fit, reading: float) -> Responses:
    """Reduce the record to the settled responses; everything else of the fit is integrated out.

    Parameters
    ----------
    fit
        The fitted model.
    reading
        Standard uncertainty of a noted or logged position, % of travel.
    """
    problem, params = fit.problem, fit.params
    course = fit.course
    position, by_backlash, shares, visits = _columns(course)
    effect = course.sensed(course.responses(shares))[:, course.nodes.samples]
    effect *= problem.root_weight * params[SPAN] * (1.0 + params[DRIFT] * problem.age)
    other = fit.jacobian[SETTLED:]
    prior = 1.0 / problem.width[SETTLED:] ** 2
    square = other @ other.T / fit.noise
    square[np.diag_indices_from(square)] += prior
    mixed = effect @ other.T / fit.noise
    lean = other @ fit.residual / fit.noise + prior * (problem.center - params)[SETTLED:]
    solved = np.linalg.solve(square, np.column_stack((mixed.T, lean)))
    precision = effect @ effect.T / fit.noise - mixed @ solved[:, :-1]
    pull = effect @ fit.residual / fit.noise - mixed @ solved[:, -1]
    response, by_position, _ = cover_slopes(position, params[CURVE])
    # A position that was set or read a little off shifts the response by the slope of the curve.
    blur = np.eye(position.size) + ((by_position * reading) ** 2 / visits)[:, None] * precision
    precision = precision @ np.linalg.inv(blur).astype(np.float64)
    pull = np.linalg.solve(blur.T, pull).astype(np.float64)
    return Responses(position, by_backlash, response, precision, pull)


def _columns(course: ModelCourse) -> tuple[Floats, Floats, Floats, Floats]:
    """Distinct positions behind the backlash: how much of each acts, how often it was set."""
    position, by_backlash, active = (
        course.behind.position,
        course.behind.by_backlash,
        course.nodes.active,
    )
    seen = np.unique(active)
    pairs = np.column_stack((np.round(position[seen], 6), by_backlash[seen]))
    distinct, which = np.unique(pairs, axis=0, return_inverse=True)
    if distinct.shape[0] <= MAX_COLUMNS:
        column = np.zeros(position.size, dtype=int)
        column[seen] = which.ravel()
        shares = (column[active] == np.arange(distinct.shape[0])[:, None]).astype(float)
        visits = np.bincount(which.ravel(), minlength=distinct.shape[0]).astype(float)
        return distinct[:, 0], distinct[:, 1], shares, visits
    low, high = float(position[seen].min()), float(position[seen].max())
    knots = np.linspace(low, high, max(2, math.ceil((high - low) / BIN_PCT) + 1))
    hats = np.vstack([np.interp(position, knots, unit) for unit in np.eye(knots.size)])
    both = np.vstack([hats * (by_backlash == side) for side in (-0.5, 0.5)])[:, active]
    used = both.any(axis=1)
    sides = np.repeat((-0.5, 0.5), knots.size)
    return np.tile(knots, 2)[used], sides[used], both[used], np.ones(int(used.sum()))


class _Search:
    """Minus the log posterior of the settled curve, for several descriptions at once."""

    def __init__(self, responses: Responses, fit: Fit, low: float, high: float) -> None:
        self.responses, self.low, self.high = responses, low, high
        self.backlash = float(fit.params[BACKLASH])
        problem = fit.problem
        count = FORM + RIPPLES + 1
        self.center, self.width = np.zeros(count), np.empty(count)
        self.center[[A, B]] = low, high
        self.center[[LOG_P, LOG_Q, -1]] = problem.center[[LOG_P, LOG_Q, BACKLASH]]
        self.width[:FORM] = problem.width[:FORM]
        self.width[FORM:-1] = ripple_prior(RIPPLES)
        self.width[-1] = problem.width[BACKLASH]

    def look(self, at: Floats) -> tuple[Floats, Floats, NDArray[np.float64]]:
        """Cost, downhill slope and curvature; shapes (m,), (m, p) and (m, p, p)."""
        given = self.responses
        position = given.position[:, None] + given.by_backlash[:, None] * (at[-1] - self.backlash)
        value, by_position, by = cover_slopes(position, at[:-1])
        error = (value - given.response[:, None]).T
        jacobian = np.concatenate((by, (by_position * given.by_backlash[:, None])[None]))
        jacobian = np.ascontiguousarray(jacobian.transpose(2, 0, 1))
        weighted = error @ given.precision
        scale = np.empty(at.shape)
        scale[:] = 1.0 / self.width[:, None] ** 2
        scale[A, at[A] < self.low] = 1.0 / BEYOND_PCT**2
        scale[B, at[B] > self.high] = 1.0 / BEYOND_PCT**2
        pull = self.center[:, None] - at
        cost = 0.5 * (weighted * error).sum(axis=1) - error @ given.pull
        cost += 0.5 * (scale * pull**2).sum(axis=0)
        slope = (jacobian @ (given.pull - weighted)[..., None])[..., 0] + (scale * pull).T
        hessian = jacobian @ given.precision @ jacobian.transpose(0, 2, 1)
        index = np.arange(at.shape[0])
        hessian[:, index, index] += scale.T
        return cost, slope, hessian

    def bounded(self, params: Floats) -> Floats:
        """Keep curves where they mean something."""
        kept = params.copy()
        kept[A] = np.minimum(np.maximum(kept[A], self.low - 4.0), self.high - 5.0)
        kept[B] = np.maximum(np.minimum(kept[B], self.high + 4.0), kept[A] + 2.0)
        kept[LOG_P : LOG_Q + 1] = np.minimum(np.maximum(kept[LOG_P : LOG_Q + 1], -1.2), 2.0)
        kept[-1] = np.abs(kept[-1])
        return kept


def settle_curves(responses: Responses, fit: Fit, low: float, high: float) -> Curves:
    """Follow every kind of curve to its best fit: damped Gauss-Newton steps, all kinds at once.

    Parameters
    ----------
    responses
        From `settled_responses`.
    fit
        The fit they come from.
    low, high
        Coldest and hottest position the lever stood at, %.
    """
    search = _Search(responses, fit, low, high)
    params = search.bounded(_starts(fit, low, high))
    diagonal = np.arange(params.shape[0])
    damping = np.full(params.shape[1], 1e-3)
    cost, slope, hessian = search.look(params)
    for _ in range(STEPS):
        damped = hessian.copy()
        damped[:, diagonal, diagonal] *= 1.0 + damping[:, None]
        step = np.linalg.solve(damped, slope[..., None])[..., 0].T
        trial = search.bounded(params + step)
        new_cost, new_slope, new_hessian = search.look(trial)
        better = new_cost <= cost
        gain = np.where(better, cost - new_cost, 0.0)
        params = np.where(better, trial, params)
        cost = np.where(better, new_cost, cost)
        slope = np.where(better[:, None], new_slope, slope)
        hessian = np.where(better[:, None, None], new_hessian, hessian)
        damping = np.where(better, np.maximum(damping / 10.0, 1e-6), damping * 10.0)
        if better.all() and gain.max() < 0.1:
            break
    covariance = np.linalg.inv(hessian).astype(np.float64)
    return Curves(params, covariance, cost)


def _starts(fit: Fit, low: float, high: float) -> Floats:
    """The fit's own curve, and one of each kind through its middle."""
    own = fit.params[CURVE]
    params = np.zeros((FORM + RIPPLES + 1, len(STARTS) + 1))
    params[: own.size, 0] = own
    both = np.stack((own, own), axis=1)
    first, last = crossing(np.array([0.15, 0.85]), both, low, high).tolist()
    for index, (log_p, log_q, early, late) in enumerate(STARTS, start=1):
        width = (last - first) / (late - early)
        begin = first - early * width
        params[:FORM, index] = begin, begin + width, log_p, log_q
    params[-1] = fit.params[BACKLASH]
    return params
