"""Tolerance factors against published values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2, nct, norm

from analysis.statistics.tolerance import half_width, one_sided_factor, two_sided_factor


@pytest.mark.parametrize(
    ("n", "one_sided", "two_sided"),
    [
        # 95 % content, 95 % confidence. One-sided: D. B. Owen's tables as reproduced by the US NRC
        # (ML14031A495) to 3 decimals, the digits beyond by the noncentral t distribution.
        # Two-sided: exact factors of the package toleranceinterval 1.0.3.
        (5, 4.20268, 5.07687),
        (10, 2.91096, 3.39343),
        (20, 2.39600, 2.76035),
        (30, 2.21984, 2.55489),
        (50, 2.06499, 2.38156),
    ],
)
def test_factors_of_published_tables(n: int, one_sided: float, two_sided: float) -> None:
    assert one_sided_factor(n) == pytest.approx(one_sided, abs=6e-6)
    assert two_sided_factor(n) == pytest.approx(two_sided, abs=6e-6)


@pytest.mark.parametrize(
    ("n", "one_sided", "two_sided"),
    # 90 % content, 95 % confidence, same sources
    [(5, 3.40663, 4.29060), (10, 2.35464, 2.85631), (50, 1.64556, 1.99900)],
)
def test_factors_for_ninety_percent(n: int, one_sided: float, two_sided: float) -> None:
    assert one_sided_factor(n, 0.90) == pytest.approx(one_sided, abs=6e-6)
    assert two_sided_factor(n, 0.90) == pytest.approx(two_sided, abs=6e-6)


def test_silicon_wafers_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 7.2.6.3: n = 43, 90 % content, 99 % confidence."""
    # one-sided, noncentral t: 1.8740 as printed
    assert one_sided_factor(43, 0.90, 0.99) == pytest.approx(1.8740, abs=5e-5)
    # two-sided: Howe's approximation is printed, 2.2173; the exact factor is 2.2228
    assert two_sided_factor(43, 0.90, 0.99) == pytest.approx(2.2228252, abs=1e-6)


@pytest.mark.parametrize("n", [8, 15, 43, 200])
def test_howe_agrees_to_a_percent(n: int) -> None:
    """Howe's formula (NIST/SEMATECH e-Handbook 7.2.6.3) as a cross-check of the quadrature."""
    howe = norm.ppf(0.975) * np.sqrt((n - 1) * (1 + 1 / n) / chi2.ppf(0.05, n - 1))
    assert two_sided_factor(n) == pytest.approx(howe, rel=0.01)


@pytest.mark.parametrize("n", [3, 7, 12, 100])
def test_one_sided_agrees_with_the_noncentral_t(n: int) -> None:
    expected = nct.ppf(0.95, n - 1, norm.ppf(0.95) * np.sqrt(n)) / np.sqrt(n)
    assert one_sided_factor(n) == pytest.approx(expected, rel=1e-5)


def test_one_car_has_no_factor() -> None:
    with pytest.raises(ValueError, match="at least two"):
        two_sided_factor(1)


@pytest.mark.parametrize("two_sided", [True, False])
@pytest.mark.parametrize("n", [6, 12, 40])
def test_a_little_noise_changes_little(n: int, two_sided: bool) -> None:  # noqa: FBT001
    """The pivots must join the exact factor where the noise vanishes."""
    exact = half_width(n, 1.0, 0.0, two_sided=two_sided)
    assert half_width(n, 1.0, 1e-4, two_sided=two_sided) == pytest.approx(exact, rel=0.02)


@pytest.mark.parametrize("two_sided", [True, False])
def test_noisy_cars_still_hold_the_family(two_sided: bool) -> None:  # noqa: FBT001
    """Truth by construction: of families with sd 1 measured with noise 1, 95 % are held in 95 %."""
    random = np.random.default_rng(7)
    n, tries = 12, 400
    held = 0
    for _ in range(tries):
        values = random.normal(0, 1, n) + random.normal(0, 1, n)
        reach = half_width(n, float(values.std(ddof=1)), 1.0, two_sided=two_sided)
        mean = values.mean()
        low = norm.cdf(mean - reach) if two_sided else 0.0
        held += norm.cdf(mean + reach) - low >= 0.95
    # binomial: 0.95 +- 3.5 standard deviations of 400 tries
    assert 0.91 <= held / tries <= 0.99


def test_noise_is_not_counted_as_spread() -> None:
    n = 30
    plain = half_width(n, 2.0, 0.0, two_sided=True)
    assert half_width(n, 2.0, 1.6, two_sided=True) < 0.85 * plain
