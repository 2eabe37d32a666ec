"""The model of the lever against finite differences and a heater stepped through time."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.lever.fit.model import (
    BACKLASH,
    CLOCK,
    LOG_SENSOR,
    LOG_TAU,
    SLOW_SHARE,
    SPAN,
    TAU_SLOPE,
    ModelCourse,
    Problem,
)
from tests.support.signals.lever_cars import STEP_S, Door, Lags, response, sweep


def make_problem(sensor_lag: float | None, *, stretches: int = 1) -> Problem:
    moves, lever = np.array(sweep(20.0, 25.0)).T
    moves[0] = -100.0
    time = np.arange(20.0, 360.0, 1.3)
    starts = np.array([0]) if stretches == 1 else np.array([0, time.size // 2])
    nothing = np.zeros(16 + stretches)
    one = np.ones(time.size)
    return Problem(time, 0.0 * one, one, starts, moves, lever, sensor_lag, nothing, nothing + 1.0)


def some_params(stretches: int = 1) -> np.ndarray:
    params = np.zeros(16 + stretches)
    params[:7] = 7.0, 94.0, 0.3, 0.5, 0.01, -0.005, 3.0
    params[LOG_TAU], params[TAU_SLOPE] = np.log(9.0), -0.7
    params[SLOW_SHARE], params[SLOW_SHARE + 1] = 0.12, np.log(60.0)
    params[LOG_SENSOR], params[CLOCK] = np.log(2.0), 0.45
    params[CLOCK + 1 : CLOCK + 4] = 0.02, 0.97, 0.05
    params[16:] = 0.1
    return params


@pytest.mark.parametrize("sensor_lag", [None, 2.5, 0.0])
@pytest.mark.parametrize("stretches", [1, 2])
def test_derivatives(sensor_lag, stretches):
    problem, params = make_problem(sensor_lag, stretches=stretches), some_params(stretches)
    jacobian = ModelCourse(problem, params).slopes()
    for index in range(params.size):
        small = 1e-5 if index != CLOCK else 1e-3
        more, less = params.copy(), params.copy()
        more[index] += small
        less[index] -= small
        up, down = (ModelCourse(problem, each).model for each in (more, less))
        numeric = (up - down) / (2 * small)
        # what the sensor sees is taken as straight between nodes, so shifting them is not exact
        tolerance = 0.02 if index in (CLOCK, LOG_SENSOR) else 1e-4
        scale = max(float(np.abs(numeric).max()), 1e-3)
        np.testing.assert_allclose(
            jacobian[index], numeric, atol=tolerance * scale, rtol=0, err_msg=f"parameter {index}"
        )


@pytest.mark.parametrize("sensor_lag", [None, 2.5, 0.0])
@pytest.mark.parametrize("stretches", [1, 2])
def test_response_to_a_change_of_what_is_settled(sensor_lag, stretches):
    """What `responses` says of a small change of the curve, against the course stepped twice."""
    problem, params = make_problem(sensor_lag, stretches=stretches), some_params(stretches)
    for index in range(2, 6):  # the curve's shape
        more, less = params.copy(), params.copy()
        more[index] += 1e-5
        less[index] -= 1e-5
        up, down = (ModelCourse(problem, each) for each in (more, less))
        course = ModelCourse(problem, params)
        wanted = (up.wanted - down.wanted) / 2e-5
        numeric = (up.read - down.read) / 2e-5
        found = course.sensed(course.responses(wanted[None, :]))[0]
        np.testing.assert_allclose(
            found, numeric, atol=1e-4 * max(float(np.abs(numeric).max()), 1e-3), rtol=0
        )


@pytest.mark.parametrize(
    "lags",
    [
        Lags(3.0, 3.0, 0.0, 60.0, 2.0),
        Lags(3.0, 3.0, 0.15, 60.0, 0.0),
        Lags(50.0, 10.0, 0.0, 60.0, 3.0),
    ],
)
def test_model_is_the_heater_stepped_through_time(lags):
    door = Door("straight", 8.0, 90.0, 4.0)
    problem = make_problem(lags.sensor)
    params = np.zeros(17)
    params[:2], params[BACKLASH] = (door.a, door.b), door.backlash
    params[SPAN] = 1.0
    middle = 0.5 * (lags.closed + lags.open)
    params[LOG_TAU], params[TAU_SLOPE] = np.log(middle), (lags.open - lags.closed) / middle
    params[SLOW_SHARE], params[SLOW_SHARE + 1] = lags.late_share, np.log(lags.late)
    model = ModelCourse(problem, params).model
    fine = np.arange(0.0, 400.0, STEP_S)
    place = np.searchsorted(problem.moves, fine, side="right") - 1
    stepped = response(door, lags, problem.lever[place])
    expected = np.interp(problem.time, fine, stepped)
    np.testing.assert_allclose(model, expected, atol=0.012)
    assert np.sqrt(np.mean((model - expected) ** 2)) < 0.004
