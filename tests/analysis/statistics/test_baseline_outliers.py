"""Outliers of a normal sample against published examples."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.statistics.outliers import critical_deviation, outliers

# Rosner, Technometrics 25 (1983), 165: the data of his example
ROSNER = np.array(
    [-0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58,
     1.65, 1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15,
     2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21,
     3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01]
)  # fmt: skip


def test_rosner_finds_three() -> None:
    """Published result: three outliers at 5 %, though the second alone would not show."""
    found = outliers(ROSNER, 10, significance=0.05)
    assert sorted(ROSNER[found]) == [5.34, 5.42, 6.01]


@pytest.mark.parametrize(
    ("place", "critical"),
    # NIST/SEMATECH e-Handbook 1.3.5.17.3, same data (from memory, agrees with the formula there)
    [(1, 3.158), (2, 3.151), (3, 3.143), (10, 3.085)],
)
def test_critical_values(place: int, critical: float) -> None:
    assert critical_deviation(54, place, 0.05) == pytest.approx(critical, abs=1.5e-3)


def test_uranium_isotope() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.17.1 (Tietjen and Moore): G = 2.4687, one outlier, 245.57."""
    values = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    deviation = np.abs(values - values.mean()).max() / values.std(ddof=1)
    assert deviation == pytest.approx(2.468765, abs=1e-6)
    # its critical value 2.031652 is one-sided at 5 %: two-sided at 10 %
    assert critical_deviation(8, 1, 0.10) == pytest.approx(2.031652, abs=1e-5)
    assert values[outliers(values, 1)] == [245.57]


def test_equal_values_have_none() -> None:
    assert outliers(np.full(9, 4.2), 2).size == 0


def test_good_samples_keep_their_cars() -> None:
    random = np.random.default_rng(3)
    lost = sum(outliers(random.normal(size=12), 2).size > 0 for _ in range(1000))
    assert lost < 25  # 1 % expected
