"""Platinum, thermistors, scales and pressure against published values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.sensors.transducer import (
    beta_temperature,
    platinum_resistance,
    platinum_temperature,
    scaled,
    steinhart_hart_temperature,
    vacuum,
)

# IEC 60751:2008, table of a 100 ohm thermometer, rounded there to 0.01 ohm; the further digits are
# worked from the standard's A, B and C.
PLATINUM = {
    -200: 18.5201, -100: 60.2558, -50: 80.3063, -40: 84.2707, -20: 92.1599, 0: 100.0,
    20: 107.7935, 25: 109.7347, 50: 119.3971, 80: 130.8968, 100: 138.5055, 150: 157.3251,
    200: 175.8560, 400: 247.0920, 600: 313.7080, 850: 390.4811,
}  # fmt: skip

# A worked example of a maker of thermistor bridges: 25 kohm at 5 °C, 10 kohm at 25 °C, 4 kohm at
# 45 °C (thermistor calculator, coefficients as printed there).
STEINHART = (2.108508173e-3, 0.7979204727e-4, 6.535076315e-7)


def test_platinum_matches_iec_60751() -> None:
    at, ohm = np.array(list(PLATINUM), dtype=float), np.array(list(PLATINUM.values()))
    assert platinum_resistance(at) == pytest.approx(ohm, abs=6e-5)
    assert platinum_temperature(ohm) == pytest.approx(at, abs=2e-4)
    assert platinum_resistance(100.0, 1000.0) == pytest.approx(1385.055, abs=6e-4)


@given(t=st.floats(-200.0, 850.0), r0=st.sampled_from([100.0, 500.0, 1000.0]))
def test_platinum_round_trip(t: float, r0: float) -> None:
    assert float(platinum_temperature(platinum_resistance(t, r0), r0)) == pytest.approx(t, abs=1e-6)


def test_platinum_outside_its_range_is_nothing() -> None:
    assert np.isnan(platinum_resistance([-200.1, 850.1, np.nan])).all()
    assert np.isnan(platinum_temperature([0.0, 18.51, 390.49, 1e9, -1.0, np.nan])).all()


def test_steinhart_hart_matches_the_worked_example() -> None:
    found = steinhart_hart_temperature([25_000.0, 10_000.0, 4_000.0], STEINHART)
    assert found == pytest.approx([5.0, 25.0, 45.0], abs=1e-4)


def test_beta_model() -> None:
    # 1/T = 1/298.15 + ln(3000/10000)/3950, worked by hand: 54.8035 °C
    assert float(beta_temperature(3000.0, 3950.0, 1e4)) == pytest.approx(54.8035, abs=1e-4)
    assert float(beta_temperature(1e4, 3950.0, 1e4)) == pytest.approx(25.0, abs=1e-9)


@given(t=st.floats(-60.0, 200.0), beta=st.floats(2500.0, 5000.0))
def test_beta_round_trip(t: float, beta: float) -> None:
    ohm = 1e4 * np.exp(beta * (1.0 / (t + 273.15) - 1.0 / 298.15))
    assert float(beta_temperature(ohm, beta, 1e4)) == pytest.approx(t, abs=1e-6)


@pytest.mark.parametrize("ohm", [0.0, -5.0, np.nan, 1e-3, 1e12])
def test_broken_or_shorted_thermistor_is_nothing(ohm: float) -> None:
    assert np.isnan(steinhart_hart_temperature(ohm, STEINHART))
    assert np.isnan(beta_temperature(ohm, 3950.0, 1e4))


def test_scale() -> None:
    found = scaled([0.5, 2.5, 4.5], (0.5, 4.5), (0.0, 100.0))
    assert found.tolist() == [0.0, 50.0, 100.0]
    falling = scaled([0.5, 4.5], (4.5, 0.5), (0.0, 100.0))
    assert falling.tolist() == [100.0, 0.0]


def test_signal_outside_its_scale_is_nothing_but_zero_drift_is_kept() -> None:
    found = scaled([0.0, 0.45, 4.6, 5.0, np.nan], (0.5, 4.5), (0.0, 100.0))
    assert np.isnan(found).tolist() == [True, False, False, True, True]
    assert found[1] == pytest.approx(-1.25)  # not clamped


def test_ratiometric_transducer_follows_its_supply() -> None:
    raw, supply = np.array([2.5, 2.45, 2.5]), np.array([5.0, 4.9, 0.2])
    found = scaled(raw, (0.5, 4.5), (0.0, 100.0), supply, 5.0)
    assert found[:2] == pytest.approx([50.0, 50.0])
    assert np.isnan(found[2])  # no supply, no reading


def test_every_way_to_write_a_vacuum() -> None:
    # the same 60 kPa of vacuum under 98.6 kPa of air
    assert float(vacuum(60.0, "vacuum")) == 60.0
    assert float(vacuum(-60.0, "gauge")) == 60.0
    assert float(vacuum(38.6, "absolute", 98.6)) == pytest.approx(60.0)
    with pytest.raises(ValueError, match="barometer"):
        vacuum(38.6, "absolute")
