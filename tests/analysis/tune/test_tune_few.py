"""Tolerance limits, sample sizes, guard-band risks, pooling, weather, variance components."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.integrate import quad
from scipy.special import ndtr, ndtri
from scipy.stats import multivariate_normal, norm

from analysis.statistics.gauge import gauge_study
from analysis.statistics.pooling import pool
from analysis.statistics.reml import components
from analysis.tune.search.few import (
    cars_for_ranks,
    one_sided_factor,
    rank_limit,
    tolerance_limits,
)
from analysis.tune.search.rule import guarded, population_risks
from analysis.tune.weather import ambient_slope


@pytest.mark.parametrize(
    ("n", "content", "confidence", "factor"),
    [
        (43, 0.90, 0.99, 1.8740),  # NIST/SEMATECH e-Handbook 7.2.6.3, exact one-sided k
        # one-sided tables of Owen (1963), as in ISO 16269-6:2014, annex
        (10, 0.95, 0.95, 2.911),
        (20, 0.95, 0.95, 2.396),
        (30, 0.95, 0.95, 2.220),
        (50, 0.95, 0.95, 2.065),
        (10, 0.90, 0.95, 2.355),
        (20, 0.90, 0.95, 1.926),
    ],
)
def test_one_sided_factors(n: int, content: float, confidence: float, factor: float) -> None:
    assert one_sided_factor(n, content, confidence) == pytest.approx(factor, abs=6e-4)


@pytest.mark.parametrize(
    ("content", "sides", "cars"), [(0.95, 1, 59), (0.95, 2, 93), (0.90, 1, 29), (0.90, 2, 46)]
)
def test_cars_that_ranks_need(content: float, sides: int, cars: int) -> None:
    """ISO 16269-6:2014, distribution-free tables at 95 % confidence."""
    assert cars_for_ranks(content, 0.95, sides) == cars
    assert rank_limit(cars, content, 0.95, sides) == 1
    assert rank_limit(cars - 1, content, 0.95, sides) == 0


def test_tolerance_limits_hold_their_content() -> None:
    """Skewed good cars: the limit holds 95 % in about 95 % of the samples; a plain normal would
    not."""
    rng = np.random.default_rng(2)
    held = plain = 0
    for _ in range(300):
        values = rng.lognormal(0.0, 0.5, 40)
        found = tolerance_limits(values, "high")
        limit = np.inf if found.high is None else found.high
        held += ndtr(np.log(limit) / 0.5) >= 0.95
        normal = values.mean() + one_sided_factor(40) * values.std(ddof=1)
        plain += ndtr(np.log(normal) / 0.5) >= 0.95
    assert held / 300 >= 0.93
    assert plain / 300 < held / 300


@pytest.mark.parametrize("n", [12, 40])
def test_tolerance_limits_count_the_choice_of_the_transform(n: int) -> None:
    """Normal cars: the promise of 95 % (definition of a tolerance limit, ISO 16269-6:2014) holds
    though nobody tells that they are normal; binomial, 200 at 95 %: 181 or fewer once in 100."""
    rng = np.random.default_rng(n)
    held = {"low": 0, "high": 0}
    for _ in range(200):
        values = rng.normal(size=n)
        for side in ("low", "high"):
            found = tolerance_limits(values, side)
            limit = found.low if side == "low" else found.high
            held[side] += limit is None or ndtr(-limit if side == "low" else limit) >= 0.95
    assert min(held.values()) > 181


def test_tolerance_ways() -> None:
    scores = ndtri((np.arange(30) + 0.5) / 30)
    assert tolerance_limits(scores, "both").how == "normal"
    assert tolerance_limits(np.exp(scores), "high").how == "normal after a transform"
    stepped = np.repeat([0.0, 1.0, 9.0], 40)
    ranks = tolerance_limits(stepped, "low")
    assert (ranks.how, ranks.low, ranks.high) == ("ranks", 0.0, None)
    few = tolerance_limits(np.repeat([0.0, 1.0, 9.0], 10), "low")
    assert (few.how, few.low, few.needed) == ("too few", None, 59)
    assert tolerance_limits(np.array([1.0, 2.0]), "high").how == "too few"


def test_population_risks_against_the_bivariate_normal() -> None:
    """JCGM 106:2012, eq. 17 and 19: of normal cars the risks are orthant probabilities (scipy)."""
    mean, sd, limit = 10.0, 2.0, 12.5
    places = np.linspace(-10.0, 30.0, 4001)
    below = ndtr((places - mean) / sd)
    for u, guard in ((0.7, 1.0), (1.5, 1.645), (0.3, 0.0)):
        joint = multivariate_normal([mean, mean], [[sd**2, sd**2], [sd**2, sd**2 + u**2]])
        passed = float(ndtr((limit - guard * u - mean) / np.hypot(sd, u)))
        sound = float(ndtr((limit - mean) / sd))
        mine = population_risks(places, below, np.array([u]), limit, guard)
        consumer = passed - float(joint.cdf([limit, limit - guard * u]))
        producer = sound - float(joint.cdf([limit, limit + guard * u]))
        assert mine.consumer == pytest.approx(consumer, rel=2e-3)
        assert mine.producer == pytest.approx(producer, rel=2e-3)


def test_guarded_counts() -> None:
    score, u = np.array([0.0, 1.9, 2.0, 2.1, 5.0]), np.full(5, 0.5)
    good, bad = guarded(score, u, np.array([False, False, True, True, True]), 2.0)
    assert (good.passed.count, good.undecided.count, good.failed.count) == (1, 1, 0)
    assert (bad.passed.count, bad.undecided.count, bad.failed.count) == (0, 2, 1)
    _, sharp = guarded(score, np.zeros(5), np.ones(5, dtype=bool), 2.0)
    assert (sharp.passed.count, sharp.undecided.count, sharp.failed.count) == (2, 0, 3)


def test_offsets_against_direct_integration() -> None:
    """Posterior mean of a family's mean by adaptive quadrature over the spread between families."""
    rng = np.random.default_rng(4)
    family = np.repeat(np.arange(5), [3, 8, 5, 12, 7])
    score = np.array([0.0, 1.0, -0.8, 0.4, 2.0])[family] + rng.normal(0, 1, family.size)
    pooled = pool(score, family.astype(np.str_), tuple("01234"))
    count = np.bincount(family)
    mean, variance = np.bincount(family, score) / count, pooled.within**2 / count

    def at(tau: float) -> tuple[float, float]:
        total = variance + tau**2
        center = float((mean / total).sum() / (1 / total).sum())
        density = float(np.prod(norm.pdf(mean, center, np.sqrt(total)))) / np.sqrt(
            (1 / total).sum()
        )
        offset = tau**2 / total[0] * (mean[0] - center)
        return density / (1 + (tau / pooled.within) ** 2), float(offset)

    whole = quad(lambda tau: at(tau)[0], 0, np.inf)[0]
    first = quad(lambda tau: at(tau)[0] * at(tau)[1], 0, np.inf)[0] / whole
    assert pooled.families["0"].mean == pytest.approx(first, rel=2e-3)


