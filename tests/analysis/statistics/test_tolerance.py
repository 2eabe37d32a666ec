"""Tolerance factors against published values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2, norm

from analysis.statistics.tolerance import half_width, two_sided_factor


@pytest.mark.parametrize(
    ("n", "factor"),
    # 95 % content, 95 % confidence: exact factors of the package toleranceinterval 1.0.3
    [(5, 5.07687), (10, 3.39343), (20, 2.76035), (30, 2.55489), (50, 2.38156)],
)
def test_factors_of_published_tables(n: int, factor: float) -> None:
    assert two_sided_factor(n) == pytest.approx(factor, abs=6e-6)


@pytest.mark.parametrize(
    ("n", "factor"),
    # 90 % content, 95 % confidence, same source
    [(5, 4.29060), (10, 2.85631), (50, 1.99900)],
)
def test_factors_for_ninety_percent(n: int, factor: float) -> None:
    assert two_sided_factor(n, 0.90) == pytest.approx(factor, abs=6e-6)


def test_silicon_wafers_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 7.2.6.3: n = 43, 90 % content, 99 % confidence.

    The handbook prints Howe's approximation, 2.2173, and its interval for mean 97.07 and standard
    deviation 0.0268; the exact factor is 2.2228 (package toleranceinterval 1.0.3).
    """
    factor = two_sided_factor(43, 0.90, 0.99)
    assert factor == pytest.approx(2.2228252, abs=1e-6)
    assert 97.07 - factor * 0.0268 == pytest.approx(97.010576, abs=2e-4)
    assert 97.07 + factor * 0.0268 == pytest.approx(97.129424, abs=2e-4)


@pytest.mark.parametrize("n", [8, 15, 43, 200])
def test_howe_agrees_to_a_percent(n: int) -> None:
    """Howe's formula (NIST/SEMATECH e-Handbook 7.2.6.3) as a cross-check of the quadrature."""
    howe = norm.ppf(0.975) * np.sqrt((n - 1) * (1 + 1 / n) / chi2.ppf(0.05, n - 1))
    assert two_sided_factor(n) == pytest.approx(howe, rel=0.01)


def test_one_car_has_no_factor() -> None:
    with pytest.raises(ValueError, match="at least two"):
        two_sided_factor(1)


@pytest.mark.parametrize("n", [6, 12, 40])
def test_a_little_noise_changes_little(n: int) -> None:
    """The pivots must join the exact factor where the noise vanishes."""
    assert half_width(n, 1.0, 1e-4) == pytest.approx(half_width(n, 1.0, 0.0), rel=0.02)


def test_noisy_cars_still_hold_the_family() -> None:
    """Truth by construction: of families with sd 1 measured with noise 1, 95 % are held in 95 %."""
    random = np.random.default_rng(7)
    n, tries = 12, 400
    held = 0
    for _ in range(tries):
        values = random.normal(0, 1, n) + random.normal(0, 1, n)
        reach = half_width(n, float(values.std(ddof=1)), 1.0)
        held += norm.cdf(values.mean() + reach) - norm.cdf(values.mean() - reach) >= 0.95
    # binomial: 0.95 +- 3.5 standard deviations of 400 tries
    assert 0.91 <= held / tries <= 0.99


def test_noise_is_not_counted_as_spread() -> None:
    assert half_width(30, 2.0, 1.6) < 0.85 * half_width(30, 2.0, 0.0)
