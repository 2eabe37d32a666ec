"""A simulated run as the analysis takes it, without a file in between."""

from __future__ import annotations

import numpy as np
import polars as pl

from ingest.points import POINTS, column_name
from ingest.run import ErrorSource, Run, Sensor
from ingest.setup.model import Setup
from sample_logs.simulator.sensors import SensorSpec
from sample_logs.simulator.simulate import Simulated

STARTS = {"start": 1.0, "stop": 0.0}


def as_run(simulated: Simulated, name: str = "simulated") -> Run:
    """The run with its noted events and its sensors' tolerances, as if it had been read.

    No offset is taken out and nothing is judged: that is the analysis' business.
    """
    start = simulated.engine_start
    sensors = {
        spec.point: _sensor(spec, simulated.sensors.cold_junction_tolerance)
        for spec in simulated.sensors.specs
    }
    readings = pl.DataFrame(
        {"time_s": simulated.time - start}
        | {sensor.column: simulated.channels[point] for point, sensor in sensors.items()}
    ).with_columns(pl.all().fill_nan(None))
    events = sorted(simulated.events, key=lambda event: event[0])
    controls = pl.DataFrame(
        {
            "time_s": [time - start for time, _, _ in events],
            "control": [control for _, control, _ in events],
            "position": [
                position if isinstance(position, str) else f"{position:g}"
                for _, _, position in events
            ],
            "value": [
                STARTS.get(position) if isinstance(position, str) else float(position)
                for _, _, position in events
            ],
        },
        schema={
            "time_s": pl.Float64,
            "control": pl.String,
            "position": pl.String,
            "value": pl.Float64,
        },
    )
    return Run(
        setup=_setup(simulated),
        readings=readings,
        controls=controls,
        sensors=sensors,
        engine_start_s=start,
        name=name,
    )


def _sensor(spec: SensorSpec, cold_junction: float) -> Sensor:
    # limits of error taken as a rectangular distribution (JCGM 100:2008, 4.3.7)
    share = 0.0 if spec.relative else spec.tolerance / np.sqrt(3.0)
    slope = spec.tolerance / np.sqrt(3.0) if spec.relative else 0.0
    errors = [ErrorSource(f"tolerance of {spec.point}", float(share), float(slope))]
    if spec.kind == "thermocouple":
        errors.append(ErrorSource("cold junction of the logger", cold_junction / 3.0**0.5))
    quantity = POINTS[spec.point]
    return Sensor(
        spec.point,
        column_name(spec.point, quantity),
        quantity,
        spec.kind,
        spec.point,
        errors=tuple(errors),
        resolution=spec.resolution,
        time_constant=spec.lag if spec.lag_known else None,
    )


def _setup(simulated: Simulated) -> Setup:
    car = simulated.car
    return Setup.model_validate(
        {
            "run": {"vehicle": car.vehicle, "family": car.family, "heater": car.heater},
            "log": {"file": "log.csv", "time": {"column": "t", "unit": "s"}},
            "channels": {spec.point: {"column": spec.point} for spec in simulated.sensors.specs},
        }
    )
