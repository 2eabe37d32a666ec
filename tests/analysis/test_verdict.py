"""Verdicts with a guard band, against the worked examples of JCGM 106:2012."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from analysis.limits import Limit
from analysis.measurement import Measurement
from analysis.verdict import GUARD, Judged, conformance, judge, judge_one, overall


def limit(low: float | None = None, high: float | None = None) -> Limit:
    return Limit(low, high, "test")


@pytest.mark.parametrize(
    ("value", "u", "bounds", "published"),
    [
        # JCGM 106:2012, examples of 7.3 and 7.4 (from memory; the values follow from the normal
        # distribution): breakdown voltage of a Zener diode, strength of a container, viscosity
        # of SAE 40 oil
        (-5.47, 0.05, limit(high=-5.40), 0.92),
        (507.0, 8.0, limit(low=490.0), 0.98),
        (13.6, 1.8, limit(12.5, 16.3), 0.66),
    ],
)
def test_conformance_probability(value: float, u: float, bounds: Limit, published: float) -> None:
    assert conformance(value, u, bounds) == pytest.approx(published, abs=0.005)


@pytest.mark.parametrize(
    ("value", "expected"), [(9.99, 0.0), (10.0, 1.0), (12.0, 1.0), (14.0, 1.0), (14.01, 0.0)]
)
def test_without_uncertainty_it_is_yes_or_no(value: float, expected: float) -> None:
    assert conformance(value, 0.0, limit(10.0, 14.0)) == expected


def figure(value: float | None, random: float, **shared: float) -> Measurement:
    return Measurement(value, "K", random, shared, window=(600.0, 900.0))


@pytest.mark.parametrize(
    ("distance", "verdict"),
    # 1.65 u is the one-sided guard band of 5 % risk (ILAC-G8, ISO 14253-1)
    [
        (1.70, "pass"),
        (1.60, "undecided"),
        (0.0, "undecided"),
        (-1.60, "undecided"),
        (-1.70, "fail"),
    ],
)
def test_guard_band_of_one_limit(distance: float, verdict: str) -> None:
    judged = judge_one("coolant_drop", figure(20.0 - distance * 0.5, 0.5), limit(high=20.0))
    assert judged.verdict == verdict
    judged = judge_one("steady_outlet_rise", figure(38.0 + distance * 0.5, 0.5), limit(low=38.0))
    assert judged.verdict == verdict


@pytest.mark.parametrize(("value", "side"), [(20.4, "beyond"), (19.6, "inside")])
def test_it_is_said_on_which_side_of_its_limit_an_undecided_value_lies(
    value: float, side: str
) -> None:
    reason = judge_one("coolant_drop", figure(value, 0.5), limit(high=20.0)).reason
    assert reason is not None
    assert reason.startswith(f"{side} the limit, but by less than 1.64 standard uncertainties")


@given(
    value=st.floats(-100, 100),
    u=st.floats(0, 50),
    low=st.floats(-50, 0),
    width=st.floats(0.1, 50),
)
def test_pass_and_fail_mean_what_they_say(value: float, u: float, low: float, width: float) -> None:
    bounds = limit(low, low + width)
    judged = judge_one("coolant_drop", figure(value, u), bounds)
    inside = low <= value <= low + width
    if judged.verdict == "pass":
        assert inside
        assert judged.conformance is not None
        assert judged.conformance >= 0.95
    elif judged.verdict == "fail":
        assert not inside
        assert judged.conformance is not None
        assert judged.conformance <= 0.05 + 1e-12


def test_a_useless_measurement_does_not_fail() -> None:
    """With an endless uncertainty nearly all of the probability lies outside; that is no fault."""
    judged = judge_one("coolant_plateau", figure(90.0, 500.0), limit(76.5, 108.0))
    assert judged.verdict == "undecided"
    assert "closer together than the uncertainty" in (judged.reason or "")


def test_how_much_longer() -> None:
    """300 s gave u = 1; half of it is needed: four times as long, 900 s more."""
    distance = 0.5 * GUARD
    judged = judge_one("steady_outlet_rise", figure(38.0 + distance, 1.0), limit(low=38.0))
    assert judged.verdict == "undecided"
    assert "about 15 min longer" in (judged.reason or "")


def test_events_are_repeated_not_prolonged() -> None:
    judged = judge_one("response_time", figure(15.0 - 0.5 * GUARD, 1.0), limit(high=15.0))
    assert "4 times as many lever steps" in (judged.reason or "")


def test_time_does_not_help_against_the_sensors() -> None:
    judged = judge_one(
        "steady_outlet_rise", figure(38.5, 0.2, tolerance_of_outlet=1.2), limit(low=38.0)
    )
    assert judged.verdict == "undecided"
    assert "measuring longer does not help" in (judged.reason or "")
    assert "tolerance_of_outlet" in (judged.reason or "")


def test_too_near_is_said() -> None:
    judged = judge_one("steady_outlet_rise", figure(38.01, 1.0), limit(low=38.0))
    assert "does not decide it" in (judged.reason or "")


def test_not_measured_and_no_limit() -> None:
    judged = judge(
        {"coolant_drop": figure(None, 0.0), "fluctuation_period": figure(31.0, 1.0)},
        {"coolant_drop": limit(high=20.0)},
    )
    assert list(judged) == ["coolant_drop", "fluctuation_period"]
    assert judged["coolant_drop"].verdict == "not measured"
    assert judged["fluctuation_period"].verdict == "pass"
    assert judged["fluctuation_period"].reason == "no limit is set for this figure"
    assert overall(judged) == "not measured"


@pytest.mark.parametrize(
    ("value", "u"), [(math.nan, 1.0), (math.inf, 1.0), (20.0, math.nan), (20.0, math.inf)]
)
def test_no_number_is_no_measurement(value: float, u: float) -> None:
    judged = judge_one("response_time", figure(value, u), limit(high=15.0))
    assert judged.verdict == "not measured"
    assert judged.reason is not None


@pytest.mark.parametrize(
    ("values", "verdict"),
    [
        ([30.0, 10.0, None], "fail"),
        ([20.5, 10.0, None], "undecided"),
        ([19.5, 10.0, None], "pass"),  # a side figure inside its limit holds nothing up
        ([10.0, None, None], "pass"),
        ([30.0, 19.5, 10.0], "fail"),
        ([None, None, None], "not measured"),
    ],
)
def test_the_run_is_as_bad_as_its_worst_figure(values: list[float | None], verdict: str) -> None:
    judged: dict[str, Judged] = {
        str(i): judge_one("coolant_drop", figure(value, 1.0), limit(high=20.0))
        for i, value in enumerate(values)
    }
    assert overall(judged) == verdict


def test_the_figure_of_the_complaint_must_be_decided() -> None:
    near = judge_one("steady_outlet_rise", figure(38.5, 1.0), limit(low=38.0))
    good = judge_one("coolant_drop", figure(10.0, 1.0), limit(high=20.0))
    assert near.verdict == "undecided"
    assert overall({"steady_outlet_rise": near, "coolant_drop": good}) == "undecided"


def test_a_failing_reason_names_the_side_and_the_basis() -> None:
    judged = judge_one("coolant_drop", figure(-6.0, 1.0), limit(0.0, 20.0))
    assert judged.reason is not None
    assert judged.reason.startswith("below")
    assert "test" in judged.reason
    assert judged.conformance is not None
    assert math.isclose(judged.conformance, 0.0, abs_tol=1e-6)


def test_what_a_limit_is_off_by_alike_does_not_widen_its_guard_band() -> None:
    """A difference of two values with one error in common is free of it (JCGM 100:2008, 5.2)."""
    value = Measurement(0.76, "1", 0.01, {"common": 0.03, "own": 0.0})
    limit = Limit(0.73, None, "")
    assert judge_one("core_effectiveness", value, limit).verdict == "undecided"
    alike = replace(limit, cancels=("common",))
    judged = judge_one("core_effectiveness", value, alike)
    assert judged.verdict == "pass"
    assert judged.conformance == pytest.approx(norm.cdf(3.0))
    # where more would decide it, nothing that cancels is blamed
    near = judge_one("core_effectiveness", replace(value, value=0.74), alike)
    assert "common" not in (near.reason or "common")
    # what is said of the figure keeps its whole uncertainty
    assert judged.measurement.u == pytest.approx(math.hypot(0.01, 0.03))
