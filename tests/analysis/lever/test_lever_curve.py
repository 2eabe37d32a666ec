"""Backlash and settled curve of the lever."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from analysis.lever.fit.curve import cover, cover_slopes, crossing, play, ripple_prior


def curve(a: float, b: float, p: float = 1.0, q: float = 1.0, *ripples: float) -> np.ndarray:
    return np.array([a, b, np.log(p), np.log(q), *ripples])


def test_moved_part_follows_only_once_the_backlash_is_taken_up():
    # by hand: backlash 4, lever from 100 (moved part at 98) down, up a little, up more
    followed = play(np.array([100.0, 97.0, 90.0, 93.0, 95.0, 60.0]), 4.0)
    assert followed.position.tolist() == [98.0, 98.0, 92.0, 92.0, 93.0, 62.0]
    assert followed.by_backlash.tolist() == [-0.5, -0.5, 0.5, 0.5, -0.5, 0.5]


def test_backlash_derivative_is_what_a_little_more_backlash_does():
    lever = np.array([0.0, 30.0, 70.0, 65.0, 20.0, 100.0, 50.0])
    here, more = play(lever, 5.0), play(lever, 5.001)
    np.testing.assert_allclose((more.position - here.position) / 0.001, here.by_backlash, atol=1e-9)


def test_straight_curve_is_straight_between_flat_ends():
    at = np.array([0.0, 5.0, 20.0, 50.0, 80.0, 95.0, 100.0])
    expected = np.clip((at - 10.0) / 80.0, 0.0, 1.0)
    np.testing.assert_allclose(cover(at, curve(10.0, 90.0)), expected, atol=1e-3)


@pytest.mark.parametrize(
    "params",
    [
        curve(8.0, 93.0, 1.6, 2.2, 0.01, -0.02),
        curve(30.0, 70.0, 0.7, 1.0, 0.0, 0.0),
        curve(-1.0, 101.0, 2.5, 0.8, 0.005, 0.004),
    ],
)
def test_derivatives_of_the_curve(params):
    at = np.linspace(1.0, 99.0, 37)
    value, by_position, by = cover_slopes(at, params)
    np.testing.assert_allclose(value, cover(at, params), atol=1e-6)
    small = 1e-5
    numeric = (cover(at + small, params) - cover(at - small, params)) / (2 * small)
    np.testing.assert_allclose(by_position, numeric, atol=1e-5)
    for index in range(params.size):
        more, less = params.copy(), params.copy()
        more[index] += small
        less[index] -= small
        numeric = (cover(at, more) - cover(at, less)) / (2 * small)
        np.testing.assert_allclose(by[index], numeric, atol=2e-5)


def test_several_curves_at_once_are_each_its_own():
    one, two = curve(5.0, 90.0, 1.5, 1.2, 0.01), curve(20.0, 99.0, 0.9, 2.0, -0.01)
    at = np.array([10.0, 40.0, 80.0])
    both = cover(at[:, None], np.column_stack((one, two)))
    np.testing.assert_allclose(both, np.column_stack((cover(at, one), cover(at, two))))


@pytest.mark.parametrize(("level", "expected"), [(0.025, 12.0), (0.5, 50.0), (0.975, 88.0)])
def test_crossing_of_a_straight_curve(level, expected):
    found = crossing(level, curve(10.0, 90.0)[:, None], 0.0, 100.0)
    assert found[0] == pytest.approx(expected, abs=0.1)


def test_crossing_counts_only_what_the_slot_lets_the_lever_reach():
    # half the curve lies before the slot: 2.5 % of the other half
    found = crossing(0.025, curve(-50.0, 50.0)[:, None], 0.0, 100.0)
    assert found[0] == pytest.approx(1.25, abs=0.1)


def test_flat_end_found_in_a_published_segmented_regression():
    """SAS/STAT PROC NLIN, "Segmented Model": a quadratic up to a plateau.

    Data from the example's program; x0 = 12.747669, plateau = 0.7774974, SSE = 0.01006599 (x0 and
    plateau as SAS prints them, from memory; all three recomputed independently with scipy).
    """
    x = np.array([1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 13, 15, 16], dtype=float)
    y = np.array([46, 47, 57, 61, 62, 68, 69, 78, 70, 74, 77, 78, 74, 80, 80, 78]) / 100.0
    scale = 5.0  # % of travel a unit of x, so that the rounded corners are small

    def residual(params: np.ndarray) -> np.ndarray:
        start, plateau, end = params
        # p = 1, q = 2 is 1 - (1 - z)^2: a parabola with its vertex at the flat end
        return start + (plateau - start) * cover(scale * x, curve(0.0, scale * end, 1.0, 2.0)) - y

    found = least_squares(residual, [0.4, 0.8, 11.0])
    assert found.x[2] == pytest.approx(12.747669, abs=0.05)
    assert found.x[1] == pytest.approx(0.7774974, abs=5e-4)
    assert 2.0 * found.cost == pytest.approx(0.01006599, rel=2e-3)


@pytest.mark.parametrize(
    "shape",
    [
        lambda z: z,
        lambda z: z * z * (3.0 - 2.0 * z),
        lambda z: 0.5 * (1.0 - np.cos(np.pi * z)),
        lambda z: (20.0**z - 1.0) / 19.0,
        lambda z: 4.0 * z / (1.0 + 3.0 * z),
        lambda z: np.where(z < 0.4, 0.75 * z, 0.3 + 0.7 * (z - 0.4) / 0.6),
    ],
)
def test_ripples_allow_for_what_real_characteristics_leave(shape):
    z = np.linspace(0.0, 1.0, 201)
    at = 100.0 * z
    fitted = least_squares(
        lambda pq: cover(at, curve(0.0, 100.0, np.exp(pq[0]), np.exp(pq[1]))) - shape(z), [0.1, 0.1]
    )
    left = -fitted.fun
    coefficients = [2.0 * np.trapezoid(left * np.sin(n * np.pi * z), z) for n in range(2, 8)]
    assert np.all(np.abs(coefficients) < 2.0 * ripple_prior(6))
