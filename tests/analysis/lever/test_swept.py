"""A lever that is swept slowly by hand and noted once is no step: no time is made of it."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.lever.steps.step import is_swept
from analysis.pipeline import analyze
from ingest.arrays import Floats
from tests.support.signals.lever_cars import STEP_S, Door, Lags, Log, lever_run, sweep
from tests.support.signals.runs import make_controls


def there_and_back(seconds: float) -> Floats:
    """Lever position every `STEP_S`: from hot to cold and back, each in so many seconds."""
    time = np.arange(0.0, 400.0 + 2.0 * seconds, STEP_S)
    corners = [0.0, 100.0, 100.0 + seconds, 200.0 + seconds, 200.0 + 2.0 * seconds]
    return np.interp(time, corners, [100.0, 100.0, 0.0, 0.0, 100.0])


@pytest.mark.parametrize("seconds", [30.0, 60.0, 120.0, 200.0])
@pytest.mark.parametrize("noted", ["when it began", "when it was there", "at every quarter"])
@pytest.mark.parametrize("shape", ["straight", "smooth", "sine", "bent"])
def test_a_sound_car_does_not_fail_for_a_swept_lever(
    seconds: float, noted: str, shape: str
) -> None:
    door, lags = Door(shape=shape), Lags(closed=5.0, open=5.0)
    run = lever_run(door, lags, Log(), [(0.0, 100.0)], hand_sweep=there_and_back(seconds))
    begins = {100.0: 100.0, 200.0 + seconds: 0.0}
    events = [(-60.0, "blower", 3.0), (-60.0, "mode", "floor"), (-60.0, "temp_lever", 100.0)]
    for begin, start in begins.items():
        way = 1.0 if start == 0.0 else -1.0
        quarters = (1, 2, 3, 4) if noted == "at every quarter" else (4,)
        for quarter in quarters:
            late = 0.0 if noted == "when it began" else seconds * quarter / 4.0
            events.append((begin + late, "temp_lever", start + way * 25.0 * quarter))
    found = analyze(run.with_(controls=make_controls(events)))
    assert found.judged["response_time"].verdict in {"not measured", "pass", "undecided"}


@pytest.mark.parametrize("lags", [
    Lags(closed=8.0, open=8.0), Lags(closed=25.0, open=25.0), Lags(closed=20.0, open=8.0),
    Lags(closed=6.0, open=20.0, late_share=0.2), Lags(closed=12.0, open=12.0, sensor=8.0),
])  # fmt: skip
@pytest.mark.parametrize("interval", [0.5, 2.0])
def test_a_real_step_is_measured_whatever_lags_it(lags: Lags, interval: float) -> None:
    moves = [(0.0, 100.0), (100.0, 0.0), (400.0, 100.0)]
    run = lever_run(Door(), lags, Log(interval=interval), moves, rest=300.0)
    assert analyze(run).figures["response_time"].value is not None


def test_stairs_are_steps() -> None:
    run = lever_run(Door(), Lags(), Log(), sweep(25.0, 60.0))
    assert analyze(run).figures["response_time"].value is not None


@pytest.mark.parametrize("order", [1, 2, 3])
def test_equal_lags_in_series_are_no_line(order: int) -> None:
    """Step responses of `order` equal lags: the Erlang distribution (any table of it)."""
    time = np.arange(0.0, 150.0, 1.0)
    tail = sum((time / 10.0) ** k / np.prod(np.arange(1, k + 1)) for k in range(order))
    assert not is_swept(time, 1.0 - np.exp(-time / 10.0) * tail)


@pytest.mark.parametrize("seconds", [15.0, 40.0, 114.0])
def test_a_line_is_one(seconds: float) -> None:
    time = np.arange(0.0, 3.0 * seconds, 1.0)
    noise = np.random.default_rng(2).normal(0.0, 0.01, time.size)
    assert is_swept(time, np.minimum(time / seconds, 1.0) + noise)
