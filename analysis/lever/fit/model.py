"""One model of everything the lever does: backlash, curve, lags, clock.

The backlash and the lag both make the closing sweep read warmer than the opening sweep. They are
told apart because a lag fades while the lever rests and backlash does not; so both belong in one
model, and what cannot be told apart shows as a correlation of the two in the covariance.
"""

from __future__ import annotations

import math
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.lever.fit.curve import cover_slopes, play
from analysis.lever.fit.lag import Lag, make_nodes
from analysis.signal.order_statistics import median
from ingest.arrays import Floats
from ingest.values import dataclass

A, B, LOG_P, LOG_Q, _, _, BACKLASH = range(7)
LOG_TAU, TAU_SLOPE, SLOW_SHARE, LOG_SLOW, LOG_SENSOR, CLOCK = range(7, 13)
BASE, SPAN, DRIFT, FIRST_INIT = range(13, 17)
"""Places of the parameters; one disturbance for the beginning of each stretch follows."""

MIN_STRETCH: Final = 0.03
"""No opening is faster than this share of the middle one's time constant."""

DELAY_S: Final = 0.3
DELAY_SHARE: Final = 0.04
"""Usual delay of a response that a first-order lag does not have: a hand's move, air and coolant on
their way, and a share of the time constant for lags in series."""

DELAY_U_S: Final = 0.25
DELAY_U_SHARE: Final = 0.05
"""Standard uncertainties of the two."""

CURVE: Final = slice(0, BACKLASH)
SETTLED: Final = BACKLASH + 1
"""Number of parameters of the settled curve, backlash included; they come first."""


def usual_delay(tau: float) -> tuple[float, float]:
    """Delay of a response of time constant `tau` beyond the lag's own, and its uncertainty, s."""
    return DELAY_S + DELAY_SHARE * tau, math.hypot(DELAY_U_S, DELAY_U_SHARE * tau)


@dataclass(frozen=True)
class Problem:
    """What the model is fitted to.

    Parameters
    ----------
    time, value
        Samples, s and shares of the span (about 0 to 1), shape (n,).
    weight
        Share of the record each sample stands for, about 1, shape (n,).
    starts
        First sample of each stretch of unchanged controls.
    moves, lever
        Times, s, and positions, %, that the lever took, in order; shape (k,).
    sensor_lag
        Time constant of the sensor, s, where it is known.
    center, width
        Prior of the parameters: mean and standard deviation.
    """

    time: Floats
    value: Floats
    weight: Floats
    starts: NDArray[np.intp]
    moves: Floats
    lever: Floats
    sensor_lag: float | None
    center: Floats
    width: Floats

    @cached_property
    def age(self) -> Floats:
        """Time in shares of the record about its middle, shape (n,)."""
        length = max(float(self.time[-1] - self.time[0]), 1.0)
        age: Floats = (self.time - 0.5 * (self.time[0] + self.time[-1])) / length
        return age

    @cached_property
    def pace(self) -> tuple[float, float]:
        """Usual step of the lever during the record, %, and the usual time between two, s.

        A step of 0 where it was moved less than twice.
        """
        seen = (self.moves > self.time[0]) & (self.moves < self.time[-1])
        if seen.sum() < 2:
            return 0.0, math.inf
        return median(np.abs(np.diff(self.lever[seen]))), median(np.diff(self.moves[seen]))

    @cached_property
    def root_weight(self) -> Floats:
        """Root of the weight, shape (n,)."""
        return np.sqrt(self.weight)

    @cached_property
    def precision(self) -> Floats:
        """Of the prior, shape (parameters,)."""
        return 1.0 / self.width**2


