"""`vacuum_source_low`: 5th percentile of the source vacuum in ordinary running."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.figures.vacuum_source_low import vacuum_source_low
from tests.support.contexts import context_of
from tests.support.signals.runs import make_run
from tests.support.signals.vacuum_runs import holding


def driven(seconds: float = 1200.0, noise: float = 0.1) -> tuple[np.ndarray, np.ndarray]:
    """Vacuum that goes between 45 and 65 kPa as the load does."""
    time = np.arange(0.0, seconds)
    value = 55.0 + 10.0 * np.sin(time / 25.0)
    return time, value + noise * np.random.default_rng(9).standard_normal(time.size)


def test_percentile_of_a_sine() -> None:
    """5 % of a sine's time are spent below ``-cos(0.05 pi)`` of its amplitude."""
    time, value = driven()
    found = vacuum_source_low(context_of(make_run(time, {"vacuum_source": value})))
    assert found.u is not None
    truth = 55.0 - 10.0 * np.cos(0.05 * np.pi)
    assert abs(found.known() - truth) <= max(2.0 * found.u, 0.2)


@pytest.mark.parametrize("noise", [0.05, 0.5, 1.5])
def test_gauge_noise_does_not_lower_a_constant_vacuum(noise: float) -> None:
    """The plain percentile would be 1.64 standard deviations of the noise too low."""
    time = np.arange(0.0, 900.0)
    value = 60.0 + noise * np.random.default_rng(1).standard_normal(time.size)
    found = vacuum_source_low(context_of(make_run(time, {"vacuum_source": value})))
    assert found.u is not None
    assert abs(found.known() - 60.0) <= min(2.0 * found.u, 1.0 * noise)


def test_leak_downs_and_the_first_minute_are_left_out() -> None:
    time, value, events = holding(600.0, [(200.0, 400.0, 30.0)])
    value[time < 55.0] = 5.0
    found = vacuum_source_low(context_of(make_run(time, {"vacuum_source": value}, events)))
    assert found.known() == pytest.approx(60.0, abs=0.3)


def test_standing_engine_does_not_count() -> None:
    time, value = driven()
    value[time > 900.0] = 0.0
    events = [(0.0, "engine", "start"), (900.0, "engine", "stop")]
    found = vacuum_source_low(context_of(make_run(time, {"vacuum_source": value}, events)))
    assert found.known() > 44.0


def test_gauge_error_is_shared() -> None:
    time, value = driven()
    found = vacuum_source_low(context_of(make_run(time, {"vacuum_source": value}, tolerance=0.8)))
    assert found.shared == {"tolerance of vacuum_source": 0.8}


def test_reasons() -> None:
    time, value = driven()
    none = vacuum_source_low(context_of(make_run(time, {"outlet": value})))
    short = vacuum_source_low(context_of(make_run(time[:90], {"vacuum_source": value[:90]})))
    assert none.note == "the source vacuum was not logged"
    assert short.value is None
    assert short.note is not None
    assert "less than a minute" in short.note
