"""Temperature sensors in melting ice, in boiling water, or against each other."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.bench.bath import (
    REPEAT_K,
    Bath,
    Where,
    at_rest,
    bath_of,
    binned,
    stretch,
    uniformity,
)
from analysis.bench.registry import Answers, Asked, BenchFigure, part
from analysis.limits import Limit
from analysis.measurement import Measurement
from analysis.uncertainty import mean_random, shared_parts
from ingest.arrays import Floats
from ingest.run import Run, Sensor

OFFSET: Final = BenchFigure(
    "sensor_offset",
    "K",
    "What a sensor reads too high",
    "Mean reading of a sensor at rest in the bath, less the bath's temperature: 0 °C for melting "
    "ice, the saturation temperature at the barometer for boiling water, the mean of the sensors, "
    "weighted by their limits of error, where they are compared with each other. One figure a "
    "channel, named sensor_offset.CHANNEL.",
    "δ_i = mean at rest (T_i) − T_bath; compared with each other: T_bath = Σ w_k T_k / Σ w_k",
    "Without a temperature in the bath, or one that came to rest in it.",
    "Melting ice: the ice point, ASTM E563. Boiling water: IAPWS-IF97, region 4.",
    "Scatter and rounding of the readings, the bath's differences from place to place, how well a "
    "sensor put in again reads the same; and, shared by all sensors in the bath, the reference's.",
)

PLACE: Final[dict[str, Where]] = {"ice": "coldest", "boiling": "hottest", "comparison": "longest"}

BASIS: Final = "the limits of error of the sensor and its cold junction"

COARSE_K: Final = 5.0 / 9.0
"""Step of a reading that never changed and has many decimals: a whole degree Fahrenheit."""


@part("sensors", figures=(OFFSET,), sound="every sensor reads within its limits of error")
def sensor_offsets(run: Run) -> Answers:
    """What each temperature sensor reads too high (see `OFFSET`)."""
    points = measured_points(run)
    bench = run.setup.bench
    if not points or bench is None or bench.reference is None:
        missing = Measurement.missing(OFFSET.unit, "no temperature was logged in the bath")
        return {OFFSET.name: Asked(missing)}
    if bench.reference == "comparison":
        return _against_each_other(run, points)
    bath = bath_of(run)
    return {
        f"{OFFSET.name}.{point}": _in_bath(run, point, bath, PLACE[bench.reference])
        for point in points
    }


def reference_name(run: Run) -> str:
    """What the error is called that all sensors of one bath share."""
    bench = run.setup.bench
    return f"{bench.reference if bench else ''} of {run.name}"


def measured_points(run: Run) -> list[str]:
    """Sensors that were in the bath: temperatures, but not a thermocouple's cold junction."""
    junctions = {each.cold_junction for each in run.sensors.values()}
    return [
        point
        for point, sensor in run.sensors.items()
        if sensor.quantity.name == "temperature"
        and point not in junctions
        and run.setup.channels[point].value is None
        and run.has(point)
    ]


def _in_bath(run: Run, point: str, bath: Bath | str, where: Where) -> Asked:
    if isinstance(bath, str):
        return Asked(Measurement.missing(OFFSET.unit, bath))
    sensor = run.sensors[point]
    found = binned(run, point)
    chosen = stretch(found.means, at_rest(found.means, sensor.resolution), where)
    if chosen is None:
        return Asked(
            Measurement.missing(
                OFFSET.unit, f"{point} never came to rest for a minute: leave it in the bath longer"
            )
        )
    window = found.span(*chosen)
    time, values = run.series(point)
    inside = values[(time >= window[0]) & (time < window[1])]
    offset = Measurement(
        float(inside.mean()) - bath.temperature,
        OFFSET.unit,
        math.hypot(mean_random(inside, step_of(sensor, inside)), _placing(run)),
        {f"reference {reference_name(run)}": bath.u},
        window=window,
    )
    return Asked(offset, limit_at(sensor, bath.temperature))


def _against_each_other(run: Run, points: list[str]) -> dict[str, Asked]:
    names = {point: f"{OFFSET.name}.{point}" for point in points}
    if len(points) < 2:
        why = "only one sensor was in the bath: there is nothing to compare it with"
        return {name: Asked(Measurement.missing(OFFSET.unit, why)) for name in names.values()}
    means = {point: binned(run, point) for point in points}
    resting = [at_rest(means[point].means, run.sensors[point].resolution) for point in points]
    together = np.asarray(np.logical_and.reduce(resting))
    chosen = stretch(means[points[0]].means, together, "longest")
    if chosen is None:
        why = "the sensors were never at rest together for a minute: leave them in longer"
        return {name: Asked(Measurement.missing(OFFSET.unit, why)) for name in names.values()}
    first, stop = chosen
    levels = np.array([float(means[point].means[first:stop].mean()) for point in points])
    sensors = [run.sensors[point] for point in points]
    limits = np.array([_half_width(each, float(levels.mean())) for each in sensors])
    weights = limits**-2.0 / float((limits**-2.0).sum())
    reference = weights @ np.stack([means[point].means[first:stop] for point in points])
    middle = float(reference.mean())
    shared = {f"reference {reference_name(run)}": _mean_off(sensors, weights, middle)}
    answers = {}
    for point in points:
        sensor, values = run.sensors[point], means[point].means[first:stop]
        apart: Floats = values - reference
        random = math.hypot(
            mean_random(apart), step_of(sensor, values) / math.sqrt(12.0), _placing(run)
        )
        offset = Measurement(
            float(apart.mean()), OFFSET.unit, random, shared, window=means[point].span(first, stop)
        )
        answers[names[point]] = Asked(offset, limit_at(sensor, middle))
    return answers


def _mean_off(sensors: list[Sensor], weights: Floats, at: float) -> float:
    """Standard uncertainty of the sensors' weighted mean; what they share does not average."""
    total: dict[str, float] = {}
    for sensor, weight in zip(sensors, weights.tolist(), strict=True):
        for source, part_u in shared_parts(sensor, at).items():
            total[source] = total.get(source, 0.0) + weight * part_u
    return math.hypot(*total.values())


def _placing(run: Run) -> float:
    """Standard uncertainty from the sensor's place in the bath and from putting it in."""
    return math.hypot(uniformity(run), REPEAT_K) / math.sqrt(3.0)


def step_of(sensor: Sensor, values: Floats) -> float:
    """Step of the readings; of readings that never changed, what their decimals say."""
    if sensor.resolution > 0.0 or float(np.ptp(values)) > 0.0:
        return sensor.resolution
    for digits in range(4):
        if math.isclose(round(float(values[0]), digits), float(values[0]), abs_tol=1e-9):
            return float(10.0**-digits)
    return COARSE_K


def _half_width(sensor: Sensor, at: float) -> float:
    """Limits of error at a reading: those of the sensor and its cold junction add up."""
    return math.sqrt(3.0) * sum(abs(each.u + each.slope * (at - each.at)) for each in sensor.errors)


def limit_at(sensor: Sensor, at: float) -> Limit:
    """What a sensor may be off by at a reading."""
    half = _half_width(sensor, at)
    return Limit(-half, half, BASIS)
