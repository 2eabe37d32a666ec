"""Corrections of sensors, found on the bench: their file, and what they do to a sensor.

A correction is what the sensor reads too high at one or several readings. Between baths it is a
straight line, beyond them the same line; with one bath it is constant, and what the sensor may do
away from it grows to its whole class tolerance within `REACH_K`.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Iterable, Mapping
from typing import Any, Final

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from ingest.arrays import Floats
from ingest.errors import Fault, UnusableRun
from ingest.run import ErrorSource, Sensor
from ingest.setup.mistakes import setup_faults
from ingest.setup.toml_text import parse_toml
from ingest.values import dataclass

REACH_K: Final = 100.0
"""So far from the only bath, the class tolerance holds again (common practice, no source)."""

APART_K: Final = 30.0
"""Baths closer together than this give one offset and no slope."""

SHAPE_SHARE: Final = 0.1
"""Between two baths a sensor bends by up to this share of its tolerance (common practice, no
source)."""

JUNCTION_SHARE: Final = 0.5
"""Of a cold junction's limits of error, what changes from the bench to the car (common practice, no
source); the rest was in the offset."""

_HEAD: Final = "# Written by `lukewarm corrections`: what sensors read too high, from the bench.\n"


class CorrectionPoint(BaseModel):
    """One bath."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    at: float
    """The sensor's reading, °C."""
    offset: float
    """What it reads too high, K."""
    u: float = Field(gt=0)
    """Standard uncertainty of its own: scatter, rounding, place in the bath, repeatability; K."""
    reference: str
    """Name of the reference; sensors that were in one bath share its error."""
    u_reference: float = Field(ge=0)
    """Standard uncertainty of that reference, K."""


class Correction(BaseModel):
    """The correction of one channel: of this sensor at this input, and of no other."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    sensor: str
    """The set-up's sensor word."""
    column: str
    """The log's own column it was measured in."""
    points: tuple[CorrectionPoint, ...]

    @field_validator("points")
    @classmethod
    def _any(cls, points: tuple[CorrectionPoint, ...]) -> tuple[CorrectionPoint, ...]:
        # not by the field's least length: a mistake in the only point would be said twice
        if not points:
            raise ValueError("one bath at least, [[channels.NAME.points]]")
        return points


class _File(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    channels: dict[str, Correction]


def parse_corrections(text: str, file: str) -> dict[str, Correction]:
    """Read a corrections file.

    Raises
    ------
    UnusableRun
        With one fault for each mistake.
    """
    document: dict[str, Any] = parse_toml(text, file)
    if not document:
        raise UnusableRun(
            Fault(file, "no correction", "[channels.NAME]", "write it with `lukewarm corrections`")
        )
    try:
        return _File.model_validate(document).channels
    except ValidationError as error:
        raise UnusableRun(setup_faults(file, document, error.errors())) from error


def corrections_text(corrections: Mapping[str, Correction]) -> str:
    """The text of a corrections file."""
    lines = [_HEAD]
    for name, correction in corrections.items():
        lines.append(f"[channels.{json.dumps(name)}]")
        lines.append(f"sensor = {json.dumps(correction.sensor)}")
        lines.append(f"column = {json.dumps(correction.column)}")
        for point in correction.points:
            lines.append(f"[[channels.{json.dumps(name)}.points]]")
            lines.append(f"at = {point.at:.4f}  # degC")
            lines.append(f"offset = {point.offset:.4f}  # K")
            lines.append(f"u = {point.u:.4f}  # K")
            lines.append(f"reference = {json.dumps(point.reference)}")
            lines.append(f"u_reference = {point.u_reference:.4f}  # K")
        lines.append("")
    return "\n".join(lines)


@dataclass(frozen=True, slots=True)
class _Line:
    """The correction is the sum of the points' offsets, each times ``share + slope * reading``."""

    shares: Floats
    slopes: Floats

    @property
    def has_slope(self) -> bool:
        return bool(np.any(self.slopes))


def _line(at: Floats) -> _Line:
    """Least squares; linear in the offsets, so that every point's error is one straight line."""
    count = at.size
    if float(np.ptp(at)) < APART_K:
        return _Line(np.full(count, 1.0 / count), np.zeros(count))
    mean = float(at.mean())
    slopes = (at - mean) / float(((at - mean) ** 2).sum())
    return _Line(1.0 / count - slopes * mean, slopes)


def corrected(sensor: Sensor, readings: Floats, correction: Correction) -> tuple[Sensor, Floats]:
    """Take the correction off the readings, and put its uncertainty in the tolerance's place.

    Parameters
    ----------
    sensor
        A temperature sensor.
    readings
        Shape (n,), °C, NaN where there is none.
    correction
        Its own.
    """
    at = np.array([point.at for point in correction.points])
    offsets = np.array([point.offset for point in correction.points])
    line = _line(at)
    correct = float(line.shares @ offsets) + float(line.slopes @ offsets) * readings
    errors = [
        *_kept(sensor.errors),
        *_own(sensor.point, correction.points, line),
        *_left(sensor, at, line),
    ]
    changed = dataclasses.replace(sensor, errors=tuple(errors))
    return changed, np.asarray(readings - correct)


def _tolerance(sensor: Sensor) -> Iterable[ErrorSource]:
    return (each for each in sensor.errors if each.name == f"tolerance of {sensor.point}")


def _kept(errors: Iterable[ErrorSource]) -> Iterable[ErrorSource]:
    """What the bench could not take away: the part of the cold junction's error that changes."""
    for each in errors:
        if each.name.startswith("cold junction "):
            yield dataclasses.replace(
                each, u=JUNCTION_SHARE * each.u, slope=JUNCTION_SHARE * each.slope
            )


def _own(name: str, points: Iterable[CorrectionPoint], line: _Line) -> Iterable[ErrorSource]:
    """The points' own errors, and those of their references, which the sensors share."""
    for point, share, slope in zip(points, line.shares, line.slopes, strict=True):
        for source, u in (
            (f"correction of {name} at {point.reference}", point.u),
            (f"reference {point.reference}", point.u_reference),
        ):
            yield ErrorSource(source, u * float(share), u * float(slope))


def _left(sensor: Sensor, at: Floats, line: _Line) -> Iterable[ErrorSource]:
    """What the sensor may do where it was not measured."""
    middle = float(at.mean())
    tolerance = math.hypot(
        *(each.u + each.slope * (middle - each.at) for each in _tolerance(sensor))
    )
    name = f"tolerance of {sensor.point} away from its correction"
    if line.has_slope:
        yield ErrorSource(name, SHAPE_SHARE * tolerance)
    else:
        yield ErrorSource(name, 0.0, tolerance / REACH_K, middle)
