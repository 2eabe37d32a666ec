"""Fits the model of the lever to a record: Gauss-Newton steps, held back by the prior.

The noise of the outlet is correlated (fluctuations, thermostat, what the model does not know), so
that a sample carries less than it seems; the likelihood is tempered by the number of samples that
carry the information of one, estimated from the residual at every step.
"""

from __future__ import annotations

import math
from dataclasses import field
from functools import cached_property
from typing import Final

import numpy as np

from analysis.lever.data import LeverData
from analysis.lever.fit.curve import ripple_prior
from analysis.lever.fit.model import (
    BACKLASH,
    BASE,
    CLOCK,
    DRIFT,
    FIRST_INIT,
    LOG_P,
    LOG_Q,
    LOG_SENSOR,
    LOG_SLOW,
    LOG_TAU,
    SLOW_SHARE,
    SPAN,
    TAU_SLOPE,
    A,
    B,
    ModelCourse,
    Problem,
)
from analysis.lever.fit.start import Start
from analysis.uncertainty import effective_size
from ingest.arrays import Floats
from ingest.values import dataclass

MAX_STEPS: Final = 14
CONVERGED: Final = 0.1
"""The fit ends where a step lowers minus the log posterior by less than this, or promises to."""

MIN_CAUTION: Final = 1.0
CAREFUL: Final = 5.0
BOLD: Final = 0.5
GOOD: Final = 0.5
"""A step that made things worse is tried again with the prior counting so many times; one that kept
a good part of its promise makes the next bolder."""

SAME_NOISE: Final = 0.9
"""Noise that a step lowers further than to this share makes the next one worth taking."""

NEAR: Final = 3.0
FAR_LONGEST: Final = 3.0
LONGEST: Final = 50.0
"""Samples that may carry the information of one: few until a step promises less than `NEAR`,
since what a bad guess leaves is no noise and would give the prior too much say."""

BEYOND_PCT: Final = 1.5
"""The curve may begin this far (k = 1) beyond the ends of the slot, % of travel: further out it
cannot be told from a curve of another shape that begins there."""

MIN_SCATTER: Final = 5e-4
"""Scatter that is always assumed, in shares of the span: no sensor and no door is better."""

PRIOR: Final = {
    # mean and standard deviation before anything is measured
    LOG_P: (0.25, 0.5),  # from a quick-opening to an equal-percentage valve
    LOG_Q: (0.25, 0.5),
    BACKLASH: (0.0, 6.0),
    LOG_TAU: (math.log(8.0), 1.2),
    TAU_SLOPE: (0.0, 0.8),  # a water valve that lets little through is slow
    SLOW_SHARE: (0.0, 0.2),
    LOG_SLOW: (math.log(70.0), 0.7),
    LOG_SENSOR: (math.log(1.5), 0.7),  # a bare thermocouple in moving air
    BASE: (0.0, 1.0),
    SPAN: (1.0, 1.0),
}
INIT_WIDTH: Final = 0.3
END_WIDTH_PCT: Final = 25.0

LIMITS: Final = (
    (LOG_P, -1.5, 2.0),
    (LOG_Q, -1.5, 2.0),
    (BACKLASH, 0.0, 60.0),
    (LOG_TAU, math.log(0.2), math.log(300.0)),
    (TAU_SLOPE, -1.9, 1.9),
    (SLOW_SHARE, -0.6, 0.8),
    (LOG_SLOW, math.log(5.0), math.log(600.0)),
    (LOG_SENSOR, math.log(0.05), math.log(40.0)),
    (CLOCK, -45.0, 45.0),
)


@dataclass(frozen=True)
class Fit:
    """The fitted model.

    Parameters
    ----------
    problem
        What it was fitted to.
    params
        In the order of the places in `analysis.lever.fit.model`.
    covariance
        Of the parameters.
    residual
        What is left, times the root of the weight, shape (n,).
    noise
        Variance of a sample times the number of samples that carry the information of one.
    scatter
        Standard deviation of the residual.
    scale
        What a change of 1 is in the unit of the record.
    course, jacobian
        The model at these parameters, and its derivatives times the root of the weight.
    """

    problem: Problem
    params: Floats
    covariance: Floats
    residual: Floats
    noise: float
    scatter: float
    scale: float
    course: ModelCourse = field(repr=False)
    jacobian: Floats = field(repr=False)

    def u(self, index: int) -> float:
        """Standard uncertainty of a parameter."""
        return math.sqrt(max(float(self.covariance[index, index]), 0.0))

    def cost(self, noise: float) -> float:
        """Minus the log posterior for a given noise in the record's unit, up to a constant."""
        pull = (self.params - self.problem.center) / self.problem.width
        square = float(self.residual @ self.residual) * self.scale**2
        return 0.5 * square / noise + 0.5 * float(pull @ pull)