def test_a_family_of_six_gets_no_wild_offset() -> None:
    """Shrunk offsets are nearer to the truth than the families' own means, in the mean square."""
    raw = shrunk = inside = 0.0
    for turn in range(200):
        rng = np.random.default_rng([5, turn])
        truth = rng.normal(0, 0.7, 6)
        cars = np.array([6, 6, 6, 40, 40, 40])
        family = np.repeat(np.arange(6), cars)
        score = truth[family] + rng.normal(0, 2.0, family.size)
        pooled = pool(score, family.astype(np.str_), tuple(str(each) for each in range(7)))
        for each in range(3):
            offset = pooled.families[str(each)]
            error = pooled.center + offset.mean - truth[each]
            raw += (score[family == each].mean() - truth[each]) ** 2
            shrunk += error**2
            inside += abs(error) <= 2.2 * max(offset.sd, 0.3)
        assert pooled.families["6"].cars == 0
        assert pooled.families["6"].mean == 0.0
    assert shrunk < 0.75 * raw
    assert inside / 600 > 0.85


def test_weather_is_found_within_families_only() -> None:
    """Families measured in different weather differ by themselves, not by the weather."""
    rng = np.random.default_rng(6)
    group = np.repeat(np.arange(4), 40)
    ambient = np.array([-15.0, -5.0, 5.0, 15.0])[group] + rng.normal(0, 4, 160)
    score = 3.0 * group + rng.normal(0, 1, 160)
    none = ambient_slope(score, ambient, group)
    assert abs(none.per_k) < 0.05
    some = ambient_slope(score - 0.5 * ambient, ambient, group)
    assert some.per_k == pytest.approx(-0.5, abs=0.05)
    frame = pd.DataFrame({"g": group, "x": ambient, "y": score - 0.5 * ambient})
    design = pd.get_dummies(frame["g"]).astype(float).assign(x=frame["x"])
    reference = sm.OLS(frame["y"], design).fit()
    assert some.se == pytest.approx(reference.bse["x"])


def test_weather_needs_different_days() -> None:
    slope = ambient_slope(np.arange(30.0), np.full(30, -5.0), np.zeros(30, dtype=np.intp))
    assert slope.per_k == 0.0
    nothing = ambient_slope(np.arange(30.0), np.full(30, np.nan), np.zeros(30, dtype=np.intp))
    assert nothing.per_k == 0.0


def test_components_are_the_analysis_of_variance_where_it_is_balanced() -> None:
    """Known property: REML equals ANOVA for balanced data with no negative component (Searle,
    Casella and McCulloch 1992, 4.8), here without interaction."""
    rng = np.random.default_rng(17)
    values = (
        rng.normal(0, 3.0, (12, 1, 1))
        + rng.normal(0, 1.5, (1, 4, 1))
        + rng.normal(0, 1.0, (12, 4, 2))
    )
    study = gauge_study(values)
    assert study.pooled
    index = np.indices(values.shape).reshape(3, -1)
    part = components(values.ravel(), {"car": index[0], "operator": index[1]})
    assert part.repeat == pytest.approx(study.repeatability, rel=1e-3)
    assert part.factors["operator"] == pytest.approx(study.reproducibility, rel=1e-3)
    assert part.factors["car"] == pytest.approx(study.car, rel=1e-3)


def test_components_of_unbalanced_runs_against_statsmodels() -> None:
    rng = np.random.default_rng(8)
    car = rng.integers(0, 15, 90)
    operator = rng.integers(0, 4, 90)
    y = rng.normal(0, 3, 15)[car] + rng.normal(0, 1.5, 4)[operator] + rng.normal(0, 1, 90)
    frame = pd.DataFrame({"y": y, "car": car, "op": operator, "all": 1})
    model = sm.MixedLM.from_formula(
        "y ~ 1", frame, groups="all", vc_formula={"car": "0 + C(car)", "op": "0 + C(op)"}
    )
    fit = model.fit(reml=True, method="lbfgs")
    part = components(y, {"car": car, "op": operator})
    assert part.repeat**2 == pytest.approx(fit.scale, rel=2e-3)
    names = model.exog_vc.names
    for name, mine in part.factors.items():
        assert mine**2 == pytest.approx(fit.vcomp[names.index(name)], rel=5e-3)
