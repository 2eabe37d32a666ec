"""The coolant's readings as the studies see them: their step."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from analysis.coolant.course import resolution_of
from tests.support.contexts import context_of
from tests.support.signals.runs import make_run

TIME = np.arange(0.0, 600.0)


@pytest.mark.parametrize("step", [0.25, 1.0])
def test_the_step_is_the_sensor_s_own_or_the_smallest_that_is_seen(step: float) -> None:
    levels = np.round(np.linspace(20.0, 80.0, TIME.size) / step) * step
    run = make_run(TIME, {"engine_coolant": levels})
    assert resolution_of(context_of(run), "engine_coolant") == pytest.approx(step)
    stated = {name: dataclasses.replace(each, resolution=0.5) for name, each in run.sensors.items()}
    assert resolution_of(context_of(run.with_(sensors=stated)), "engine_coolant") == 0.5


def test_a_coolant_that_never_moved_shows_no_step() -> None:
    run = make_run(TIME, {"engine_coolant": np.full(TIME.size, 40.0)})
    assert resolution_of(context_of(run), "engine_coolant") == 0.0
