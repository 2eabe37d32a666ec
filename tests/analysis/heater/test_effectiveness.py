"""Effectiveness-NTU against textbook examples and the `ht` package."""

from __future__ import annotations

import numpy as np
import pytest
from ht.hx import effectiveness_from_NTU
from hypothesis import given
from hypothesis import strategies as st

from analysis.heater.effectiveness import (
    effectiveness_from_ntu,
    ntu_from_effectiveness,
)


@pytest.mark.parametrize("ntu", [0.01, 0.3, 1.0, 2.0, 5.0, 9.0])
@pytest.mark.parametrize("ratio", [0.01, 0.25, 0.5, 0.7, 0.97])
def test_agrees_with_the_ht_package(ntu: float, ratio: float) -> None:
    expected = effectiveness_from_NTU(ntu, ratio, subtype="crossflow")
    assert effectiveness_from_ntu(ntu, ratio) == pytest.approx(expected, abs=1e-10)


def test_cengel_automotive_radiator() -> None:
    """Cengel, Heat and Mass Transfer, A Practical Approach, example 11-6: cross flow, unmixed.

    Water 0.6 kg/s of 4195 J/(kg K) from 90 to 65 °C, air from 20 to 40 °C over 40 tubes of 5 mm
    by 0.65 m; the book's U by the LMTD method is 3347 W/(m² K).
    """
    q = 0.6 * 4195 * (90 - 65)
    assert q == pytest.approx(62925)
    c_air, c_water = q / (40 - 20), 0.6 * 4195
    least, most = min(c_air, c_water), max(c_air, c_water)
    ntu = ntu_from_effectiveness(q / (least * (90 - 20)), least / most)
    u = float(ntu) * least / (40 * np.pi * 0.005 * 0.65)
    assert u == pytest.approx(3347, rel=1e-3)


def test_incropera_finned_tube_exchanger() -> None:
    """Incropera and DeWitt, 6th ed., example 11.3: the chart gives NTU 2.1 at eps 0.75, Cr 0.45.

    A chart is read to a few percent.
    """
    assert float(ntu_from_effectiveness(0.7547, 0.45)) == pytest.approx(2.1, rel=0.03)


def test_incropera_same_exchanger_at_other_rates() -> None:
    """Incropera and DeWitt, 6th ed., example 11.4: NTU 2.67, Cr 0.357, chart about 0.82."""
    assert float(effectiveness_from_ntu(2.67, 0.357)) == pytest.approx(0.82, rel=0.03)


def test_a_stream_of_constant_temperature_is_the_limit() -> None:
    ntu = np.array([0.1, 1.0, 4.0])
    exact = effectiveness_from_ntu(ntu, 0.0)
    np.testing.assert_allclose(exact, 1 - np.exp(-ntu), rtol=1e-14)
    np.testing.assert_allclose(effectiveness_from_ntu(ntu, 1e-7), exact, atol=1e-6)


@given(
    ntu=st.floats(0.001, 8.0),
    ratio=st.floats(0.0, 1.0),
)
def test_the_inverse_gives_back_the_transfer_units(ntu: float, ratio: float) -> None:
    effectiveness = effectiveness_from_ntu(ntu, ratio)
    # where the curve is flat a rounding of the effectiveness is a lot of transfer units
    back = ntu_from_effectiveness(effectiveness, ratio)
    again = effectiveness_from_ntu(back, ratio)
    assert float(again) == pytest.approx(float(effectiveness), abs=1e-12)
    if ntu < 3.0:
        assert float(back) == pytest.approx(ntu, rel=1e-8)


def test_what_cannot_be_reached_is_nan() -> None:
    # nothing exchanges all, and equal rates in cross flow come near it only for endless size
    unreachable = ntu_from_effectiveness([0.99, 1.0, 0.8], 1.0)
    np.testing.assert_array_equal(np.isnan(unreachable), [True, True, False])
    assert np.isnan(effectiveness_from_ntu(np.nan, 0.5))


@pytest.mark.parametrize(("ntu", "ratio"), [(-0.1, 0.5), (1.0, 1.1), (1.0, -0.1)])
def test_nonsense_is_refused(ntu: float, ratio: float) -> None:
    with pytest.raises(ValueError, match=r"transfer units|capacity rates"):
        effectiveness_from_ntu(ntu, ratio)


def test_negative_effectiveness_is_refused() -> None:
    with pytest.raises(ValueError, match="effectiveness"):
        ntu_from_effectiveness(-0.2, 0.5)
