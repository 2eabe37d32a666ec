"""The technician's sensors and logger: what they add to the truth before it is written down.

Each sensor has a constant error and a small error of gain, both drawn evenly within its tolerance
class, its own first-order lag, white noise and the logger's resolution. All thermocouples of one
logger share the error of its cold junction, whose temperature creeps while the logger warms up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.signal import lfilter

from ingest.arrays import Floats
from ingest.points import POINTS
from sample_logs.simulator.schedule import STEP_S

FaultKind = Literal["open", "stuck", "reversed", "fell_off", "spikes", "drift", "wrong_type"]

TOLERANCE_K: dict[tuple[str, int], float] = {
    ("K", 1): 1.5,
    ("K", 2): 2.5,
    ("J", 1): 1.5,
    ("J", 2): 2.5,
    ("T", 1): 0.5,
    ("T", 2): 1.0,
}
"""Limits of error below 125 °C by type and class, K (IEC 60584-1:2013)."""

GAIN_SPAN_K = 80.0
"""Warming over which the error of gain reaches its own limit, K."""

COLD_JUNCTION_LAG_S = 450.0
LOGGER_WARM_DEGC = 21.0
SPIKE_K = 25.0


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """One sensor.

    Parameters
    ----------
    point
        Measuring point.
    kind
        Sensor word of the contract.
    tolerance
        Half-width of its limits of error in the stored unit.
    noise
        Standard deviation of white noise, stored unit.
    lag
        Time constant, s.
    resolution
        Step of the logged value, stored unit.
    lag_known
        Whether run.toml gives the lag.
    type, tolerance_class
        Of a thermocouple.
    relative
        True where `tolerance` is a share of the reading (speed).
    """

    point: str
    kind: str
    tolerance: float
    noise: float
    lag: float = 0.0
    resolution: float = 0.1
    lag_known: bool = True
    type: str = "K"
    tolerance_class: int | None = None
    relative: bool = False


@dataclass(frozen=True, slots=True)
class SensorFault:
    """A sensor that lies.

    Parameters
    ----------
    point
        Which one.
    kind
        How: ``open`` (no reading now and then, then for good), ``stuck``, ``reversed`` polarity,
        ``fell_off`` (reads the cabin), ``spikes``, ``drift``, ``wrong_type``.
    at
        When it begins, share of the log.
    """

    point: str
    kind: FaultKind
    at: float = 0.0


@dataclass(frozen=True, slots=True)
class SensorSet:
    """All sensors and the logger.

    Parameters
    ----------
    specs
        The sensors.
    rate_hz
        Samples a second.
    jitter
        Standard deviation of the sampling instant, share of the sampling interval.
    gain_share
        Share of a sensor's tolerance that grows with temperature instead of being constant.
    cold_junction_tolerance
        Half-width of the logger's cold-junction error, K.
    faults
        Sensors that lie.
    """

    specs: tuple[SensorSpec, ...]
    rate_hz: float = 1.0
    jitter: float = 0.0
    gain_share: float = 0.15
    cold_junction_tolerance: float = 0.5
    faults: tuple[SensorFault, ...] = ()

    @property
    def points(self) -> frozenset[str]:
        """Measuring points that are logged."""
        return frozenset(spec.point for spec in self.specs)

    def without(self, *points: str) -> SensorSet:
        """The same set with some points not logged."""
        return replace(self, specs=tuple(s for s in self.specs if s.point not in points))


def thermocouple(point: str, lag: float, *, letter: str = "K", grade: int = 2) -> SensorSpec:
    """A thermocouple of a type and class, noise and resolution of a fair logger."""
    return SensorSpec(
        point,
        "thermocouple",
        TOLERANCE_K[letter, grade],
        noise=0.08,
        lag=lag,
        type=letter,
        tolerance_class=grade,
    )


def standard_sensors(
    *, rate_hz: float = 1.0, letter: str = "K", grade: int = 2, drop: tuple[str, ...] = ()
) -> SensorSet:
    """Every point of a well-equipped run, less those dropped.

    Parameters
    ----------
    rate_hz
        Samples a second.
    letter, grade
        Type and class of the thermocouples.
    drop
        Measuring points not logged.
    """
    lags = {
        "outlet": 3.0,
        "outlet_defrost": 3.0,
        "ambient": 6.0,
        "inlet_air": 4.0,
        "coolant_in": 7.0,
        "coolant_out": 7.0,
        "footwell": 5.0,
        "cabin": 8.0,
    }
    specs = [thermocouple(point, lag, letter=letter, grade=grade) for point, lag in lags.items()]
    specs += [
        SensorSpec("engine_coolant", "temperature", 1.5, 0.1, lag=4.0, resolution=1.0),
        SensorSpec("vacuum_source", "pressure", 0.8, 0.12, lag=0.3, resolution=0.1),
        SensorSpec("vacuum_actuator", "pressure", 0.8, 0.12, lag=0.3, resolution=0.1),
        SensorSpec("road_speed", "speed", 0.02, 0.05, resolution=0.2778, relative=True),
        SensorSpec("engine_speed", "speed", 0.005, 3.0, resolution=1.0, relative=True),
        SensorSpec("blower_voltage", "voltage", 0.05, 0.02, resolution=0.01),
    ]
    return SensorSet(tuple(spec for spec in specs if spec.point not in drop), rate_hz)


@dataclass(frozen=True)
class Logged:
    """What the logger saw.

    Parameters
    ----------
    time
        Sampling instants, s from the log's start, shape (m,).
    channels
        Readings in stored units with every error, quantized; NaN where there is none. Includes
        `cold_junction` where thermocouples are logged.
    junctions
        Temperature each thermocouple's voltage stands for before the logger's own compensation,
        °C: what a logger of raw millivolts writes down.
    cold_junction
        True temperature of the logger's terminals, °C.
    """

    time: Floats
    channels: Mapping[str, Floats]
    junctions: Mapping[str, Floats]
    cold_junction: Floats


def sample(
    sensors: SensorSet, time: Floats, traces: Mapping[str, Floats], rng: np.random.Generator
) -> Logged:
    """Measure noise-free traces (shape (n,), spaced by `STEP_S`) with a set of sensors."""
    instants = _instants(sensors, float(time[-1]), rng)
    terminals = _terminals(traces["cabin"])
    terminal_now = np.interp(instants, time, terminals)
    compensation = rng.uniform(-1.0, 1.0) * sensors.cold_junction_tolerance
    channels: dict[str, Floats] = {}
    junctions: dict[str, Floats] = {}
    for spec in sensors.specs:
        clean = np.interp(instants, time, lagged(traces[spec.point], spec.lag))
        reading = clean + _error(spec, sensors, clean, rng)
        reading = reading + rng.normal(0.0, spec.noise, reading.size)
        for fault in sensors.faults:
            if fault.point == spec.point:
                cabin = np.interp(instants, time, lagged(traces["cabin"], 60.0))
                reading = _spoil(fault, reading, cabin, terminal_now, rng)
        if spec.kind == "thermocouple":
            junctions[spec.point] = reading
            reading = reading + compensation
        if POINTS[spec.point].name in {"speed", "rotation"}:
            reading = np.maximum(0.0, reading)
        channels[spec.point] = np.round(reading / spec.resolution) * spec.resolution
    if junctions:
        seen = terminal_now + compensation + rng.normal(0.0, 0.02, instants.size)
        channels["cold_junction"] = np.round(seen, 2)
    return Logged(instants, channels, junctions, terminal_now)


def lagged(signal: Floats, lag: float) -> Floats:
    """First-order lag with the signal's first value as initial state."""
    if lag <= 0.0:
        return signal
    keep = float(np.exp(-STEP_S / lag))
    change: Floats = lfilter([1.0 - keep], [1.0, -keep], signal - signal[0])
    result: Floats = float(signal[0]) + change
    return result


