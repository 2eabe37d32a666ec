"""Measurements: the shared parts cancel, the random ones do not."""

from __future__ import annotations

import math

import pytest

from analysis.measurement import Measurement, combine


def test_common_error_cancels_in_a_difference() -> None:
    one = Measurement(60.0, "°C", 0.1, {"cold junction": 0.5, "tolerance of outlet": 1.0})
    other = Measurement(10.0, "°C", 0.1, {"cold junction": 0.5})
    rise = one.minus(other)
    assert rise.known() == 50.0
    assert rise.shared == {"cold junction": 0.0, "tolerance of outlet": 1.0}
    assert rise.u == pytest.approx(math.sqrt(0.1**2 + 0.1**2 + 1.0))


def test_common_error_doubles_in_a_sum() -> None:
    one = Measurement(1.0, "K", 0.0, {"gauge": 0.2})
    assert one.plus(one).u == pytest.approx(0.4)


def test_end_gauge_budget_of_the_gum() -> None:
    """JCGM 100:2008, H.1.4: the components of the end gauge combine to 32 nm (31.66)."""
    parts = {"l_s": 25.0, "d_theta": 16.599, "d2": 6.7, "d0": 5.8, "d1": 3.9, "d_alpha": 2.88679}
    length = Measurement(50.000838, "mm", 0.0, parts)
    assert length.u == pytest.approx(31.664, abs=0.02)


def test_missing_says_why() -> None:
    gone = Measurement.missing("K", "the lever was never at the hot end")
    assert gone.u is None
    with pytest.raises(ValueError, match="never at the hot end"):
        gone.known()


def test_combine_adds_random_parts_in_quadrature() -> None:
    one = Measurement(1.0, "K", 3.0)
    other = Measurement(2.0, "K", 4.0)
    assert combine(3.0, "K", ((1.0, one), (1.0, other))).u == pytest.approx(5.0)
