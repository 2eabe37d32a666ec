"""The coolant's readings as the studies see them: their step."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from analysis.coolant.course import course_of, resolution_of
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


def test_a_lever_nobody_noted_shows_in_the_share_of_the_heat_that_is_given() -> None:
    """Mixing of two air streams: the outlet stands between the air outside and the coolant."""
    time = np.arange(0.0, 1200.0)
    coolant = 5.0 + 75.0 * (1.0 - np.exp(-time / 250.0))
    share = np.where((time > 700.0) & (time < 900.0), 0.1, 0.7)
    channels = {
        "engine_coolant": coolant,
        "outlet": 5.0 + share * (coolant - 5.0),
        "ambient": np.full(time.size, 5.0),
    }
    course = course_of(context_of(make_run(time, channels)), "engine_coolant")
    assert course is not None
    turned = np.abs(course.heater - np.median(course.heater)) >= 15.0
    inside = (course.time > 730.0) & (course.time < 870.0)
    outside = (course.time > 200.0) & ((course.time < 670.0) | (course.time > 930.0))
    assert turned[inside].all()
    assert not turned[outside].any()
    # without an outlet nothing is known of the heater
    alone = course_of(context_of(make_run(time, {"engine_coolant": coolant})), "engine_coolant")
    assert alone is not None
    assert float(np.ptp(alone.heater)) == 0.0
