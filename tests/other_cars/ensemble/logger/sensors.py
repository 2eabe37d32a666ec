"""Sensors and logger of a run: where they sit, their class, their steps and their faults.

Errors of class as in `tests.other_cars.sensors`. A clip on a hose reads low by a share of the
difference between the hose and the air around it (conduction along the leads and a gap under the
clip; the size is common practice, no source).
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tests.other_cars.ensemble import heater
from tests.other_cars.ensemble.laws.air import BLOWERS
from tests.other_cars.ensemble.march import Drive
from tests.other_cars.sensors import CLASS_LIMIT, CLASS_LIMIT_T, Column, class_error, lagged

Floats = NDArray[np.float64]

TEMPERATURES: Final = (
    "outlet", "ambient", "inlet_air", "coolant_in", "coolant_out", "engine_coolant", "footwell",
    "cabin",
)  # fmt: skip

SENSOR_FAULTS: Final = (
    "open", "shorted", "reversed", "wrong type", "stuck", "far off", "loose", "fell out",
)  # fmt: skip

INTERVALS: Final = {
    0.1: 0.03, 0.2: 0.08, 0.5: 0.22, 1.0: 0.34, 2.0: 0.12, 5.0: 0.09, 10.0: 0.05, 30.0: 0.04,
    60.0: 0.03,
}  # fmt: skip
"""Seconds between readings, and how often."""

STEPS: Final = {0.01: 0.3, 0.1: 0.5, 0.5: 0.1, 1.0: 0.1}
"""Smallest steps of temperatures, K, and how often."""


class Logger:
    """Draws the sensors of one run and reads them.

    Parameters
    ----------
    fault
        Word of `SENSOR_FAULTS` and the point it befalls, or None.
    good
        A shop's own reference run: a fast logger with fine steps.
    """

    def __init__(
        self, rng: Generator, drive: Drive, *, fault: tuple[str, str] | None, good: bool
    ) -> None:
        self.rng, self.drive, self.fault = rng, drive, fault
        pace = {0.5: 0.3, 1.0: 0.5, 2.0: 0.2} if good else INTERVALS
        steps = {0.01: 0.4, 0.1: 0.6} if good else STEPS
        self.interval = float(rng.choice(list(pace), p=list(pace.values())))
        self.step = float(rng.choice(list(steps), p=list(steps.values())))
        times = np.arange(0.0, drive.trip.time[-1], self.interval)
        if rng.random() < 0.3:
            times = times + rng.uniform(0, 0.15 * self.interval, times.size)
        if rng.random() < 0.12:  # the logger missed a few readings
            gap = rng.uniform(0.2, 0.9) * times[-1]
            times = times[(times < gap) | (times > gap + rng.uniform(2, 9) * self.interval)]
        self.times = times
        warm = 17 + rng.normal(0, 4) + rng.normal(0, 2) * drive.trip.time / 1800
        self.block = warm + 1.5 * np.sin(drive.trip.time / rng.uniform(200, 600))
        poor = rng.random() < 0.15
        self.clip = float(rng.uniform(0.03, 0.07)) if poor else float(rng.uniform(0.0, 0.03))

    def columns(self) -> list[Column]:
        """Every channel of the car's layout."""
        car, trip = self.drive.car, self.drive.trip
        found = [self._temperature(point) for point in TEMPERATURES]
        if car.structure.vacuum:
            found.append(self._vacuum("vacuum_source", "VAC1"))
            if self.rng.random() < 0.35:
                found.append(self._vacuum("vacuum_actuator", "VAC2"))
        found.append(self._speed())
        if not car.structure.heated_by:
            revs = np.abs(self._sample(trip.revs, 4.0)) * (self._sample(trip.engine, 0.0) > 0.5)
            found.append(Column("engine_speed", "RPM", "rpm", revs, 0, {"sensor": "speed"}))
        steps = np.array(BLOWERS[car.law("blower")])
        volts = car.blower_volts * steps[trip.blower.astype(int)] ** 0.7
        found.append(
            Column("blower_voltage", "BLW", "V", self._sample(volts, 0.03), 2,
                   {"sensor": "voltage"})
        )  # fmt: skip
        if trip.by_hand:
            lever = self._sample(trip.lever + self.rng.normal(0, 0.3), 0.15)
            found.append(Column("temp_lever", "Lever", "%", lever, 1, {"sensor": "position"}))
        return found

    def _sample(self, signal: Floats, noise: float) -> Floats:
        values = np.interp(self.times, self.drive.trip.time, signal)
        return values + noise * self.rng.standard_normal(values.size) if noise else values

    def _speed(self) -> Column:
        unit, scale = [("km/h", 3.6), ("mph", 2.23693629)][int(self.rng.random() < 0.3)]
        speed = self._sample(self.drive.trip.speed * scale * (1 + self.rng.normal(0, 0.008)), 0.0)
        return Column("road_speed", "Speed", unit, speed, int(self.rng.integers(0, 2)),
                      {"sensor": "speed"})  # fmt: skip

    def _vacuum(self, point: str, header: str) -> Column:
        rng = self.rng
        true = self.drive.signals[point] * (1 + rng.normal(0, 0.004)) + rng.normal(0, 0.25)
        read = self._sample(true, 0.06)
        settings: dict[str, Any] = {"sensor": "pressure", "reference": "vacuum"}
        if rng.random() < 0.3:
            return Column(point, header, "inHg", read / 3.38638864, 2, settings)
        return Column(point, header, "kPa", read, 1, settings)

    def _temperature(self, point: str) -> Column:
        rng = self.rng
        true = self.drive.signals[point]
        if point == "engine_coolant" and rng.random() < 0.6:  # the engine's own sensor
            true = lagged(true, float(rng.uniform(2, 5))) + float(rng.uniform(-1.2, 1.2))
            return Column(point, "ECT", "degC", self._sample(true, 0.05), 0,
                          {"sensor": "temperature", "tolerance": 1.5})  # fmt: skip
        if point in ("ambient", "inlet_air") and rng.random() < 0.3:
            limit = 0.15 + 0.002 * np.abs(true)  # IEC 60751 class A
            true = lagged(true, 8.0) + float(rng.uniform(-1, 1)) * limit
            return self._stepped(point, f"RTD {point[:3]}", self._sample(true, 0.02),
                                 {"sensor": "rtd", "tolerance_class": "A"})  # fmt: skip
        return self._thermocouple(point, true)

    def _thermocouple(self, point: str, true: Floats) -> Column:
        rng = self.rng
        if point in ("coolant_in", "coolant_out", "engine_coolant"):
            share = self.clip * float(rng.uniform(0.7, 1.3))
            around = heater.under_hood(self.drive.signals["engine_coolant"],
                                       self.drive.signals["ambient"])  # fmt: skip
            true = true - share * (true - around)
        letter = str(rng.choice(["K", "K", "K", "J", "T"]))
        number = int(rng.choice([1, 2]))
        limit = (CLASS_LIMIT_T if letter == "T" else CLASS_LIMIT)[number]
        stated = rng.random() < 0.8
        lag = float(rng.uniform(1.0, 5.0)) if stated else float(rng.uniform(0.2, 0.7))
        seen = lagged(self._befall(point, true), lag)
        seen = seen + class_error(rng, limit, seen, self.block)
        settings: dict[str, Any] = {
            "sensor": "thermocouple", "type": letter, "tolerance_class": number,
        }  # fmt: skip
        if stated:
            settings["time_constant"] = round(lag * float(rng.normal(1, 0.04)), 1)
        values = self._cut(point, self._sample(seen, float(rng.uniform(0.02, 0.2))))
        return self._stepped(point, f"{letter} {point}", values, settings)

    def _stepped(self, point: str, header: str, values: Floats, settings: dict[str, Any]) -> Column:
        values = np.round(values / self.step) * self.step
        decimals = {0.01: 2, 0.1: 1, 0.5: 1, 1.0: 0}[self.step]
        if self.step < 0.5 and self.rng.random() < 0.15:
            return Column(point, header, "degF", values * 1.8 + 32, decimals, settings)
        return Column(point, header, "degC", values, decimals, settings)

    def _befall(self, point: str, true: Floats) -> Floats:
        """Faults of the junction, as they look after the conversion."""
        if self.fault is None or self.fault[1] != point:
            return true
        word, rng = self.fault[0], self.rng
        cabin = self.drive.signals["cabin"]
        at = int(rng.uniform(0.15, 0.5) * true.size)
        off = float(rng.choice([-1, 1])) * float(rng.uniform(9, 20))
        faults = {
            "stuck": np.where(np.arange(true.size) < at, true, true[at]),
            "far off": true + off,
            "fell out": cabin + 0.15 * (true - cabin),
            "reversed": 2 * self.block - true,
            "shorted": self.block,
            "wrong type": self.block + 1.27 * (true - self.block),
        }
        return np.asarray(faults.get(word, true))

    def _cut(self, point: str, values: Floats) -> Floats:
        """Faults of the wire: open or loose, as gaps (NaN) or wild readings in the log."""
        if self.fault is None or self.fault[1] != point:
            return values
        rng = self.rng
        if self.fault[0] == "open":
            values[int(rng.uniform(0.0, 0.3) * values.size) :] = np.nan
        if self.fault[0] == "loose":
            bursts = np.repeat(rng.random(values.size // 12 + 1) < 0.4, 12)[: values.size]
            values[bursts] += rng.normal(0, 25, int(bursts.sum()))
        return values
