"""Shrinkage of group means against a published example, a reference library and truth."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from analysis.statistics.shrinkage import between_variance, shrink

# Efron and Morris, "Stein's paradox in statistics", Scientific American 236 (1977) 119: batting
# averages of 18 players after 45 times at bat (data and estimates from memory)
BATTING = np.array(
    [
        *(0.400, 0.378, 0.356, 0.333, 0.311, 0.311, 0.289, 0.267, 0.244),
        *(0.244, 0.222, 0.222, 0.222, 0.222, 0.222, 0.200, 0.178, 0.156),
    ]
)
PUBLISHED = [
    *(0.294, 0.289, 0.285, 0.280, 0.275, 0.275, 0.270, 0.266, 0.261),
    *(0.261, 0.256, 0.256, 0.256, 0.256, 0.256, 0.252, 0.247, 0.242),
]


def test_published_batting_averages() -> None:
    mean = BATTING.mean()
    found = shrink(BATTING, np.full(18, mean * (1.0 - mean) / 45.0))
    assert found.mean.round(3) == pytest.approx(PUBLISHED, abs=1e-9)


def test_the_uncertainty_is_morris_s_where_all_groups_are_known_alike() -> None:
    """Morris, J. Amer. Stat. Assoc. 78 (1983) 47, from memory: of k means with one variance V,
    drawn towards their mean by a share B, V (1 - B (k - 1) / k) + 2 / (k - 3) B^2 away^2."""
    means = np.array([1.0, 2.0, 4.0, 7.0, 9.0, 3.0])
    k, variance = means.size, 3.0
    found = shrink(means, np.full(k, variance))
    away = means - means.mean()
    share = 1.0 - (found.mean - found.center) / away
    np.testing.assert_allclose(share, share[0])
    expected = variance * (1.0 - share * (k - 1) / k) + 2.0 / (k - 3) * share**2 * away**2
    np.testing.assert_allclose(found.u**2, expected)


def test_between_variance_agrees_with_statsmodels() -> None:
    random = np.random.default_rng(2)
    for k in (3, 8, 40):
        variances = random.uniform(0.2, 3.0, k)
        means = random.normal(5.0, 2.0, k) + random.normal(0.0, np.sqrt(variances))
        expected = combine_effects(means, variances, method_re="iterated").tau2
        assert between_variance(means, variances) == pytest.approx(expected, rel=1e-4, abs=1e-6)


def test_groups_that_scatter_by_chance_alone_fall_together() -> None:
    found = shrink(np.array([1.0, 1.1, 0.9, 1.05, 0.95]), np.full(5, 1.0))
    assert found.between == 0.0
    assert np.ptp(found.mean) < 0.12  # Morris' correction keeps half of 0.2


def test_small_groups_are_drawn_more() -> None:
    means = np.array([0.0, 10.0, 20.0, 30.0, 30.0])
    found = shrink(means, np.array([1.0, 1.0, 1.0, 1.0, 40.0]))
    assert means[4] - found.mean[4] > 3.0 * (means[3] - found.mean[3]) > 0.0


@pytest.mark.parametrize("k", [2, 3, 6, 30])
def test_better_than_the_plain_means_and_as_sure_as_said(k: int) -> None:
    random = np.random.default_rng(4)
    better, covered = [], []
    for _ in range(400):
        variances = random.choice([0.5, 1.0, 4.0], k)
        truth = random.normal(3.0, 1.0, k)
        means = truth + random.normal(0.0, np.sqrt(variances))
        found = shrink(means, variances)
        better.append(np.sum((means - truth) ** 2) - np.sum((found.mean - truth) ** 2))
        covered += list(np.abs(found.mean - truth) < 2.0 * found.u)
    assert np.mean(better) > 0.0
    assert np.mean(covered) > 0.88


def test_one_group_stays() -> None:
    found = shrink(np.array([4.0]), np.array([0.25]))
    assert found.mean.tolist() == [4.0]
    assert found.u.tolist() == [0.5]
