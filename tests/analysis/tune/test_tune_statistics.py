"""ROC, exact shares, risks and gauge study against published examples and reference libraries."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm
from scipy.stats import t as t_distribution
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm
from statsmodels.stats.proportion import proportion_confint

from analysis.limits import Limit
from analysis.statistics.gauge import gauge_study
from analysis.statistics.proportions import exact_share
from analysis.statistics.roc import auc, auc_interval, auc_se_delong, roc
from analysis.verdict import conformance

# Hanley and McNeil, Radiology 143 (1982) 29, Table I: ratings 1 to 5 of 58 normal and 51 abnormal.
NORMAL = np.repeat([1.0, 2.0, 3.0, 4.0, 5.0], [33, 6, 6, 11, 2])
ABNORMAL = np.repeat([1.0, 2.0, 3.0, 4.0, 5.0], [3, 2, 2, 11, 33])


def test_area_of_hanley_and_mcneil() -> None:
    """Published: area 0.893."""
    assert auc(NORMAL, ABNORMAL) == pytest.approx(0.893, abs=5e-4)


def test_delong_against_the_direct_sums() -> None:
    """DeLong's variance from its definition: the structural components of every pair."""
    wins = (ABNORMAL[:, None] > NORMAL[None, :]) + 0.5 * (ABNORMAL[:, None] == NORMAL[None, :])
    by_bad, by_good = wins.mean(axis=1), wins.mean(axis=0)
    direct = np.sqrt(by_bad.var(ddof=1) / 51 + by_good.var(ddof=1) / 58)
    assert auc_se_delong(NORMAL, ABNORMAL) == pytest.approx(direct, rel=1e-12)


def test_roc_points_are_the_shares_above_each_limit() -> None:
    curve = roc(NORMAL, ABNORMAL)
    at_four = np.flatnonzero(curve.limits == 4.0)[0]
    assert curve.detection[at_four] == pytest.approx(44 / 51)
    assert curve.false_alarm[at_four] == pytest.approx(13 / 58)
    # the area under the straight lines between the points is the Mann-Whitney area
    assert np.trapezoid(curve.detection, curve.false_alarm) == pytest.approx(curve.auc)


def test_roc_band_covers_the_true_curve() -> None:
    """Joint coverage of the band over 300 samples with a known curve, at least the stated 95 %."""
    rng = np.random.default_rng(11)
    covered = 0
    grid = np.linspace(-3, 5, 200)
    from scipy.special import ndtr

    for _ in range(300):
        curve = roc(rng.normal(0, 1, 40), rng.normal(1.5, 1, 30))
        found_fa = np.interp(-grid, -curve.limits[1:], curve.false_alarm[1:])
        found_de = np.interp(-grid, -curve.limits[1:], curve.detection[1:])
        covered += bool(
            np.all(np.abs(found_fa - ndtr(-grid)) <= curve.false_alarm_margin + 1 / 40)
            and np.all(np.abs(found_de - ndtr(1.5 - grid)) <= curve.detection_margin + 1 / 30)
        )
    assert covered / 300 >= 0.93


@pytest.mark.parametrize(
    ("count", "total", "confidence", "low", "high"),
    [
        # NIST/SEMATECH e-Handbook 7.2.4.1 (4 of 20, 90 %), value from memory, confirmed by
        # statsmodels; the others are the cases of Newcombe, Statist. Med. 17 (1998) 857
        (4, 20, 0.90, 0.071354, 0.401029),
        (81, 263, 0.95, 0.252737, 0.367622),
        (15, 148, 0.95, 0.057844, 0.161650),
        (0, 20, 0.95, 0.0, 0.168433),
        (1, 29, 0.95, 0.000873, 0.177644),
    ],
)
def test_exact_shares(count: int, total: int, confidence: float, low: float, high: float) -> None:
    share = exact_share(count, total, confidence)
    assert (share.low, share.high) == pytest.approx((low, high), abs=2e-6)
    reference = proportion_confint(count, total, 1 - confidence, method="beta")
    assert (share.low, share.high) == pytest.approx(reference, abs=1e-9)