def _instants(sensors: SensorSet, end: float, rng: np.random.Generator) -> Floats:
    interval = 1.0 / sensors.rate_hz
    even = np.arange(int(end / interval) + 1) * interval
    if sensors.jitter:
        even = even + rng.normal(0.0, sensors.jitter * interval, even.size)
    return np.clip(np.sort(even), 0.0, end)


def _terminals(cabin: Floats) -> Floats:
    """The logger comes from a warm shop and slowly takes on the cabin's temperature."""
    surrounding = 0.5 * (cabin + LOGGER_WARM_DEGC)
    start = LOGGER_WARM_DEGC - 3.0
    keep = float(np.exp(-STEP_S / COLD_JUNCTION_LAG_S))
    creep: Floats = lfilter([1.0 - keep], [1.0, -keep], surrounding - start)
    result: Floats = start + creep
    return result


def _error(spec: SensorSpec, sensors: SensorSet, clean: Floats, rng: np.random.Generator) -> Floats:
    constant = spec.tolerance * float(rng.uniform(-1.0, 1.0))
    growing = spec.tolerance * float(rng.uniform(-1.0, 1.0))
    if spec.relative:
        return constant * clean
    if spec.kind not in {"thermocouple", "temperature"}:
        return np.full(clean.size, constant)
    share = sensors.gain_share
    return (1.0 - share) * constant + share * growing * (clean - float(clean[0])) / GAIN_SPAN_K


def _spoil(
    fault: SensorFault,
    reading: Floats,
    cabin: Floats,
    terminals: Floats,
    rng: np.random.Generator,
) -> Floats:
    start = int(fault.at * reading.size)
    after = np.arange(reading.size) >= start
    since = np.maximum(0, np.arange(reading.size) - start)
    if fault.kind == "stuck":
        return np.where(after, reading[start], reading)
    if fault.kind == "reversed":
        return np.where(after, 2.0 * terminals - reading, reading)
    if fault.kind == "wrong_type":
        return np.where(after, terminals + 1.27 * (reading - terminals), reading)
    if fault.kind == "fell_off":
        return np.where(after, cabin + rng.normal(0.0, 0.3, reading.size), reading)
    if fault.kind == "drift":
        return reading - np.where(after, 30.0 * since / max(1, reading.size - start), 0.0)
    if fault.kind == "spikes":
        hit = after & (rng.uniform(size=reading.size) < 0.03)
        return reading + np.where(hit, rng.normal(0.0, SPIKE_K, reading.size), 0.0)
    broken = after & ((rng.uniform(size=reading.size) < 0.4) | (since > 0.3 * reading.size))
    return np.where(broken, np.nan, reading)
