"""Cars of both simulators as contexts, with the heater's true effectiveness and flow ratio."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from analysis.context import Context
from analysis.lever.event_clock import align_events
from analysis.pipeline import prepare
from analysis.quality import assess
from analysis.quality.soak import correct_at_soak
from ingest.arrays import Floats
from ingest.load.load import load_run
from ingest.run import Run
from sample_logs.simulator.car import Car as SampleCar
from sample_logs.simulator.families import FAMILIES as SAMPLE_FAMILIES
from sample_logs.simulator.families import draw_car as draw_sample_car
from sample_logs.simulator.faults import with_fault
from sample_logs.simulator.memory import as_run
from sample_logs.simulator.protocol import road_test
from sample_logs.simulator.sensors import standard_sensors
from sample_logs.simulator.simulate import simulate as simulate_sample
from tests.other_cars.cars import FAMILIES as OTHER_FAMILIES
from tests.other_cars.cars import Car as OtherCar
from tests.other_cars.cars import draw_car as draw_other_car
from tests.other_cars.faults import break_car
from tests.other_cars.folder import write_run
from tests.other_cars.physics import Drive
from tests.other_cars.physics import simulate as simulate_others
from tests.other_cars.sensors import Logger
from tests.other_cars.trips import draw_trip
from tests.support.contexts import context_of

FAULTS = ("thermostat_opens_low", "thermostat_stuck_open", "low_core_flow", "cold_leak_in_case")


@dataclass(frozen=True)
class KnownCar:
    """A run ready for the fit, and what was true at its heater.

    Parameters
    ----------
    context
        The run.
    time
        s from engine start, shape (n,).
    signals
        Noise-free temperatures by measuring point, °C.
    """

    name: str
    context: Context
    time: Floats
    signals: Mapping[str, Floats]

    def effectiveness(self, window: tuple[float, float]) -> float:
        """Outlet's rise over the coolant's lead, of the means in a window."""
        air = self._mean("inlet_air", window)
        return (self._mean("outlet", window) - air) / (self._mean("coolant_in", window) - air)

    def flow_ratio(self, window: tuple[float, float]) -> float:
        """Coolant's drop over the outlet's rise, of the means in a window."""
        drop = self._mean("coolant_in", window) - self._mean("coolant_out", window)
        return drop / (self._mean("outlet", window) - self._mean("inlet_air", window))

    def _mean(self, point: str, window: tuple[float, float]) -> float:
        inside = (self.time >= window[0]) & (self.time <= window[1])
        return float(self.signals[point][inside].mean())


def prepared(run: Run) -> Context:
    """The run as every figure sees it."""
    return prepare(align_events(correct_at_soak(assess(run))))


def sample_car(car: SampleCar, seed: int, *, ambient: float = -4.0) -> KnownCar:
    """A road test of a car of `sample_logs.simulator`."""
    simulated = simulate_sample(car, road_test(ambient=ambient), standard_sensors(), seed)
    model = simulated.model
    time = model.schedule.time - model.schedule.engine_start
    return KnownCar(f"sample {seed}", prepared(as_run(simulated)), time, model.traces)


def sample_cars(count: int, seed: int) -> list[KnownCar]:
    """Cars of all families, every second one with a fault the heater model knows."""
    rng = np.random.default_rng(seed)
    cars = []
    for number in range(count):
        family = list(SAMPLE_FAMILIES)[number % len(SAMPLE_FAMILIES)]
        car = draw_sample_car(family, "SC-900", seed * 1000 + number)
        if number % 2:
            cause, severity = str(rng.choice(FAULTS)), float(rng.uniform(0.2, 1.0))
            case = with_fault(car, road_test(), standard_sensors(), cause, severity, seed=number)
            car = case.car
        ambient = float(rng.uniform(-15.0, 8.0))
        cars.append(sample_car(car, seed * 1000 + number, ambient=ambient))
    return cars


def other_cars(
    cars: Sequence[OtherCar], seed: int, folder: Path, *, speed: bool = True
) -> list[KnownCar]:
    """Trips of cars of `tests.other_cars`, written by their loggers and read back."""
    rng = np.random.default_rng(seed)
    trips = [draw_trip(rng, car, good_habits=True) for car in cars]
    drives = simulate_others(cars, trips)
    return [_read_back(rng, folder / f"{i:03d}", drive) for i, drive in enumerate(drives)]


def _read_back(rng: np.random.Generator, folder: Path, drive: Drive) -> KnownCar:
    logger = Logger(rng, drive, missing=0.0, fault=None)
    columns = logger.columns()
    write_run(rng, folder, drive, logger.times, columns, vehicle="SC-900", purpose="complaint")
    time = drive.trip.time - drive.trip.start_s
    return KnownCar(f"other {folder.name}", prepared(load_run(folder)), time, drive.signals)


def drawn_other_cars(count: int, seed: int, folder: Path) -> list[KnownCar]:
    """Cars of all families, every second one with a fault the heater model knows."""
    rng = np.random.default_rng(seed)
    cars = []
    for number in range(count):
        car = draw_other_car(rng, list(OTHER_FAMILIES)[number % len(OTHER_FAMILIES)])
        if number % 2:
            car = break_car(car, str(rng.choice(FAULTS)), float(rng.uniform(0.2, 1.0)), rng)
        cars.append(car)
    return other_cars(cars, seed, folder)


def without(context: Context, *points: str) -> Context:
    """The same run with some points not logged."""
    run = context.run
    sensors = {name: sensor for name, sensor in run.sensors.items() if name not in points}
    columns = [run.sensors[point].column for point in points]
    return context_of(replace(run, sensors=sensors, readings=run.readings.drop(columns)))
