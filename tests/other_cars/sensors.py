"""Sensors and a logger between the car and the file: tolerance, lag, noise, rounding, faults.

A thermocouple's error is drawn from its class's limits of error (IEC 60584-1, near here 1.5 K for
class 1 and 2.5 K for class 2): a third of them normal, a third uniform, a third part offset and
part gain, because a wire out of composition errs in proportion to the temperature along it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final

import numpy as np
import thermocouple_its90
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from tests.other_cars.physics import Drive
from tests.other_cars.trips import DT

Floats = NDArray[np.float64]

CLASS_LIMIT: Final = {1: 1.5, 2: 2.5}
"""Limits of error of thermocouple classes below 333 °C, K (type T: 0.5 and 1.0)."""

CLASS_LIMIT_T: Final = {1: 0.5, 2: 1.0}

TEMPERATURES: Final = (
    "outlet", "outlet_defrost", "ambient", "inlet_air", "coolant_in", "coolant_out",
    "engine_coolant", "footwell", "cabin",
)  # fmt: skip

ALWAYS: Final = frozenset({"outlet"})

SENSOR_FAULTS: Final = (
    "open", "shorted", "reversed", "wrong type", "stuck", "far off", "loose", "fell out",
)  # fmt: skip


@dataclass
class Column:
    """One column of the log: what is written and what run.toml says of it."""

    point: str
    header: str
    unit: str
    values: Floats
    decimals: int
    settings: dict[str, Any] = field(default_factory=dict)


@cache
def emf(letter: str) -> CubicSpline:
    """Reference function of a type in mV over -60..260 °C."""
    table = thermocouple_its90.get(letter)
    at = np.arange(-60.0, 260.5, 1.0)
    return CubicSpline(at, [table.emf(float(t)) for t in at])


def lagged(signal: Floats, seconds: float) -> Floats:
    """First-order lag on the model's axis, in blocks short enough for the closed form."""
    if seconds < DT / 4:
        return signal
    keep = float(np.exp(-DT / seconds))
    block = min(signal.size, max(1, int(40 * seconds / DT)))
    powers = keep ** np.arange(1, block + 1)
    out = np.empty_like(signal)
    state = float(signal[0])
    for start in range(0, signal.size, block):
        part = signal[start : start + block]
        weight = powers[: part.size]
        out[start : start + block] = weight * (state + np.cumsum((1 - keep) * part / weight))
        state = float(out[start + part.size - 1])
    return out


def class_error(rng: Generator, limit: float, signal: Floats, zero: Floats | float) -> Floats:
    kind = rng.integers(3)
    if kind == 0:
        return np.full_like(signal, float(np.clip(rng.normal(0, limit / 2), -limit, limit)))
    if kind == 1:
        return np.full_like(signal, float(rng.uniform(-limit, limit)))
    share = float(rng.uniform(0.3, 0.8))
    gain = float(rng.uniform(-1, 1)) * limit * share / 75.0
    return float(rng.uniform(-1, 1)) * limit * (1 - share) + gain * (signal - zero)


