"""The measuring study: published worked examples, and what went in of weather, people, days."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from analysis.statistics.gauge import gauge_study
from analysis.tune.labels import Matched
from analysis.tune.study import FigureStudy, study_figures

# Automotive Industry Action Group, Measurement Systems Analysis, 4th edition, chapter III: ten
# parts, three appraisers, three trials; data and results (analysis of variance) from memory
MANUAL = """
 0.29 -0.56 1.34 0.47 -0.80  0.02 0.59 -0.31 2.26 -1.36
 0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
 0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31
 0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
 0.25 -1.22 0.94 1.03 -1.20  0.22 0.55  0.08 2.12 -1.62
 0.07 -0.68 1.34 0.20 -1.28  0.06 0.83 -0.34 2.19 -1.50
 0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
-0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
-0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16
"""

# Houf and Berman, thermal impedance of power modules: ten parts, three inspectors, three readings;
# components in Burdick, Borror and Montgomery, J. Quality Technology 35, 2003, 342; from memory
THERMAL = """
37 38 37 41 41 40 41 42 41
42 41 43 42 42 42 43 42 43
30 31 31 31 31 31 29 30 28
42 43 42 43 43 43 42 42 42
28 30 29 29 30 29 31 29 29
42 42 43 45 45 45 44 46 45
25 26 27 28 28 30 29 27 27
40 40 40 43 42 42 43 43 41
25 25 25 27 29 28 26 26 26
35 34 34 35 35 34 35 34 35
"""


def numbers(text: str) -> np.ndarray:
    return np.array([[float(each) for each in line.split()] for line in text.strip().splitlines()])


def test_the_manual_s_example() -> None:
    study = gauge_study(numbers(MANUAL).reshape(3, 3, 10).transpose(2, 0, 1))
    assert study.pooled
    assert study.repeatability == pytest.approx(0.199933, abs=1e-6)
    assert study.reproducibility == pytest.approx(0.226838, abs=1e-6)
    assert study.measuring == pytest.approx(0.302373, abs=2e-6)
    assert study.car == pytest.approx(1.042327, abs=1e-6)
    assert study.categories == 4


def test_thermal_impedance() -> None:
    study = gauge_study(numbers(THERMAL).reshape(10, 3, 3))
    assert not study.pooled
    assert study.repeatability**2 == pytest.approx(0.5111, abs=1e-4)
    assert study.reproducibility**2 == pytest.approx(0.5646 + 0.7280, abs=1e-4)
    assert study.car**2 == pytest.approx(48.2926, abs=1e-4)


def repeats(**sds: float) -> FigureStudy:
    """Forty cars measured four times, in all weathers, by three people with two sets."""
    rng = np.random.default_rng(5)
    cars, times = 40, 4
    n = cars * times
    car = np.repeat(np.arange(cars), times)
    operator, logger, day = rng.integers(0, 3, n), rng.integers(0, 2, n), rng.integers(0, 25, n)
    ambient = rng.normal(-3.0, 6.0, 25)[day] + rng.normal(0.0, 1.0, n)
    value = (
        50.0
        + rng.normal(0.0, 3.0, cars)[car]
        + sds.get("operator", 0.0) * np.array([-1.0, 0.0, 1.0])[operator]
        + sds.get("logger", 0.0) * np.array([-0.7071, 0.7071])[logger]
        + sds.get("weather", 0.0) * ambient
        + sds.get("day", 0.0) * np.random.default_rng(6).normal(0.0, 1.0, 25)[day]
        + rng.normal(0.0, 0.8, n)
    )
    ids = [f"{each:064d}" for each in range(n)]
    first = datetime(2026, 1, 5, 7, tzinfo=UTC)
    runs = pl.DataFrame(
        {
            "id": ids,
            "vehicle": [f"SC-{each:03d}" for each in car],
            "family": ["Plover"] * n,
            "purpose": ["baseline"] * n,
            "operator": [f"operator {each}" for each in operator],
            "logger": [f"set {each}" for each in logger],
            "started": [first + timedelta(days=int(each)) for each in day],
            "ambient_degC": ambient,
        }
    )
    figures = pl.DataFrame(
        {
            "run_id": ids,
            "figure": ["steady_outlet_rise"] * n,
            "value": value,
            "u": [0.8] * n,
            "unit": ["K"] * n,
        }
    )
    (study,) = study_figures(runs, figures, Matched({}, (), 0))
    return study


def test_repeats_on_other_days_are_repeats() -> None:
    """The weather moves the figure by half a kelvin a kelvin; that is no scatter of measuring."""
    study = repeats(weather=0.5)
    assert study.weather.per_k == pytest.approx(0.5, abs=0.05)
    assert study.repeatability == pytest.approx(0.8, rel=0.15)
    assert study.measuring == pytest.approx(0.8, rel=0.2)
    assert study.categories >= 4


def test_days_are_told_apart() -> None:
    """Twenty-five days: their standard deviation is known to about a seventh."""
    study = repeats(day=1.5)
    assert study.levels["day"] == 25
    assert study.parts["day"] == pytest.approx(1.5, rel=0.35)
    assert study.repeatability == pytest.approx(0.8, rel=0.15)
    assert repeats().parts["day"] < 0.4


def test_people_and_sets_are_told_apart() -> None:
    """Each gets what it makes and no more."""
    people = repeats(operator=1.5)
    assert people.parts["operator"] == pytest.approx(1.5, rel=0.5)
    assert people.parts["logger"] < 0.4
    sets = repeats(logger=1.5)
    assert sets.parts["logger"] == pytest.approx(1.5, rel=0.6)
    assert sets.parts["operator"] < 0.4
    for study in (people, sets):
        assert study.repeatability == pytest.approx(0.8, rel=0.15)
        parts = [study.repeatability, *study.parts.values()]
        assert study.measuring == pytest.approx(math.hypot(*parts))
