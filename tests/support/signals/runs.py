"""Builds runs in memory, so that a test of a figure shows the signal it is about."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.points import POINTS, column_name
from ingest.run import ErrorSource, Run, Sensor
from ingest.setup.model import Setup

Event = tuple[float, str, float | str]


def make_setup(heater: str = "blend-air", points: Sequence[str] = ("outlet",)) -> Setup:
    """A set-up with plain channels named after their points."""
    return Setup.model_validate(
        {
            "run": {"vehicle": "SC-000", "family": "Plover", "heater": heater},
            "log": {"file": "log.csv", "time": {"column": "t", "unit": "s"}},
            "channels": {point: {"column": point} for point in points},
        }
    )


def make_controls(events: Sequence[Event]) -> pl.DataFrame:
    """Controls as `Run.controls` holds them, from (time, control, position) triples."""

    def number(control: str, position: float | str) -> float | None:
        if isinstance(position, str):
            engine = {"start": 1.0, "stop": 0.0}
            return engine.get(position) if control == "engine" else None
        return float(position)

    ordered = sorted(events, key=lambda event: event[0])
    return pl.DataFrame(
        {
            "time_s": [float(time) for time, _, _ in ordered],
            "control": [control for _, control, _ in ordered],
            "position": [str(position) for _, _, position in ordered],
            "value": [number(control, position) for _, control, position in ordered],
        },
        schema={
            "time_s": pl.Float64,
            "control": pl.String,
            "position": pl.String,
            "value": pl.Float64,
        },
    )


def make_run(
    time: NDArray[np.float64],
    channels: Mapping[str, NDArray[np.float64]],
    events: Sequence[Event] = (),
    *,
    heater: str = "blend-air",
    tolerance: float = 0.0,
    time_constant: Mapping[str, float] | None = None,
) -> Run:
    """A run with the given channels (NaN becomes null).

    Parameters
    ----------
    tolerance
        Standard uncertainty of every temperature sensor, each its own source.
    """
    lag = time_constant or {}
    sensors = {
        point: Sensor(
            point,
            column_name(point, POINTS[point]),
            POINTS[point],
            "temperature",
            point,
            errors=(ErrorSource(f"tolerance of {point}", tolerance),) if tolerance else (),
            time_constant=lag.get(point),
        )
        for point in channels
    }
    readings = pl.DataFrame(
        {"time_s": time} | {sensors[point].column: value for point, value in channels.items()}
    ).with_columns(pl.all().fill_nan(None))
    return Run(
        setup=make_setup(heater, tuple(channels)),
        readings=readings,
        controls=make_controls(events),
        sensors=sensors,
        name="made",
    )
