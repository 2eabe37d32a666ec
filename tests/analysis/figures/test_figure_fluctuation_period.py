"""fluctuation_period: found where there is a rhythm, and only there."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.signal.fluctuation import Period, Sampled, period, sample
from tests.support.contexts import context_of
from tests.support.signals.hold_runs import correlated, heater_run

TIME = np.arange(-60.0, 1800.0)


def found_in(time: np.ndarray, values: np.ndarray) -> Period | None:
    sampled = sample(time, values)
    assert isinstance(sampled, Sampled), sampled
    return period(sampled)


@pytest.mark.parametrize("step", [0.2, 1.0, 2.0, 5.0])
@pytest.mark.parametrize("seconds", [20.0, 35.0, 60.0])
def test_a_rhythm_is_found(step: float, seconds: float) -> None:
    rng = np.random.default_rng(1)
    time = np.arange(0.0, 420.0, step)
    for _ in range(10):
        swing = 3.0 * np.sin(2.0 * np.pi * (time / seconds + rng.uniform()))
        found = found_in(time, swing + 0.3 * rng.standard_normal(time.size))
        assert found is not None
        assert found.seconds == pytest.approx(seconds, rel=0.02)
        assert abs(found.seconds - seconds) <= 2.0 * found.u


def test_a_wandering_rhythm_is_covered() -> None:
    """Phase walks by one radian in 100 s."""
    rng = np.random.default_rng(2)
    time = np.arange(0.0, 500.0)
    inside = []
    for _ in range(60):
        phase = np.cumsum(rng.standard_normal(time.size)) * 0.1
        found = found_in(time, 4.0 * np.sin(2.0 * np.pi * time / 30.0 + phase))
        assert found is not None
        inside.append(abs(found.seconds - 30.0) <= 2.0 * found.u)
    assert np.mean(inside) >= 0.85


@pytest.mark.parametrize("lag", [0.0, 5.0, 20.0])
def test_scatter_has_no_rhythm(lag: float) -> None:
    rng = np.random.default_rng(3)
    time = np.arange(0.0, 500.0)
    alarms = [
        found_in(time, correlated(rng, time.size, 1.0, lag, 0.5)) is not None for _ in range(80)
    ]
    assert np.mean(alarms) <= 0.05


def test_too_few_swings_are_no_rhythm() -> None:
    time = np.arange(0.0, 150.0)
    assert found_in(time, 3.0 * np.sin(2.0 * np.pi * time / 60.0)) is None


def test_a_flat_line_has_none() -> None:
    assert found_in(np.arange(0.0, 300.0), np.full(300, 20.0)) is None


def test_the_figure_and_its_reasons() -> None:
    swing = 4.0 * np.sin(2.0 * np.pi * TIME / 35.0) * (TIME > 0.0)
    found = context_of(heater_run(extra={"outlet": swing})).figure("fluctuation_period")
    assert found.value == pytest.approx(35.0, abs=0.3)
    assert found.window is not None
    calm = context_of(heater_run()).figure("fluctuation_period")
    assert calm.note == "no rhythm stands out of the outlet's scatter in the steady window"
    parked = context_of(heater_run(events=[(0.5, "temp_lever", 50)]))
    assert "hot end" in (parked.figure("fluctuation_period").note or "")
