"""Signs on runs whose figures are given: seen, not seen, or not to be told.

Physics: heat flows from the warmer to the colder, so that an outlet is never hotter than the
coolant that warms it, nor colder than the air that enters where nothing cools; a supply is warmer
than its return. How far beyond its uncertainty a figure must lie is the module's own choice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from analysis.causes.signs.signs import signs_seen
from analysis.measured import Measured
from analysis.measurement import Measurement
from analysis.pipeline import measure
from ingest.run import Finding
from tests.support.signals.hold_runs import heater_run

TIME = np.arange(-60.0, 900.0)


@cache
def run_of(heater: str = "blend-air", *, volts: float = 13.2, step: int = 4) -> Measured:
    extra = {"blower_voltage": np.full(TIME.size, volts)}
    events = [(-59.0, "blower", step)]
    return measure(heater_run(900.0, extra=extra, events=events, heater=heater))


def signs(
    figures: Mapping[str, tuple[float | None, float]],
    *findings: Finding,
    heater: str = "blend-air",
) -> Mapping[str, bool | None]:
    given = {name: Measurement(value, "K", u) for name, (value, u) in figures.items()}
    return signs_seen(replace(run_of(heater), figures=given, findings=findings))


@pytest.mark.parametrize(
    ("drop", "seen"),
    [((-6.0, 0.5), True), ((-1.2, 0.5), False), ((8.0, 0.5), False), ((None, 0.0), None)],
)
def test_a_supply_cooler_than_its_return(drop: tuple[float | None, float], seen: object) -> None:
    assert signs({"coolant_drop": drop})["supply_cooler_than_return"] is seen


def test_whether_a_lever_works_backwards_is_told_where_its_travel_was_measured() -> None:
    name = "goes_wrong_way"
    assert signs({})[name] is None
    assert signs({"effective_travel": (None, 0.0)})[name] is None
    assert signs({"effective_travel": (85.0, 2.0)})[name] is False
    backwards = Finding("lever_works_backwards", "it does", "temp_lever")
    assert signs({}, backwards)[name] is True


@pytest.mark.parametrize(
    ("heater", "figure", "value", "seen"),
    [
        ("blend-air", "core_effectiveness", (1.2, 0.02), True),
        ("blend-air", "core_effectiveness", (1.02, 0.02), False),  # within three u
        ("blend-air", "core_effectiveness", (0.7, 0.02), False),
        ("blend-air", "core_effectiveness", (-0.3, 0.02), True),
        ("blend-air", "core_effectiveness", (-0.08, 0.02), False),
        ("blend-air", "cold_end_rise", (-6.0, 0.5), True),
        ("blend-air", "cold_end_rise", (-2.0, 0.5), False),
        ("combined", "cold_end_rise", (-6.0, 0.5), False),  # an air conditioner may
        ("combined", "cold_end_rise", (-13.0, 0.5), True),
        ("blend-air", "cold_end_rise", (20.0, 0.5), False),
    ],
)
def test_what_no_heater_can_do_puts_a_sensor_in_doubt(
    heater: str, figure: str, value: tuple[float, float], seen: object
) -> None:
    assert signs({figure: value}, heater=heater)["sensor_doubtful"] is seen


def test_an_outlet_hotter_than_a_reversed_supply_is_possible() -> None:
    """What enters the core comes by the other hose."""
    reversed_ = {"core_effectiveness": (1.4, 0.05), "coolant_drop": (-30.0, 1.0)}
    found = signs(reversed_)
    assert found["supply_cooler_than_return"]
    assert not found["sensor_doubtful"]


@pytest.mark.parametrize(
    ("volts", "step", "seen"),
    [
        (13.2, 4, False),
        (11.0, 5, True),
        (11.9, 5, False),  # 88 % of 13.5 V
        (11.2, 4, False),  # the fourth of five steps gets four fifths, and of four all
        (9.0, 4, True),
        (8.0, 3, False),
        (6.5, 3, True),
        (5.0, 2, None),  # never at its top
        (11.3, 6, False),  # the sixth of eight keys
        (8.4, 6, True),
    ],
)
def test_a_starved_blower(volts: float, step: int, seen: object) -> None:
    assert signs_seen(run_of(volts=volts, step=step))["blower_starved"] is seen


def test_what_was_not_logged_cannot_be_told() -> None:
    found = signs_seen(run_of())
    assert found["vacuum_sags"] is None
    assert found["supply_cooler_than_return"] is None
    assert found["outlet_unusable"] is False