def make_problem(
    data: LeverData,
    start: Start,
    *,
    sensor_lag: float | None,
    clock: tuple[float, float],
    drift: float,
) -> Problem:
    """Scale a record to its span and set the prior.

    Parameters
    ----------
    data
        The record.
    start
        Rough description, for the scale.
    sensor_lag
        Time constant of the sensor, s, where it is known.
    clock
        Mean and standard deviation of the clock offset, s.
    drift
        Standard deviation of the change of the span during the record, as a share.
    """
    value = data.value / start.change
    value = value - float(np.partition(value, value.size // 50)[value.size // 50])
    size = FIRST_INIT + data.starts.size
    center, width = np.zeros(size), np.full(size, INIT_WIDTH)
    for index, (mean, deviation) in PRIOR.items():
        center[index], width[index] = mean, deviation
    lever = data.positions
    center[[A, B]] = lever.min(), lever.max()
    width[[A, B]] = END_WIDTH_PCT
    width[LOG_Q + 1 : BACKLASH] = ripple_prior(BACKLASH - LOG_Q - 1)
    center[CLOCK], width[CLOCK] = clock
    width[DRIFT] = drift
    path = data.path
    return Problem(
        data.time,
        value,
        data.weight,
        data.starts,
        path.moves,
        path.lever,
        sensor_lag,
        center,
        width,
    )


def first_guess(problem: Problem, start: Start) -> Floats:
    """Parameters to begin the fit with."""
    params = problem.center.copy()
    params[A], params[B] = start.a, start.b
    params[LOG_TAU] = math.log(start.tau)
    backlash = start.backlash / max(abs(start.change), 1e-12) * (start.b - start.a)
    params[BACKLASH] = min(max(backlash, 0.5), 20.0)
    params[CLOCK] = start.clock
    return params


def fit(problem: Problem, start: Floats, scatter: float, scale: float = 1.0) -> Fit:
    """Fit the model.

    Parameters
    ----------
    problem
        Data and prior.
    start
        Where to begin.
    scatter
        First guess of the standard deviation of the residual.
    scale
        What a change of 1 is in the unit of the record.
    """
    state = _State(problem, start.copy())
    noise = max(2.0 * scatter, 4.0 * MIN_SCATTER) ** 2
    caution, near = 0.0, False
    for _ in range(MAX_STEPS):
        step, promised = state.step(noise)
        if not near and promised < NEAR:
            near, noise = True, _noise(state.residual, LONGEST)
            step, promised = state.step(noise)
        if caution and not (near and promised < CONVERGED):
            step, promised = state.step(noise, caution)
        if near and promised < CONVERGED:
            break
        trial = _State(problem, _inside(state.params + step))
        gained = state.cost(noise) - trial.cost(noise)
        if gained < 0.0:
            caution = max(caution * CAREFUL, MIN_CAUTION)
            continue
        if gained > GOOD * promised:
            caution = caution * BOLD if caution > BOLD * MIN_CAUTION else 0.0
        state = trial
        before, noise = noise, _noise(state.residual, LONGEST if near else FAR_LONGEST)
        if near and gained < CONVERGED and noise > SAME_NOISE * before:
            break
    residual = state.residual
    noise = _noise(residual, LONGEST)
    return Fit(
        problem,
        state.params,
        np.linalg.inv(state.curvature(noise)).astype(np.float64),
        residual,
        noise,
        math.sqrt(float(residual @ residual) / residual.size),
        scale,
        state.course,
        state.jacobian,
    )


class _State:
    """The model at one set of parameters."""

    def __init__(self, problem: Problem, params: Floats) -> None:
        self.params = params
        self.course = ModelCourse(problem, params)
        self.residual = problem.root_weight * (problem.value - self.course.model)
        self.pull = problem.center - params
        self.precision = problem.precision.copy()
        if self.pull[A] > 0.0:
            self.precision[A] = 1.0 / BEYOND_PCT**2
        if self.pull[B] < 0.0:
            self.precision[B] = 1.0 / BEYOND_PCT**2
        self._square = float(self.residual @ self.residual)
        self._prior = 0.5 * float(self.precision @ self.pull**2)

    @cached_property
    def jacobian(self) -> Floats:
        """Derivatives of the model by the parameters, times the root of the weight."""
        jacobian = self.course.slopes()
        jacobian *= self.course.problem.root_weight
        return jacobian

    @cached_property
    def _likely(self) -> tuple[Floats, Floats]:
        return self.jacobian @ self.jacobian.T, self.jacobian @ self.residual

    def cost(self, noise: float) -> float:
        """Minus the log posterior, up to a constant."""
        return 0.5 * self._square / noise + self._prior

    def curvature(self, noise: float) -> Floats:
        """Second derivatives of the cost."""
        hessian = self._likely[0] / noise
        hessian.ravel()[:: self.params.size + 1] += self.precision
        return hessian

    def step(self, noise: float, caution: float = 0.0) -> tuple[Floats, float]:
        """A step and by how much it would lower the cost of a straight model.

        The prior is taken `caution` times more seriously: where the record says much, such a step
        is as long as any; where it says little, and a model that is not straight leads furthest
        astray, it is short. Backlash that is nothing already gets no less.
        """
        hessian = self.curvature(noise)
        hessian.ravel()[:: self.params.size + 1] += caution * self.precision
        way: Floats = self._likely[1] / noise + self.precision * self.pull
        if self.params[BACKLASH] <= 0.0 and way[BACKLASH] < 0.0:
            hessian[BACKLASH] = hessian[:, BACKLASH] = way[BACKLASH] = 0.0
            hessian[BACKLASH, BACKLASH] = 1.0
        step = np.linalg.solve(hessian, way).astype(np.float64, copy=False)
        return step, 0.5 * float(way @ step)


def _noise(residual: Floats, longest: float) -> float:
    """Variance of the residual times the number of samples that carry the information of one."""
    together = longest
    if longest > FAR_LONGEST:
        together = min(residual.size / effective_size(residual), longest)
    variance = float(residual @ residual) / residual.size
    return max(variance * together, MIN_SCATTER**2)


def _inside(wanted: Floats) -> Floats:
    """Keep a step where the model means something."""
    kept = wanted.copy()
    kept[A] = min(max(kept[A], -10.0), 95.0)
    kept[B] = max(min(kept[B], 110.0), kept[A] + 2.0)
    for index, least, most in LIMITS:
        kept[index] = min(max(kept[index], least), most)
    return kept
