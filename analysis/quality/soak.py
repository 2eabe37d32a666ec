"""Corrects temperature sensors against each other where the car stood cold.

At a cold soak all sensors read one temperature, so that what they show is their offset. Correcting
it leaves them with one error in common, that of the soak's own temperature, which cancels in every
difference of two of them, and with two small ones of their own: how far the car was really even,
and the part of a sensor's error that grows with temperature, of which an offset found cold says
nothing. That part is taken from the sensor's limits: a wire that errs by all of its limit does so
near `GAIN_SPAN_K` from the soak (IEC 60584-1 lets class 2 err by 2.5 K up to 333 °C).
"""

from __future__ import annotations

import dataclasses
import math
from typing import Final

import polars as pl

from analysis.quality.soak_window import Soak, find_soak, uneven
from analysis.quality.view import FRESH_AIR, View
from ingest.findings import finding
from ingest.run import ErrorSource, Finding, Run, Sensor
from ingest.saying import joined, say

SOAK_OFFSETS: Final = finding(
    "soak_offsets",
    "The car stood cold at {soaked:.1f degC} before the start; sensors were corrected"
    " against each other: {offsets}.",
    do="Nothing: the corrections are applied, and the uncertainties are smaller for it.",
)
DISAGREES_AT_SOAK: Final = finding(
    "disagrees_at_soak",
    "{point} reads {off:.1f K} {way} the other sensors of the"
    " cold car; its limits allow {limit:.1f K}. Check sensor, type and wiring{elsewhere}.",
    do="Check the sensor against another at the same place, its type in run.toml and its wiring.",
    doubts_sensor=True,
)

REFERENCE: Final = "soak reference"

GAIN_SPAN_K: Final = 250.0

MIN_GAIN: Final = 0.002
"""Half-width of the growing part, K a kelvin, below which no sensor is trusted."""


def correct_at_soak(run: Run) -> Run:
    """Correct the offsets of temperature sensors found at a cold soak.

    Parameters
    ----------
    run
        An assessed run.

    Returns
    -------
    Run
        With corrected readings, smaller error sources and a finding ``soak_offsets``; the run as it
        was where the car was not soaked. A sensor further off than its limits allow is not
        corrected: it gets a finding ``disagrees_at_soak`` and an error source as large as that.
    """
    if run.readings.height < 2:
        return run
    soak = find_soak(View(run))
    if soak is None:
        return run
    sensors = dict(run.sensors)
    columns = {column.name: column for column in run.readings}
    for point in soak.agreeing:
        offset = soak.temperature - soak.means[point]
        sensors[point] = _corrected(run.sensors[point], soak, offset)
        column = sensors[point].column
        columns[column] = columns[column] + offset
    for point in soak.disagreeing:
        sensors[point] = _doubted(run.sensors[point], soak)
    findings = [_offsets(soak), *(_disagreement(point, soak) for point in soak.disagreeing)]
    return run.with_(
        readings=pl.DataFrame(list(columns.values())),
        sensors=sensors,
        findings=(*run.findings, *findings),
    )


def _corrected(sensor: Sensor, soak: Soak, offset: float) -> Sensor:
    point = sensor.point
    half_width = math.sqrt(3.0) * soak.limits[point]
    gain = max(MIN_GAIN, half_width / GAIN_SPAN_K) / math.sqrt(3.0)
    errors = (
        ErrorSource(REFERENCE, soak.u),
        ErrorSource(f"soak of {point}", math.hypot(soak.scatter[point], uneven(point))),
        ErrorSource(f"gain of {point}", 0.0, gain, soak.temperature),
    )
    return dataclasses.replace(sensor, errors=errors, offset=sensor.offset + offset)


def _doubted(sensor: Sensor, soak: Soak) -> Sensor:
    off = abs(soak.means[sensor.point] - soak.temperature)
    disagreement = ErrorSource(f"disagreement of {sensor.point}", off / math.sqrt(3.0))
    return dataclasses.replace(sensor, errors=(*sensor.errors, disagreement))


def _offsets(soak: Soak) -> Finding:
    offsets = {point: soak.temperature - soak.means[point] for point in soak.agreeing}
    listed = joined(
        ", ", (say("{point} {by:+.2f K}", point=point, by=by) for point, by in offsets.items())
    )
    return SOAK_OFFSETS.found(
        None,
        *soak.window,
        soaked=soak.temperature,
        offsets=listed,
        evidence={"temperature": soak.temperature, "u": soak.u, **offsets},
    )


def _disagreement(point: str, soak: Soak) -> Finding:
    off = soak.means[point] - soak.temperature
    limit = math.sqrt(3.0) * soak.limits[point]
    elsewhere = ", or the car stood elsewhere before the test" if point in FRESH_AIR else ""
    return DISAGREES_AT_SOAK.found(
        point,
        *soak.window,
        point=point,
        off=abs(off),
        way="above" if off > 0 else "below",
        limit=limit,
        elsewhere=elsewhere,
        evidence={"off": off, "limit": limit},
    )
