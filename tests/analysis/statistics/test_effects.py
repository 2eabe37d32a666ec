"""Differences of two groups against a published example and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.meta_analysis import effectsize_smd

from analysis.statistics.effects import Group, hedges, welch


def scalar(n: int, mean: float, sd: float) -> Group:
    return Group(np.array(float(n)), np.array(mean), np.array(sd**2))


def test_welch_on_two_countries_of_cars() -> None:
    # NIST/SEMATECH e-Handbook 1.3.5.3, AUTO83B.DAT: miles per gallon, 249 and 79 cars; t and
    # degrees of freedom without equal variances by scipy from the same file
    found = welch(scalar(249, 20.14457831, 6.41469934), scalar(79, 30.48101266, 6.10771005))
    assert float(found.value / found.u) == pytest.approx(-12.94627327, rel=1e-7)
    assert float(found.df) == pytest.approx(136.87498, rel=1e-6)
    assert float(found.p) == pytest.approx(1.57e-25, rel=0.01)


def test_welch_interval_agrees_with_scipy() -> None:
    random = np.random.default_rng(1)
    one, other = random.normal(10.0, 1.0, 6), random.normal(12.0, 4.0, 15)
    expected = stats.ttest_ind(one, other, equal_var=False)
    interval = expected.confidence_interval(0.95)
    found = welch(Group.of(one), Group.of(other))
    assert [float(found.low), float(found.high)] == pytest.approx([interval.low, interval.high])
    assert float(found.p) == pytest.approx(expected.pvalue)


def test_a_correction_that_both_share_widens_the_interval() -> None:
    one, other = scalar(10, 1.0, 1.0), scalar(10, 0.0, 1.0)
    assert float(welch(one, other, 0.3).u) == pytest.approx(np.sqrt(0.2 + 0.3))


def test_groups_that_cannot_be_compared_have_no_p() -> None:
    alone = Group(np.array([1.0, 4.0]), np.array([2.0, 2.0]), np.array([np.nan, 0.0]))
    other = Group(np.array([4.0, 4.0]), np.array([1.0, 1.0]), np.array([1.0, 0.0]))
    assert np.isnan(welch(alone, other).p).all()
    assert np.isnan(hedges(alone, other).g).all()


def test_hedges_g_agrees_with_statsmodels() -> None:
    # exact bias correction here, its usual approximation 1 - 3/(4 n - 9) there
    for n, m in ((5, 7), (20, 30), (3, 100)):
        found = hedges(scalar(n, 3.0, 1.5), scalar(m, 2.0, 1.2))
        g, variance = effectsize_smd(3.0, 1.5, n, 2.0, 1.2, m)
        assert float(found.g) == pytest.approx(g, rel=2e-3)
        assert float(found.high - found.g) == pytest.approx(1.959964 * np.sqrt(variance), rel=2e-3)


def test_hedges_bias_correction_of_a_small_sample() -> None:
    # J(10) = Gamma(5) / (sqrt(5) Gamma(4.5)) = 0.92275 (Hedges 1981, equation 6e; value computed)
    found = hedges(scalar(6, 1.0, 1.0), scalar(6, 0.0, 1.0))
    assert float(found.g) == pytest.approx(24.0 / (np.sqrt(5.0) * 11.631728396567448), rel=1e-12)


@pytest.mark.parametrize(("n", "m", "delta"), [(6, 6, 0.0), (8, 20, 1.0), (30, 30, 0.5)])
def test_intervals_cover_the_truth(n: int, m: int, delta: float) -> None:
    random = np.random.default_rng(5)
    trials = 2000
    one, other = random.normal(delta, 1.0, (trials, n)), random.normal(0.0, 1.0, (trials, m))
    groups = [
        Group(np.full(trials, float(x.shape[1])), x.mean(axis=1), x.var(axis=1, ddof=1))
        for x in (one, other)
    ]
    for found in (welch(*groups), hedges(*groups)):
        assert 0.93 < np.mean((found.low < delta) & (delta < found.high)) < 0.975
