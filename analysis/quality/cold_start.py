"""The outside air of a run that logged none: what a cold car's outlet reads before it is heated.

A car that stood long enough for its coolant to be cold has the temperature of the air around it, a
few kelvin off: it stood in a garage, or in the sun, or the night was colder than the morning. That
is worth a rise with a wide uncertainty, and it is said wherever it is used.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from analysis.quality.view import COOLANTS, FRESH_AIR
from analysis.timeline.levels import COLD_CAR
from ingest.arrays import Floats
from ingest.findings import finding
from ingest.points import TEMPERATURE, column_name
from ingest.run import ErrorSource, Run, Sensor

OUTSIDE_AIR_TAKEN: Final = finding(
    "outside_air_taken",
    "No outside air was logged: {level:.1f degC} was taken for it, what the outlet read of the cold"
    " car when the engine started ({why}); the rise above it is the less certain for it.",
    do="Log the outside air, or read a thermometer once and give its value in run.toml.",
)

LATEST_S: Final = 30.0
"""A log that begins later than this after the engine start does not show the cold car."""

FIRST_S: Final = 10.0
"""So long no heat reaches the outlet."""

NEAR_K: Final = 6.0
"""Coolant this near to the outlet is as cold as the car."""

HOTTEST_C: Final = 40.0
"""No car that stood cold is warmer than this."""

SLOW_S: Final = 90.0
WARMED_K: Final = 15.0
"""Where no coolant is logged: an outlet that warms by this much, and takes this long for half of
it, was warmed by an engine that was cold."""

U_WITH_COOLANT: Final = 3.0
U_WITHOUT: Final = 5.0
"""Standard uncertainty of the air around a car by the temperature of that car standing cold, K:
where the coolant was as cold as the outlet, and where only the outlet's slow warming says so
(common practice, no source)."""


def with_outside_air(run: Run) -> Run:
    """The run with `ambient` from its first readings, where it logged no air and started cold.

    Parameters
    ----------
    run
        An assessed run.
    """
    if any(run.has(point) for point in FRESH_AIR) or not run.has("outlet"):
        return run
    time, outlet = run.series("outlet")
    if time[0] > LATEST_S:
        return run
    first = int(np.searchsorted(time, max(float(time[0]), 0.0) + FIRST_S))
    level = float(np.median(outlet[: max(1, first)]))
    told = _cold(run, time, outlet, level)
    if told is None or level > HOTTEST_C:
        return run
    why, u = told
    column = column_name("ambient", TEMPERATURE)
    source = run.sensors["outlet"]
    # what is wrong with the outlet's sensor is wrong with both and cancels
    errors = (*source.errors, ErrorSource("cold car for outside air", u))
    sensor = Sensor("ambient", column, TEMPERATURE, COLD_CAR, source.source, errors)
    return run.with_(
        readings=run.readings.with_columns(pl.lit(level).alias(column)),
        sensors={**run.sensors, "ambient": sensor},
        findings=(*run.findings, OUTSIDE_AIR_TAKEN.found("ambient", level=level, why=why)),
    )


def _cold(run: Run, time: Floats, outlet: Floats, level: float) -> tuple[str, float] | None:
    """What shows that the car was cold, and what the air is then uncertain by, K."""
    for point in COOLANTS:
        if run.has(point):
            _, coolant = run.series(point)
            near = abs(float(coolant[0]) - level) <= NEAR_K
            return ("its coolant was as cold", U_WITH_COOLANT) if near else None
    high = float(np.quantile(outlet, 0.95))
    if high - level < WARMED_K:
        return None
    half = float(time[int(np.argmax(outlet >= 0.5 * (level + high)))])
    if half - max(float(time[0]), 0.0) < SLOW_S or float(outlet.min()) < level - NEAR_K:
        return None
    return "it warmed as slowly as a cold engine does", U_WITHOUT
