"""The air side of a heater core against the `ht` package."""

from __future__ import annotations

import numpy as np
import pytest
from ht.hx import effectiveness_from_NTU

from analysis.heater.model import air_effectiveness, air_ntu


@pytest.mark.parametrize("ntu", [0.3, 1.0, 2.5])
@pytest.mark.parametrize("ratio", [0.05, 0.4, 1.0, 1.6, 4.0])
def test_the_air_side_agrees_with_the_ht_package(ntu: float, ratio: float) -> None:
    if ratio <= 1.0:
        expected = effectiveness_from_NTU(ntu, ratio, subtype="crossflow")
    else:  # the coolant is the lesser stream: its share of the heat, over the ratio of the rates
        expected = effectiveness_from_NTU(ntu * ratio, 1.0 / ratio, subtype="crossflow") / ratio
    assert float(air_effectiveness(ntu, ratio)) == pytest.approx(expected, abs=1e-10)


def test_both_streams_alike_join_from_either_side() -> None:
    below, above = air_effectiveness(1.5, [1.0 - 1e-9, 1.0 + 1e-9])
    assert below == pytest.approx(above, abs=1e-8)


def test_what_no_core_can_do_is_nan() -> None:
    assert np.isnan(air_ntu(0.99, 1.5))
    assert np.isnan(air_ntu(0.97 / 0.95, 0.2))
