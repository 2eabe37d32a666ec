"""Where water boils, against the published verification values of IAPWS-IF97."""

from __future__ import annotations

import math

import pytest

from ingest.sensors.saturation import KELVIN, saturation_temperature


@pytest.mark.parametrize(
    ("megapascal", "kelvin"),
    # IAPWS R7-97(2012), Table 36 (from memory; coefficients as in two open libraries)
    [(0.1, 372.755919), (1.0, 453.035632), (10.0, 584.149488)],
)
def test_verification_values(megapascal: float, kelvin: float) -> None:
    found = saturation_temperature(1000.0 * megapascal) + KELVIN
    assert found == pytest.approx(kelvin, abs=5e-7)


def test_normal_boiling_point() -> None:
    # 99.974 °C at 101.325 kPa on ITS-90 (IAPWS-95; from memory)
    assert saturation_temperature(101.325) == pytest.approx(99.974, abs=1e-3)


@pytest.mark.parametrize("kilopascal", [0.6, 22_065.0, -1.0, math.nan])
def test_nothing_is_extrapolated(kilopascal: float) -> None:
    assert math.isnan(saturation_temperature(kilopascal))
