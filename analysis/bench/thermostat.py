"""A thermostat heated in water: where it starts to open, and where it is fully open."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.bench.bath import uniformity
from analysis.bench.registry import Answers, Asked, BenchFigure, part
from analysis.bench.sensors import measured_points
from analysis.limits import Limit
from analysis.measurement import Measurement, combine
from analysis.uncertainty import shared_parts
from ingest.run import Run
from ingest.sensors.units import value_with_unit

OPENING: Final = BenchFigure(
    "opening_start",
    "degC",
    "Thermostat starts to open",
    "Temperature of the wax when the valve was seen to lift (event opens): the water's, with the "
    "thermometer's lag added and the wax's taken off, both at the heating rate; the mean of all "
    "heatings.",
    "T_o = T_water + r · τ_sensor − r · τ_wax, r the heating rate",
    "Without the water's temperature, or without the event opens.",
    "A first-order lag behind a steady rise is the rate times its time constant.",
    "Thermometer, the bath's differences from place to place, how well the wax's lag and the "
    "moment it was noted are known, scatter between heatings.",
)
FULL: Final = BenchFigure(
    "full_open",
    "degC",
    "Thermostat fully open",
    "The same when the valve had ceased to move (event full_open).",
    "As for opening_start.",
    "Without the water's temperature, or without the event full_open.",
    "As for opening_start.",
    "As for opening_start.",
)

WAX_S: Final = (15.0, 10.0)
"""Lag of the wax in stirred water and its half-width (common practice, no source)."""

SENSOR_S: Final = (4.0, 4.0)
"""Lag of a thermometer that says nothing of it, and its half-width (common practice, no source)."""

NOTED_S: Final = (2.0, 4.0)
"""How late a hand notes what an eye sees, and the half-width of that (common practice, no
source)."""

AROUND_S: Final = 30.0
MIN_READINGS: Final = 5

STARTS_K: Final = 3.0
"""A sound thermostat starts to open this near to what is stamped (common practice, no source)."""

OPEN_K: Final = 15.0
"""... and is fully open this much above it at most (common practice, no source)."""


@part(
    "thermostat",
    figures=(OPENING, FULL),
    sound="the thermostat opens where it is stamped",
)
def thermostat(run: Run) -> Answers:
    """Where a thermostat opens (see `OPENING` and `FULL`)."""
    bench = run.setup.bench
    stamped = None if bench is None or bench.stamped is None else bench.stamped
    basis = f"stamped {stamped}; how near a sound one opens: common practice, no source"
    limits: tuple[Limit | None, Limit | None] = (None, None)
    if stamped is not None:
        at = value_with_unit(stamped, "temperature")
        limits = (
            Limit(at - STARTS_K, at + STARTS_K, basis),
            Limit(None, at + OPEN_K, basis),
        )
    return {
        figure.name: Asked(_when(run, control, figure.unit), limit)
        for figure, control, limit in zip(
            (OPENING, FULL), ("opens", "full_open"), limits, strict=True
        )
    }


def _when(run: Run, control: str, unit: str) -> Measurement:
    """The wax's temperature whenever this was noted, the mean of all."""
    points = measured_points(run)
    if not points:
        return Measurement.missing(unit, "the water's temperature was not logged")
    noted = [
        time
        for time, name in zip(
            run.controls["time_s"].to_list(), run.controls["control"].to_list(), strict=True
        )
        if name == control
    ]
    if not noted:
        return Measurement.missing(unit, f"it was not noted when it happened (event {control})")
    found = [each for time in noted if (each := _wax(run, points, time, unit)) is not None]
    if not found:
        return Measurement.missing(
            unit, f"fewer than {MIN_READINGS} readings of the water around the event {control}"
        )
    share = 1.0 / len(found)
    values = [each.known() for each in found]
    mean = combine(float(np.mean(values)), unit, tuple((share, each) for each in found))
    spread = float(np.std(values, ddof=1)) * math.sqrt(share) if len(found) > 1 else 0.0
    return Measurement(
        mean.value,
        unit,
        math.hypot(mean.random, spread),
        mean.shared,
        window=(noted[0] - AROUND_S, noted[-1] + AROUND_S),
    )


def _wax(run: Run, points: list[str], time: float, unit: str) -> Measurement | None:
    """The wax's temperature when something was noted; None without readings around it."""
    water = {point: found for point in points if (found := _line(run, point, time)) is not None}
    if not water:
        return None
    rate = float(np.mean([slope for _, slope, _ in water.values()]))
    level = float(np.mean([at for at, _, _ in water.values()]))
    apart = float(np.ptp([at for at, _, _ in water.values()])) / 2.0
    sensor = run.sensors[points[0]]
    lag, unsure = SENSOR_S if sensor.time_constant is None else (sensor.time_constant, 0.0)
    late = WAX_S[0] + NOTED_S[0] - lag
    share = 1.0 / len(water)
    parts = [
        Measurement(0.0, unit, scatter, shared_parts(run.sensors[point], level))
        for point, (_, _, scatter) in water.items()
    ]
    total = combine(level - rate * late, unit, tuple((share, each) for each in parts))
    halves = (rate * NOTED_S[1], max(uniformity(run), apart))
    return Measurement(
        total.value,
        unit,
        math.hypot(total.random, *(half / math.sqrt(3.0) for half in halves)),
        {
            **total.shared,
            "lag of the wax": rate * WAX_S[1] / math.sqrt(3.0),
            "lag of the thermometer": -rate * unsure / math.sqrt(3.0),
        },
    )


def _line(run: Run, point: str, time: float) -> tuple[float, float, float] | None:
    """Level and slope of a sensor's readings around a time, and the level's uncertainty."""
    at, values = run.series(point)
    near = np.abs(at - time) <= AROUND_S
    if np.count_nonzero(near) < MIN_READINGS or float(np.ptp(at[near])) < AROUND_S / 2.0:
        return None
    elapsed, seen = at[near] - time, values[near]
    design = np.stack([np.ones_like(elapsed), elapsed], axis=1)
    (level, slope), *_ = np.linalg.lstsq(design, seen, rcond=None)
    left = seen - design @ np.array([level, slope])
    covariance = np.linalg.inv(design.T @ design)
    variance = float(left @ left) / max(seen.size - 2, 1) * float(covariance[0, 0])
    return (
        float(level),
        float(slope),
        math.sqrt(variance + run.sensors[point].resolution ** 2 / 12.0),
    )
