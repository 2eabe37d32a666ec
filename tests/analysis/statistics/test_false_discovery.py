"""Benjamini and Hochberg's procedure against their own example and a reference library."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from analysis.statistics.false_discovery import ACCEPTED, adjusted

# Benjamini and Hochberg, J. R. Stat. Soc. B 57 (1995) 289, section 4: fifteen hypotheses about
# thrombolysis; as repeated in the source of statsmodels.
PUBLISHED = np.array(
    [
        *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344),
        *(0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.000),
    ]
)


def test_published_example_rejects_four() -> None:
    assert np.sum(adjusted(PUBLISHED) <= ACCEPTED) == 4


def test_adjusted_values_of_the_published_example() -> None:
    # statsmodels 0.15.0 multipletests(method="fdr_bh") and scipy false_discovery_control agree
    expected = [
        *(0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765),
        *(0.486, 0.581182, 0.714875, 0.753231, 0.813214, 1.0),
    ]
    assert adjusted(PUBLISHED) == pytest.approx(expected, abs=1e-6)


def test_agrees_with_statsmodels_in_any_order() -> None:
    p = np.random.default_rng(3).beta(0.5, 2.0, 200)
    p[10:20] = p[30:40]  # ties
    assert adjusted(p) == pytest.approx(multipletests(p, method="fdr_bh")[1], abs=1e-12)


def test_a_test_that_could_not_be_made_counts_as_none() -> None:
    with_gaps = np.insert(PUBLISHED, [0, 5, 15], np.nan)
    q = adjusted(with_gaps)
    assert np.isnan(q[[0, 6, 17]]).all()
    assert q[~np.isnan(q)] == pytest.approx(adjusted(PUBLISHED))


def test_nothing_to_adjust() -> None:
    assert adjusted(np.array([])).size == 0
    assert np.isnan(adjusted(np.array([np.nan]))).all()


def test_share_of_false_alarms_is_held() -> None:
    # by construction: 80 of 100 tests without an effect, 20 with one
    random = np.random.default_rng(8)
    shares = []
    for _ in range(400):
        z = random.normal(size=100)
        z[:20] += 3.0
        p = 2.0 * (1.0 - _normal(np.abs(z)))
        alarms = adjusted(p) <= ACCEPTED
        shares.append(np.sum(alarms[20:]) / max(1, np.sum(alarms)))
    assert np.mean(shares) <= ACCEPTED + 0.01


def _normal(z: np.ndarray) -> np.ndarray:
    from scipy.stats import norm

    return norm.cdf(z)
