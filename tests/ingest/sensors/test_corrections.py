"""Corrections from the bench: the straight line through the baths, and what stays open beside it.

The line is that of least squares (`numpy.polyfit`); errors go through it by the law of propagation
(JCGM 100, 5.1.2).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from ingest.errors import UnusableRun
from ingest.points import TEMPERATURE
from ingest.run import ErrorSource, Sensor
from ingest.sensors.corrections import (
    JUNCTION_SHARE,
    REACH_K,
    SHAPE_SHARE,
    Correction,
    CorrectionPoint,
    corrected,
    corrections_text,
    parse_corrections,
)

READINGS = np.array([-20.0, 0.0, 40.0, np.nan, 120.0])


def bath(at: float, offset: float, reference: str = "ice", u: float = 0.1) -> CorrectionPoint:
    return CorrectionPoint(at=at, offset=offset, u=u, reference=reference, u_reference=0.05)


def sensor(*errors: ErrorSource) -> Sensor:
    return Sensor("outlet", "outlet_degC", TEMPERATURE, "thermocouple", "CH1", errors)


def of(*points: CorrectionPoint) -> Correction:
    return Correction(sensor="thermocouple", column="CH1", points=points)


def u_at(errors: list[ErrorSource], reading: float) -> float:
    return abs(sum(each.u + each.slope * (reading - each.at) for each in errors))


@pytest.mark.parametrize(
    "points",
    [
        [(0.0, 1.0), (100.0, 3.0)],
        [(0.0, 1.0), (50.0, 1.5), (100.0, 3.0)],
        [(-10.0, -0.4), (60.0, 0.9)],
    ],
)
def test_between_baths_the_correction_is_the_line_of_least_squares(
    points: list[tuple[float, float]],
) -> None:
    made = of(*(bath(at, offset, f"bath {at}") for at, offset in points))
    changed, readings = corrected(sensor(ErrorSource("tolerance of outlet", 2.0)), READINGS, made)
    line = np.polyfit(*np.array(points).T, 1)
    np.testing.assert_allclose(readings, READINGS - np.polyval(line, READINGS), atol=1e-12)
    # an error of one bath moves the line as a change of its offset does
    for place, (at, _) in enumerate(points):
        for name, u in (
            (f"correction of outlet at bath {at}", 0.1),
            (f"reference bath {at}", 0.05),
        ):
            (error,) = [each for each in changed.errors if each.name == name]
            unit = [float(each == place) for each in range(len(points))]
            alone = np.polyfit([each for each, _ in points], unit, 1)
            for reading in (0.0, 70.0):
                found = error.u + error.slope * (reading - error.at)
                assert found == pytest.approx(u * np.polyval(alone, reading))
    (left,) = [each for each in changed.errors if "away from" in each.name]
    assert (left.u, left.slope) == (pytest.approx(SHAPE_SHARE * 2.0), 0.0)
    assert "tolerance of outlet" not in [each.name for each in changed.errors]


def test_one_bath_is_an_offset_and_the_tolerance_comes_back_away_from_it() -> None:
    made = of(bath(20.0, 1.0))
    changed, readings = corrected(sensor(ErrorSource("tolerance of outlet", 2.0)), READINGS, made)
    np.testing.assert_array_equal(readings, READINGS - 1.0)
    away = [each for each in changed.errors if "away from" in each.name]
    assert u_at(away, 20.0) == 0.0
    assert u_at(away, 20.0 + REACH_K) == pytest.approx(2.0)
    assert u_at(away, 20.0 - 0.5 * REACH_K) == pytest.approx(1.0)


@pytest.mark.parametrize(("apart", "slopes"), [(29.0, False), (31.0, True)])
def test_baths_close_together_give_no_slope(apart: float, *, slopes: bool) -> None:
    made = of(bath(0.0, 1.0), bath(apart, 2.0))
    _, readings = corrected(sensor(), READINGS, made)
    assert bool(np.ptp((READINGS - readings)[[0, 1, 2, 4]]) > 0.1) is slopes
    if not slopes:
        np.testing.assert_allclose(readings, READINGS - 1.5)


def test_a_tolerance_that_grows_counts_as_it_is_in_the_middle_of_the_baths() -> None:
    grows = ErrorSource("tolerance of outlet", 1.0, 0.01, 0.0)
    changed, _ = corrected(sensor(grows), READINGS, of(bath(0.0, 1.0), bath(100.0, 2.0)))
    (left,) = [each for each in changed.errors if "away from" in each.name]
    assert left.u == pytest.approx(SHAPE_SHARE * 1.5)
    two = sensor(grows, ErrorSource("tolerance of outlet", 2.0))
    changed, _ = corrected(two, READINGS, of(bath(0.0, 1.0), bath(100.0, 2.0)))
    (left,) = [each for each in changed.errors if "away from" in each.name]
    assert left.u == pytest.approx(SHAPE_SHARE * math.hypot(1.5, 2.0))


def test_of_a_cold_junction_half_was_in_the_offset_and_nothing_else_stays() -> None:
    errors = (
        ErrorSource("cold junction of the logger", 0.6, 0.002, 5.0),
        ErrorSource("logger's scale", 0.3),
    )
    changed, _ = corrected(sensor(*errors), READINGS, of(bath(0.0, 1.0)))
    (kept,) = [each for each in changed.errors if each.name == "cold junction of the logger"]
    assert kept.u == pytest.approx(JUNCTION_SHARE * 0.6)
    assert kept.slope == pytest.approx(JUNCTION_SHARE * 0.002)
    assert kept.at == 5.0
    assert "logger's scale" not in [each.name for each in changed.errors]


def test_a_file_that_was_written_is_read_again() -> None:
    made = {"outlet": of(bath(0.0, -0.4)), "cabin": of(bath(0.0, 0.1), bath(60.0, 0.2, "warm"))}
    assert parse_corrections(corrections_text(made), "corrections.toml") == made


@pytest.mark.parametrize(
    "point",
    [
        "at = 0.0\noffset = 1.0\nu = 0.0\nreference = 'ice'\nu_reference = 0.1\n",
        "at = 0.0\noffset = 1.0\nu = 0.1\nreference = 'ice'\nu_reference = -0.1\n",
        "at = nan\noffset = 1.0\nu = 0.1\nreference = 'ice'\nu_reference = 0.1\n",
        "at = 0.0\noffset = 1.0\nu = 0.1\nreference = 'ice'\nu_reference = 0.1\nmore = 1\n",
        "",
    ],
)
def test_what_is_no_correction_is_refused(point: str) -> None:
    head = "[channels.outlet]\nsensor = 'thermocouple'\ncolumn = 'CH1'\n"
    body = f"[[channels.outlet.points]]\n{point}" if point else "points = []\n"
    with pytest.raises(UnusableRun) as caught:
        parse_corrections(head + body, "corrections.toml")
    assert len(caught.value.faults) == 1
    with pytest.raises(UnusableRun):
        parse_corrections("", "corrections.toml")
