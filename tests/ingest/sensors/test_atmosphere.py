"""Standard atmosphere against ISO 2533."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.sensors.atmosphere import (
    barometric_pressure,
    geopotential_altitude,
    pressure_at_geopotential,
)

# Geopotential altitude m: pressure Pa, ISO 2533:1975 table 1 (as worked by two open libraries).
ISO_2533 = {
    0.0: 101325.0, 500.0: 95460.8, 1000.0: 89874.6, 1500.0: 84556.0, 1609.344: 83427.6,
    2000.0: 79495.2, 3000.0: 70108.5, 5000.0: 54019.9, 11000.0: 22632.0,
}  # fmt: skip
GEOMETRIC = {500.0: 95461.3, 1000.0: 89876.3, 2000.0: 79501.4, 3000.0: 70121.1, 5000.0: 54048.3}


def test_pressure_matches_iso_2533() -> None:
    found = pressure_at_geopotential(list(ISO_2533))
    assert 1000.0 * found == pytest.approx(list(ISO_2533.values()), abs=0.06)
    for altitude, pascal in GEOMETRIC.items():
        assert 1000.0 * barometric_pressure(altitude) == pytest.approx(pascal, abs=0.06)


def test_outside_the_layer_is_nothing() -> None:
    assert np.isnan(pressure_at_geopotential([-2001.0, 11001.0, np.nan])).all()
    assert np.isnan(barometric_pressure(20_000.0))


@given(st.floats(-1000.0, 9000.0))
def test_higher_is_thinner(altitude: float) -> None:
    assert barometric_pressure(altitude + 10.0) < barometric_pressure(altitude)
    assert float(geopotential_altitude(altitude)) <= altitude + 1e-9
