"""What a run has to say: each reading is counted once, and in the form that tells most.

Heat balance: what the coolant loses the air gains, ``C_coolant * drop = C_air * rise``, so that
drop over rise is a ratio of flows alone. Its uncertainty is that of a quotient (JCGM 100:2008,
5.1.2).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from analysis.causes.evidence import Evidence, Usual, against_good, compare, evidence_of
from analysis.causes.running import Running
from analysis.measured import Measured
from analysis.measurement import Measurement
from analysis.pipeline import measure
from tests.support.signals.hold_runs import AMBIENT, heater_run, warming

TIME = np.arange(-60.0, 900.0)
FIGURES = {
    "coolant_drop": (12.0, 0.6),
    "steady_outlet_rise": (60.0, 0.9),
    "core_effectiveness": (0.7, 0.02),
    "speed_sensitivity": (-1.0, 0.5),
    "coolant_plateau": (85.0, 0.4),
    "vacuum_source_low": (48.0, 0.5),
}
VACUUM = np.where(TIME % 100.0 < 20.0, 48.0, 60.0)
"""60 kPa, and down to 48 for a fifth of the time."""


@cache
def made(*points: str) -> Measured:
    noise = 0.1 * np.random.default_rng(3).standard_normal(TIME.size)
    extra = {"footwell": AMBIENT + 30.0 * warming(TIME) + noise, "vacuum_source": VACUUM + noise}
    return measure(heater_run(900.0, extra={point: extra[point] for point in points}))


def evidence(
    figures: Mapping[str, tuple[float | None, float]], *points: str, left_out: str = ""
) -> Evidence:
    given = {n: Measurement(value, "", u) for n, (value, u) in figures.items() if n != left_out}
    return evidence_of(replace(made(*points), figures=given))


def test_both_hoses_are_counted_once_as_a_ratio_of_flows() -> None:
    found = evidence(FIGURES).figures
    value, u = found["flow_ratio"]
    assert value == pytest.approx(12.0 / 60.0)
    assert u == pytest.approx(0.2 * math.hypot(0.6 / 12.0, 0.9 / 60.0))
    assert "coolant_drop" not in found


@pytest.mark.parametrize("rise", [(3.0, 1.0), (-5.0, 0.2), (0.0, 0.0), None])
def test_no_ratio_to_a_rise_that_is_hardly_there(rise: tuple[float, float] | None) -> None:
    figures = FIGURES | {"steady_outlet_rise": rise or (None, 0.0)}
    found = evidence(figures).figures
    assert "flow_ratio" not in found
    assert found["coolant_drop"] == (12.0, 0.6)


def test_the_outlet_is_counted_once_best_where_the_coolant_is_known() -> None:
    found = evidence(FIGURES).figures
    assert found["core_effectiveness"] == (0.7, 0.02)
    assert "steady_outlet_rise" not in found
    alone = evidence(FIGURES, left_out="core_effectiveness").figures
    assert alone["steady_outlet_rise"] == (60.0, 0.9)
    assert "flow_ratio" in alone


def test_at_the_outlet_road_speed_tells_nothing_of_drafts() -> None:
    assert "speed_sensitivity" not in evidence(FIGURES).figures
    assert evidence(FIGURES, "footwell").figures["speed_sensitivity"] == (-1.0, 0.5)


def test_the_vacuum_is_its_level_at_light_load_and_its_fall_under_load() -> None:
    found = evidence(FIGURES, "vacuum_source").figures
    best, _ = found["vacuum_best"]
    assert best == pytest.approx(60.0, abs=0.4)
    assert found["vacuum_sag"] == (pytest.approx(best - 48.0), 0.5)
    assert "vacuum_source_low" not in found
    unknown = evidence(FIGURES, "vacuum_source", left_out="vacuum_source_low").figures
    assert not {"vacuum_best", "vacuum_sag"} & set(unknown)


def test_a_plateau_is_not_counted_again_as_the_level_late_in_the_run() -> None:
    assert "coolant_reached" not in evidence(FIGURES).figures


def test_what_was_not_measured_is_no_evidence() -> None:
    found = evidence({"core_effectiveness": (None, 0.0), "unheard_of": (1.0, 0.1)})
    assert not {"core_effectiveness", "unheard_of"} & set(found.figures)
    assert found.air_degC == pytest.approx(AMBIENT, abs=0.1)


def test_reversed_hoses_measure_neither_the_core_nor_how_far() -> None:
    """The hose named supply is what the core has left: its temperature bounds no effectiveness."""
    reversed_ = {"coolant_drop": (-40.0, 2.0), "core_effectiveness": (1.4, 0.1)}
    found = evidence(FIGURES | reversed_)
    assert found.signs["supply_cooler_than_return"]
    assert "core_effectiveness" not in found.figures
    assert found.figures["steady_outlet_rise"] == (60.0, 0.9)
    assert found.figures["flow_ratio"][0] == pytest.approx(-0.3)


@pytest.mark.parametrize(("volts", "starved"), [(8.0, False), (7.5, False), (6.5, True)])
def test_a_blower_is_held_against_good_cars_at_its_step(volts: float, *, starved: bool) -> None:
    """85 % of what good cars' blowers get is told as too little, whatever the step is called."""
    good = [Evidence({}, {}, None, Running(3.0, each)) for each in (7.9, 8.0, 8.1)]
    signs = {"blower_starved": not starved}
    mine = Evidence({}, signs, None, Running(3.0, volts))
    assert against_good(mine, good).signs["blower_starved"] is starved
    # at a step that no two of them were judged at nothing is learned
    other = Evidence({}, signs, None, Running(4.0, volts))
    assert against_good(other, good) is other


def test_what_good_cars_are_off_by_as_well_is_no_doubt_of_a_figure_held_against_theirs() -> None:
    """A difference of two values with one error in common is free of it (JCGM 100:2008, 5.2)."""
    name = "core_effectiveness"
    mine = Evidence({name: (0.60, 0.05)}, {}, None, alike={name: 0.04})
    good = Usual.of([Evidence({name: (0.70, 0.05)}, {}, None) for _ in range(6)])
    table = Usual.of(())
    for usual, u in ((good, 0.03), (table, 0.05)):
        sure = compare(Evidence({name: (0.60, 0.0)}, {}, None), usual, name)
        found = compare(mine, usual, name)
        assert sure is not None
        assert found is not None
        slope = u / usual.center[name]
        assert found[1] == pytest.approx(math.hypot(sure[1], slope))