class ModelCourse:
    """The course of the response for one set of parameters, and how it changes with them.

    Parameters
    ----------
    problem, params
        The record and the parameters.
    """

    def __init__(self, problem: Problem, params: Floats) -> None:
        self.problem = problem
        self.params = params
        self.behind = play(problem.lever, float(params[BACKLASH]))
        target, self.by_position, self.by_curve = cover_slopes(self.behind.position, params[CURVE])
        self.nodes = make_nodes(problem.time, problem.starts, problem.moves + params[CLOCK])
        self.begin = self.nodes.starts
        self.wanted = target.take(self.nodes.active)
        # The heater's own lag. A core is heated by the coolant and cooled by the air, both in
        # proportion: its time constant falls in a straight line with the settled response.
        slope = float(params[TAU_SLOPE])
        self.stretch = np.maximum(1.0 + slope * (self.wanted - 0.5), MIN_STRETCH)
        self.bend = slope / self.stretch
        self.rate = math.exp(-params[LOG_TAU]) / self.stretch
        self.fast = Lag(self.nodes, self.rate)
        settled = self.wanted[self.begin]
        disturbed = settled + params[FIRST_INIT:]
        self.prompt = self.fast.run(self.fast.fresh * self.wanted, disturbed)
        # a share that comes late, through the metal
        self.share = float(params[SLOW_SHARE])
        self.slow_rate = math.exp(-params[LOG_SLOW])
        self.slow = Lag(self.nodes, self.slow_rate)
        self.late = self.slow.run(self.slow.fresh * self.wanted, settled)
        known = problem.sensor_lag
        self.sensor: Lag | None = None
        if known != 0.0:
            self.sensor_rate = 1.0 / known if known else math.exp(-params[LOG_SENSOR])
            self.sensor = Lag(self.nodes, self.sensor_rate)
        self.air: Floats = (1.0 - self.share) * self.prompt + self.share * self.late
        self.read = self.sensed(self.air)
        self.trend = 1.0 + params[DRIFT] * problem.age

    @property
    def model(self) -> Floats:
        """The model at the samples, shape (n,)."""
        read = self.read.take(self.nodes.samples)
        model: Floats = self.params[BASE] + self.params[SPAN] * self.trend * read
        return model

    def faded(self, lag: Lag, response: Floats) -> Floats:
        """What a relative change of a lag's rate changes between each node and the next."""
        change = np.zeros_like(response)
        change[1:] = (lag.spans * lag.decay)[1:] * (self.wanted[1:] - response[:-1])
        return change

    def responses(self, shares: Floats) -> Floats:
        """Response at the nodes, before the sensor, to changes of the settled response in force.

        Parameters
        ----------
        shares
            Change of the settled response in force at each node, shape (p, m).
        """
        prompt = self.fast.fresh - self.bend * self.faded(self.fast, self.prompt)
        begin = shares[:, self.begin]
        response = (1.0 - self.share) * self.fast.run(shares * prompt, begin)
        response += self.share * self.slow.run(shares * self.slow.fresh, begin)
        return response

    def sensed(self, responses: Floats) -> Floats:
        """What the sensor makes of responses at the nodes, shape (..., m)."""
        if self.sensor is None:
            return responses
        return self.sensor.filter(responses, responses[..., self.begin])

    def slopes(self) -> Floats:
        """Derivatives of the model at the samples, shape (number of parameters, n)."""
        params, nodes = self.params, self.nodes
        mixed = self._by_air()
        response = self.sensed(mixed)
        # a disturbance from before the first sample does not move with the lever's clock
        old = params[FIRST_INIT:]
        speed = self._speed(self.air, self.read) - self._speed_of_old(
            old @ mixed[11:], old @ response[11:]
        )

        pick, age = nodes.samples, self.problem.age
        read = self.read.take(pick)
        gain = params[SPAN] * self.trend
        answers = response.take(pick, axis=1)
        answers *= gain
        jacobian = np.empty((FIRST_INIT + self.begin.size, pick.size))
        jacobian[:SETTLED] = answers[:7]
        jacobian[LOG_TAU:LOG_SENSOR] = answers[7:11]
        jacobian[LOG_SENSOR] = self._by_log_sensor(gain)
        jacobian[CLOCK] = -gain * speed.take(pick)
        jacobian[BASE] = 1.0
        jacobian[SPAN] = self.trend * read
        jacobian[DRIFT] = params[SPAN] * age * read
        jacobian[FIRST_INIT:] = answers[11:]
        return jacobian

    def _by_air(self) -> Floats:
        """Derivatives of the air at the nodes, before the sensor, shape (11 + stretches, m).

        By the settled curve's parameters, by the log of the time constant, by that one's slope, by
        the late share, by the log of its time constant, and by every disturbance.
        """
        by_settled = np.empty((SETTLED, self.by_position.size))
        by_settled[:-1] = self.by_curve
        np.multiply(self.by_position, self.behind.by_backlash, out=by_settled[-1])
        shares = by_settled.take(self.nodes.active, axis=1)
        faded = self.faded(self.fast, self.prompt)
        stretches, size = self.begin.size, self.rate.size
        begin = np.zeros((11 + stretches, stretches))
        begin[:7] = shares[:, self.begin]
        begin[np.arange(11, 11 + stretches), np.arange(stretches)] = 1.0
        forcing = np.zeros((11 + stretches, size))
        np.multiply(shares, self.fast.fresh - self.bend * faded, out=forcing[:7])
        np.negative(faded, out=forcing[7])
        forcing[8] = forcing[7] * (self.wanted - 0.5) / self.stretch
        mixed = self.fast.run(forcing, begin)
        mixed *= 1.0 - self.share
        late = np.empty((8, size))
        np.multiply(shares, self.slow.fresh, out=late[:7])
        np.negative(self.faded(self.slow, self.late), out=late[7])
        late = self.slow.run(late, begin[:8])
        late *= self.share
        mixed[:7] += late[:7]
        np.subtract(self.late, self.prompt, out=mixed[9])
        mixed[10] = late[7]
        return mixed

    def _speed(self, air: Floats, read: Floats) -> Floats:
        """Rate of change of the reading at the nodes, 1/s."""
        if self.sensor is not None:
            return (air - read) * self.sensor_rate
        prompt: Floats = (1.0 - self.share) * self.rate * (self.wanted - self.prompt)
        return prompt + self.share * self.slow_rate * (self.wanted - self.late)

    def _speed_of_old(self, air: Floats, read: Floats) -> Floats:
        """The same of what is left of a disturbance from before the first sample."""
        fading: Floats = (
            -air * self.rate if self.sensor is None else (air - read) * self.sensor_rate
        )
        return fading

    def _by_log_sensor(self, gain: Floats) -> Floats | float:
        """Derivative of the model by the log of the sensor's time constant; 0 where it is known."""
        if self.sensor is None or self.problem.sensor_lag is not None:
            return 0.0
        away = self.sensor.filter(self.air - self.read, np.zeros(self.begin.size))
        slope: Floats = -gain * away[self.nodes.samples]
        return slope
