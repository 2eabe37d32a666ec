"""A log that ends while the coolant still climbs gives no steady outlet."""

from __future__ import annotations

import numpy as np

from analysis.context import Context
from tests.support.contexts import context_of
from tests.support.signals.runs import make_run


def warming(end: float) -> Context:
    time = np.arange(0.0, end)
    coolant = 85.0 - 90.0 * np.exp(-time / 400.0)
    rng = np.random.default_rng(2)
    channels = {
        "outlet": 0.7 * (coolant + 5.0) - 5.0 + rng.normal(0.0, 0.2, time.size),
        "ambient": np.full(time.size, -5.0),
        "engine_coolant": np.round(coolant),
    }
    events = [(0.0, "temp_lever", 100.0), (0.0, "blower", 3.0), (0.0, "engine", "start")]
    return context_of(make_run(time, channels, events))


def test_cut_in_the_warm_up_it_is_not_measured() -> None:
    assert warming(420.0).figure("steady_outlet_rise").value is None


def test_run_to_its_end_it_is() -> None:
    rise = warming(2700.0).figure("steady_outlet_rise")
    assert rise.value is not None
    assert abs(rise.value - 0.7 * 90.0) < 2.0 * (rise.u or 0.0) + 0.6
