"""Fluid properties against published libraries' values."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.heater.properties import (
    air_density,
    air_specific_heat,
    coolant_density,
    coolant_specific_heat,
)

# CoolProp 8.0.0, PropsSI('D' | 'C', 'T', T, 'P', 101325, 'Air'): °C, kg/m³, J/(kg K)
AIR = np.array(
    [
        (-20, 1.39565, 1005.54),
        (0, 1.29307, 1005.68),
        (20, 1.20458, 1006.14),
        (40, 1.12745, 1006.92),
        (60, 1.05963, 1008.02),
        (80, 0.99952, 1009.46),
    ]
)

# CoolProp 8.0.0, INCOMP::AEG[0.5] at 3 bar: °C, kg/m³, J/(kg K)
GLYCOL = np.array(
    [
        (-20, 1086.872, 3126.18),
        (0, 1081.085, 3203.39),
        (20, 1073.348, 3280.60),
        (40, 1063.664, 3357.81),
        (60, 1052.035, 3435.06),
        (80, 1038.465, 3512.33),
        (90, 1030.952, 3550.99),
        (100, 1022.955, 3589.66),
    ]
)

# ASHRAE Handbook Fundamentals, 50 % ethylene glycol by volume: °F, lb/ft³
ASHRAE_DENSITY = ((70, 67.05), (100, 66.55), (140, 65.75), (160, 65.30), (180, 64.80), (200, 64.27))


def test_air_against_coolprop() -> None:
    np.testing.assert_allclose(air_density(AIR[:, 0]), AIR[:, 1], rtol=1e-3)
    np.testing.assert_allclose(air_specific_heat(AIR[:, 0]), AIR[:, 2], atol=0.05)


def test_glycol_against_coolprop() -> None:
    np.testing.assert_allclose(coolant_density(GLYCOL[:, 0]), GLYCOL[:, 1], atol=0.05)
    np.testing.assert_allclose(coolant_specific_heat(GLYCOL[:, 0]), GLYCOL[:, 2], atol=0.1)


@pytest.mark.parametrize(("fahrenheit", "pounds"), ASHRAE_DENSITY)
def test_glycol_density_against_the_handbook(fahrenheit: float, pounds: float) -> None:
    expected = pounds * 0.45359237 / 0.3048**3
    assert float(coolant_density((fahrenheit - 32) / 1.8)) == pytest.approx(expected, rel=2e-3)


def test_air_thins_with_altitude() -> None:
    # ISO 2533 at 1500 m geopotential: 84556.0 Pa, 278.40 K, 1.05807 kg/m³
    assert float(air_density(278.40 - 273.15, 84556.0)) == pytest.approx(1.05807, rel=1e-4)


def test_outside_the_range_there_is_no_value() -> None:
    assert np.isnan(air_density(131.0))
    assert np.isnan(air_specific_heat(-51.0))
    assert np.isnan(coolant_density([-31.0, 121.0])).all()
    assert np.isnan(coolant_specific_heat(np.nan))