def test_a_share_of_nothing_is_anything() -> None:
    share = exact_share(0, 0)
    assert (share.low, share.high) == (0.0, 1.0)


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "expected"),
    [
        # JCGM 106:2012, 7.3 and 7.4 (inputs from memory, values as printed there)
        (-5.47, 0.05, None, -5.40, 0.92),
        (507.0, 8.0, 490.0, None, 0.98),
        (13.6, 1.8, 12.5, 16.3, 0.66),
    ],
)
def test_conformance_of_jcgm_106(
    value: float, u: float, low: float | None, high: float | None, expected: float
) -> None:
    assert conformance(value, u, Limit(low, high, "")) == pytest.approx(expected, abs=0.005)


def test_gauge_study_against_statsmodels() -> None:
    """Variance components from the mean squares of statsmodels' two-way analysis of variance."""
    rng = np.random.default_rng(5)
    cars, operators, repeats = 10, 3, 3
    values = (
        50.0
        + rng.normal(0, 3.0, (cars, 1, 1))
        + rng.normal(0, 0.8, (1, operators, 1))
        + rng.normal(0, 0.9, (cars, operators, 1))
        + rng.normal(0, 0.5, (cars, operators, repeats))
    )
    index = np.indices(values.shape).reshape(3, -1)
    frame = pd.DataFrame({"y": values.ravel(), "car": index[0], "op": index[1]})
    table = anova_lm(ols("y ~ C(car) * C(op)", frame).fit())
    ms = table["mean_sq"]
    study = gauge_study(values)
    assert not study.pooled
    assert study.interaction_p == pytest.approx(table["PR(>F)"]["C(car):C(op)"])
    error, both = ms["Residual"], ms["C(car):C(op)"]
    assert study.repeatability**2 == pytest.approx(error)
    interaction = (both - error) / repeats
    operator = (ms["C(op)"] - both) / (cars * repeats)
    assert study.reproducibility**2 == pytest.approx(max(0.0, operator) + interaction)
    assert study.car**2 == pytest.approx((ms["C(car)"] - both) / (operators * repeats))


def test_gauge_study_finds_what_went_in() -> None:
    rng = np.random.default_rng(6)
    values = (
        rng.normal(0, 4.0, (200, 1, 1))
        + rng.normal(0, 1.0, (1, 30, 1))
        + rng.normal(0, 0.5, (200, 30, 2))
    )
    study = gauge_study(values)
    assert study.repeatability == pytest.approx(0.5, rel=0.05)
    assert study.reproducibility == pytest.approx(1.0, rel=0.3)
    assert study.car == pytest.approx(4.0, rel=0.15)
    assert study.pooled


def test_too_small_a_study_is_refused() -> None:
    with pytest.raises(ValueError, match="two repeats"):
        gauge_study(np.zeros((5, 3, 1)))


def test_area_interval_covers() -> None:
    """Known area of two normals; where plus and minus two standard errors would leave 1 behind."""
    true = float(norm.cdf(2.5 / np.sqrt(2.0)))
    covered = 0
    for turn in range(200):
        rng = np.random.default_rng([12, turn])
        low, high = auc_interval(rng.normal(0, 1, 150), rng.normal(2.5, 1, 50))
        assert 0.0 <= low < high <= 1.0
        covered += low <= true <= high
    assert 0.9 <= covered / 200 <= 0.99


def test_area_interval_of_cars_that_lie_apart() -> None:
    """Newcombe's method 5 at an area of 1: its defining equation holds at the lower end."""
    low, high = auc_interval(np.arange(10.0), np.arange(20.0, 26.0))
    assert high == 1.0
    spread = 1.0 + 7.0 * (1.0 - low) / (2.0 - low) + 7.0 * low / (1.0 + low)
    error = np.sqrt(low * (1.0 - low) * spread / 60.0)
    assert (1.0 - low) / error == pytest.approx(t_distribution.ppf(0.975, 5), rel=1e-6)
    assert auc_interval(np.arange(20.0, 26.0), np.arange(10.0)) == pytest.approx((0.0, 1.0 - low))
