"""The ends of the settled curve: their definition carried through by Monte Carlo (JCGM 101)."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.lever.fit.curve import cover
from analysis.lever.fit.ends import find_ends
from analysis.lever.fit.settled import Curves
from ingest.arrays import Floats

U = np.array([0.8, 0.7, 0.05, 0.06, 0.6])
"""Standard uncertainties of both flat ends (%), two logarithms of form and the backlash (%)."""


def described(a: float, b: float, backlash: float) -> tuple[Floats, Floats]:
    """A curve and its covariance; the first flat end and the backlash were told apart badly."""
    correlation = np.eye(U.size)
    correlation[0, 4] = correlation[4, 0] = -0.5
    params = np.array([a, b, np.log(1.3), np.log(1.1), backlash])
    return params, correlation * np.outer(U, U)


def one(a: float, b: float, backlash: float) -> Curves:
    params, covariance = described(a, b, backlash)
    return Curves(params[:, None], covariance[None], np.zeros(1))


def by_definition(params: Floats, low: float, high: float, side: float) -> Floats:
    """Where 2.5 and 97.5 % of what the backlash lets the door do are covered, on the lever."""
    half = params[-1] / 2.0
    at = np.linspace(low + half, high - half, 801)
    covered = cover(at, params[:-1])
    begin, end = covered[0], covered[-1]
    places = [np.interp(begin + share * (end - begin), covered, at) for share in (0.025, 0.975)]
    cold, hot = (place + side * params[-1] for place in places)
    return np.array([cold - low, high - hot, params[-1]])


@pytest.mark.parametrize("side", [0.5, -0.5])
def test_ends_and_their_uncertainty_are_the_definition_s(side: float) -> None:
    params, covariance = described(12.0, 86.0, 6.0)
    rng = np.random.default_rng(2)
    drawn = rng.multivariate_normal(params, covariance, 2000)
    truth = np.array([by_definition(each, 0.0, 100.0, side) for each in drawn])
    found = find_ends(one(12.0, 86.0, 6.0), 0.0, 100.0, side, 0.4)
    assert found.value == pytest.approx(truth.mean(axis=0), abs=0.1)
    spread = np.cov(truth.T)
    noted = 0.4**2 / 2.0  # each end rests on two noted positions
    for at in ((0, 0), (1, 1), (2, 2)):
        assert found.covariance[at] - noted == pytest.approx(spread[at], rel=0.1)
    assert found.covariance[0, 1] == pytest.approx(spread[0, 1], abs=0.05)
    assert found.flat == pytest.approx((12.0 - 3.0, 100.0 - 3.0 - 86.0))
    assert found.flat_u == pytest.approx((0.8, 0.7))


def test_what_the_backlash_may_hide_of_the_curve_is_a_rectangle() -> None:
    """Moved both ways and no flat end in sight: the door may go on for half the backlash (3 %).

    A quarter of it is taken off, its width stands in the variance (JCGM 100:2008, 4.3.7).
    """
    curve = one(1.0, 99.5, 6.0)
    plain = find_ends(curve, 0.0, 100.0, 1e-12, 0.0)
    found = find_ends(curve, 0.0, 100.0, 0.0, 0.0)
    hidden = 4.0 * (plain.value - found.value)[:2]
    assert (hidden > 1.0).all()
    assert (hidden <= 3.0).all()
    more = np.diag(found.covariance - plain.covariance)[:2]
    assert more == pytest.approx(hidden**2 / 12.0, rel=1e-6)
    assert found.value[2] == plain.value[2]


def test_a_flat_end_that_shows_hides_nothing() -> None:
    curve = one(12.0, 86.0, 6.0)
    both, opened = (find_ends(curve, 0.0, 100.0, side, 0.0) for side in (0.0, 1e-12))
    assert both.value == pytest.approx(opened.value, abs=0.01)


def test_descriptions_count_by_their_evidence_and_their_disagreement_is_uncertainty() -> None:
    """Two curves 8 % apart, equally good: the mean, and half their distance on top."""
    (params, covariance), (other, _) = described(10.0, 86.0, 6.0), described(18.0, 86.0, 6.0)
    both = Curves(np.column_stack([params, other]), np.stack([covariance] * 2), np.zeros(2))
    alone = find_ends(one(10.0, 86.0, 6.0), 0.0, 100.0, 0.5, 0.0)
    second = find_ends(one(18.0, 86.0, 6.0), 0.0, 100.0, 0.5, 0.0)
    found = find_ends(both, 0.0, 100.0, 0.5, 0.0)
    assert found.value[0] == pytest.approx(0.5 * (alone.value[0] + second.value[0]), abs=0.1)
    apart = second.value[0] - alone.value[0]
    inside = 0.5 * (alone.covariance[0, 0] + second.covariance[0, 0])
    assert found.covariance[0, 0] == pytest.approx(inside + apart**2 / 4.0, rel=0.02)
    # e^-5 of the evidence: hardly anything
    worse = find_ends(Curves(both.params, both.covariance, np.array([0.0, 5.0])), 0.0, 100.0, 0.5,
                      0.0)  # fmt: skip
    assert worse.value[0] == pytest.approx(alone.value[0] + apart * np.exp(-5.0), abs=0.02)