class Logger:
    """Draws the sensors of one run and reads them.

    Parameters
    ----------
    missing
        Probability that a channel is not there at all (the outlet always is).
    fault
        Word of `SENSOR_FAULTS` and the point it befalls, or None.
    """

    def __init__(
        self, rng: Generator, drive: Drive, *, missing: float, fault: tuple[str, str] | None
    ) -> None:
        self.rng, self.drive, self.fault = rng, drive, fault
        self.missing = missing
        self.thermocouples: set[str] = set()
        rate = float(rng.choice([1.0, 2.0, 5.0, 10.0], p=[0.4, 0.3, 0.2, 0.1]))
        end = drive.trip.time[-1]
        times = np.arange(0.0, end, 1 / rate)
        if rng.random() < 0.4:
            times = times + rng.uniform(0, 0.15 / rate, times.size)
        if rng.random() < 0.15:  # the logger missed a few seconds
            gap = rng.uniform(0.2, 0.9) * end
            times = times[(times < gap) | (times > gap + rng.uniform(2, 9))]
        self.times = times
        self.millivolts = bool(rng.random() < 0.5)
        warm = 17 + rng.normal(0, 4) + rng.normal(0, 2) * drive.trip.time / 1800
        self.block = warm + 1.5 * np.sin(drive.trip.time / rng.uniform(200, 600))

    def columns(self) -> list[Column]:
        rng, trip = self.rng, self.drive.trip
        present = [p for p in TEMPERATURES if p in ALWAYS or rng.random() >= self.missing]
        if not {"ambient", "inlet_air"} & set(present):
            present.append("ambient")
        found = [self._temperature(point) for point in present]
        if any(column.unit == "mV" for column in found):
            reading = self._sample(self.block, 0.02) + float(rng.normal(0, 0.4))
            found.append(Column("cold_junction", "CJ", "degC", reading, 2))
        gauges = {"vacuum_source": self.missing, "vacuum_actuator": 3 * self.missing}
        found += [self._vacuum(point) for point, gone in gauges.items() if rng.random() >= gone]
        if rng.random() >= self.missing:
            speed = self._sample(trip.speed * 3.6 * (1 + rng.normal(0, 0.008)), 0.0)
            found.append(Column("road_speed", "Speed", "km/h", speed, int(rng.integers(0, 2)),
                                {"sensor": "speed"}))  # fmt: skip
        if rng.random() >= self.missing:
            revs = np.abs(self._sample(trip.revs, 4.0)) * (self._sample(trip.engine, 0.0) > 0.5)
            found.append(Column("engine_speed", "RPM", "rpm", revs, 0, {"sensor": "speed"}))
        if rng.random() >= self.missing:
            steps = np.array([0.0, 0.36, 0.55, 0.78, 1.0])[trip.blower.astype(int)]
            volts = self._sample(self.drive.car.blower_volts * steps, 0.03)
            found.append(Column("blower_voltage", "BLW", "V", volts, 2, {"sensor": "voltage"}))
        if trip.by_hand:
            lever = self._sample(trip.lever + rng.normal(0, 0.3), 0.15)
            found.append(Column("temp_lever", "Lever", "%", lever, 1, {"sensor": "position"}))
        return found

    def wired(self, fault: tuple[str, str] | None) -> bool:
        """Whether a fault can show at all: its point is logged, and by a thermocouple."""
        return fault is None or fault[1] in self.thermocouples

    def _sample(self, signal: Floats, noise: float) -> Floats:
        values = np.interp(self.times, self.drive.trip.time, signal)
        return values + noise * self.rng.standard_normal(values.size) if noise else values

    def _temperature(self, point: str) -> Column:
        rng = self.rng
        true = self.drive.signals[point]
        if point == "engine_coolant" and rng.random() < 0.5:
            true = lagged(true, float(rng.uniform(2, 5))) + float(rng.uniform(-1.2, 1.2))
            return Column(point, "ECT", "degC", self._sample(true, 0.05), 0,
                          {"sensor": "temperature"})  # fmt: skip
        if point in ("ambient", "inlet_air") and rng.random() < 0.3:
            limit = 0.15 + 0.002 * np.abs(true)  # IEC 60751 class A
            true = lagged(true, 8.0) + float(rng.uniform(-1, 1)) * limit
            return Column(point, f"RTD {point[:3]}", "degC", self._sample(true, 0.02), 2,
                          {"sensor": "rtd", "tolerance_class": "A"})  # fmt: skip
        return self._thermocouple(point, true)

    def _thermocouple(self, point: str, true: Floats) -> Column:
        rng = self.rng
        self.thermocouples.add(point)
        letter = str(rng.choice(["K", "K", "K", "K", "J", "T"]))
        number = int(rng.choice([1, 2]))
        limit = (CLASS_LIMIT_T if letter == "T" else CLASS_LIMIT)[number]
        stated = rng.random() < 0.85
        lag = float(rng.uniform(1.0, 5.0)) if stated else float(rng.uniform(0.2, 0.7))
        seen = lagged(self._befall(point, true), lag)
        seen = seen + class_error(rng, limit, seen, self.block)
        settings: dict[str, Any] = {"sensor": "thermocouple", "type": letter}
        settings["tolerance_class"] = number
        if stated:
            settings["time_constant"] = round(lag * float(rng.normal(1, 0.04)), 1)
        noise = float(rng.uniform(0.02, 0.2))
        header = f"{letter} {point}"
        if not self.millivolts:
            column = Column(point, header, "degC", self._sample(seen, noise), 1, settings)
            return self._cut(column)
        settings["cold_junction"] = "cold_junction"
        curve = emf(letter)
        if self.fault == ("wrong type", point):
            curve = emf("J" if letter != "J" else "K")
        volts = curve(seen) - curve(self.block)
        if self.fault == ("reversed", point):
            volts = -volts
        if self.fault == ("shorted", point):
            volts = volts * 0.02
        decimals = int(rng.choice([3, 4]))
        column = Column(point, header, "mV", self._sample(volts, noise * 0.041), decimals, settings)
        return self._cut(column)

    def _befall(self, point: str, true: Floats) -> Floats:
        """Faults of the junction itself, before any conversion."""
        if self.fault is None or self.fault[1] != point:
            return true
        word, rng = self.fault[0], self.rng
        if word == "stuck":
            at = int(rng.uniform(0.15, 0.5) * true.size)
            return np.where(np.arange(true.size) < at, true, true[at])
        if word == "far off":
            return true + float(rng.choice([-1, 1])) * float(rng.uniform(9, 20))
        if word == "fell out":
            return self.drive.signals["cabin"] + 0.15 * (true - self.drive.signals["cabin"])
        if not self.millivolts and word == "reversed":
            return 2 * self.block - true
        if not self.millivolts and word == "shorted":
            return self.block
        if not self.millivolts and word == "wrong type":
            return self.block + 1.27 * (true - self.block)
        return true

    def _cut(self, column: Column) -> Column:
        """Faults of the wire: open or loose, as gaps (NaN) or wild readings in the log."""
        if self.fault is None or self.fault[1] != column.point:
            return column
        rng, size = self.rng, column.values.size
        if self.fault[0] == "open":
            column.values[int(rng.uniform(0.0, 0.3) * size) :] = np.nan
        if self.fault[0] == "loose":
            bursts = np.repeat(rng.random(size // 12 + 1) < 0.4, 12)[:size]
            wild = rng.normal(0, 25 if column.unit == "degC" else 1.2, size)
            column.values[bursts] += wild[bursts]
        return column

    def _vacuum(self, point: str) -> Column:
        rng = self.rng
        true = self.drive.signals[point] * (1 + rng.normal(0, 0.004)) + rng.normal(0, 0.25)
        kind = rng.integers(4)
        header = "VAC1" if point == "vacuum_source" else "VAC2"
        read = self._sample(true, 0.06)
        settings: dict[str, Any] = {"sensor": "pressure", "reference": "vacuum"}
        if kind == 0:
            settings["scale"] = {"from": [0.5, 4.5], "to": [0, 100], "unit": "kPa"}
            return Column(point, header, "V", 0.5 + read * 0.04, 4, settings)
        if kind == 1:
            return Column(point, header, "inHg", read / 3.38638864, 2, settings)
        if kind == 2:
            settings["reference"] = "absolute"
            return Column(point, header, "kPa", 98.6 - read, 2, settings)
        return Column(point, header, "kPa", read, 1, settings)
