"""Command line: writes a set of cars with their truth."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.random import Generator

from tests.other_cars.cars import FAMILIES, Car, draw_car
from tests.other_cars.faults import CAUSES, FAULTS, break_car
from tests.other_cars.folder import write_run
from tests.other_cars.physics import Drive, simulate
from tests.other_cars.sensors import SENSOR_FAULTS, Logger
from tests.other_cars.trips import Trip, draw_trip
from tests.other_cars.truth import true_figures

BATCH: Final = 48
MISUSES: Final = ("midway", "mode", "blower low", "air door")

SHOWN_BY: Final[dict[str, tuple[str, ...]]] = {
    "thermostat_opens_low": ("coolant_plateau",),
    "thermostat_stuck_open": ("coolant_plateau",),
    "low_core_flow": ("coolant_drop",),
    "hoses_reversed": ("coolant_drop", "fluctuation_index"),
    "lever_short_of_hot": ("dead_travel_cold",),
    "lever_short_of_cold": ("dead_travel_hot",),
    "cold_leak_in_case": ("core_effectiveness",),
    "cold_leak_in_body": ("speed_sensitivity",),
    "weak_airflow": ("steady_outlet_rise", "footwell_deficit"),
    "vacuum_leak": ("vacuum_decay",),
    "vacuum_supply": ("vacuum_source_low",),
}
"""Figures of which one at least must have a truth for the cause to be visible at all."""


@dataclass(frozen=True)
class Case:
    """One car to be written."""

    name: str
    vehicle: str
    causes: tuple[str, ...]
    severity: float
    car: Car
    trip: Trip
    detail: str = ""


def draw_case(rng: Generator, number: int, *, slight: bool, pairs: float) -> Case:
    """A car with a cause or none."""
    family = str(rng.choice(list(FAMILIES)))
    healthy = rng.random() < 0.2
    cause = "healthy" if healthy else str(rng.choice(CAUSES[1:]))
    severity = float(rng.uniform(0.15 if slight else 0.5, 1.0))
    car = draw_car(rng, family)
    if rng.random() < 0.2:
        car = car.but(start_temperature=float(rng.uniform(30, 62)))
    car = break_car(car, cause, severity, rng)
    causes = [cause]
    if cause in FAULTS and rng.random() < pairs:
        second = str(rng.choice([each for each in FAULTS if each != cause]))
        car = break_car(car, second, severity, rng)
        causes.append(second)
    detail = ""
    if cause == "control_use":
        detail = str(rng.choice(MISUSES))
    trip = draw_trip(rng, car, misuse=detail)
    while "cold_leak_in_body" in causes and not trip.speed.any():
        trip = draw_trip(rng, car)  # nobody finds such a leak standing still
    if cause == "sensor_fault":
        point = str(rng.choice(["outlet", "coolant_in", "ambient"], p=[0.65, 0.2, 0.15]))
        detail = f"{rng.choice(SENSOR_FAULTS)} / {point}"
    return Case(f"{number:03d}", f"SC-{number:03d}", tuple(causes), severity, car, trip, detail)


def draw_good(rng: Generator, family: str, number: int) -> Case:
    """A good car for the baseline."""
    car = draw_car(rng, family)
    trip = draw_trip(rng, car, good_habits=True)
    return Case(f"{family}-{number:02d}", f"SC-9{number:02d}", ("healthy",), 0.0, car, trip)


def write_case(
    rng: Generator, root: Path, case: Case, drive: Drive, *, missing: float, purpose: str
) -> dict[str, Any]:
    """Write the run folder; returns its record for truth.json."""
    fault = None
    if case.causes[0] == "sensor_fault":
        word, point = case.detail.split(" / ")
        fault = (word, point)
    logger = Logger(rng, drive, missing=missing, fault=fault)
    columns = logger.columns()
    offset = write_run(
        rng, root / case.name, drive, logger.times, columns, vehicle=case.vehicle, purpose=purpose
    )
    signals = root.parent / "signals"
    signals.mkdir(exist_ok=True)
    np.save(signals / f"{case.name}.npy", drive.signals["outlet"].astype(np.float32))
    channels = [column.point for column in columns]
    figures = true_figures(drive, channels)
    needed = SHOWN_BY.get(case.causes[0], ())
    return {
        "family": drive.car.family,
        "heater": drive.car.heater,
        "causes": list(case.causes),
        "severity": round(case.severity, 3),
        "detail": case.detail,
        "shown": logger.wired(fault)
        and (not needed or any(figures[name] is not None for name in needed)),
        "figures": figures,
        "cable_offset": (drive.car.closed_at + drive.car.open_at) / 2
        - (FAMILIES[drive.car.family].closed_at + FAMILIES[drive.car.family].open_at) / 2,
        "channels": channels,
        "clock_offset_s": round(offset, 3),
        "start_s": drive.trip.start_s,
        "trip": drive.trip.kind + (" by hand" if drive.trip.by_hand else ""),
    }


def _batches(cases: list[Case]) -> Iterator[list[Case]]:
    # cars with trips of like length march together
    ordered = sorted(cases, key=lambda case: case.trip.time.size)
    for start in range(0, len(ordered), BATCH):
        yield ordered[start : start + BATCH]


def write_all(
    rng: Generator, root: Path, cases: list[Case], *, missing: float, purpose: str
) -> dict[str, Any]:
    """Drive and write all cases; their records by name."""
    records: dict[str, Any] = {}
    for batch in _batches(cases):
        drives = simulate([case.car for case in batch], [case.trip for case in batch])
        for case, drive in zip(batch, drives, strict=True):
            records[case.name] = write_case(
                rng, root, case, drive, missing=missing, purpose=purpose
            )
    return dict(sorted(records.items()))


def generate(
    out: Path, *, count: int, seed: int, baseline: int, missing: float = 0.12,
    slight: bool = False, pairs: float = 0.05,
) -> None:  # fmt: skip
    """Write `count` cars and `baseline` good cars a family below `out`."""
    rng = np.random.default_rng(seed)
    cases = [draw_case(rng, number, slight=slight, pairs=pairs) for number in range(1, count + 1)]
    good = [draw_good(rng, family, number) for family in FAMILIES
            for number in range(1, baseline + 1)]  # fmt: skip
    truth = {
        "cars": write_all(rng, out / "cars", cases, missing=missing, purpose="complaint"),
        "baseline": write_all(rng, out / "baseline", good, missing=missing / 4, purpose="baseline"),
    }
    (out / "truth.json").write_text(json.dumps(truth, indent=1), encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.other_cars", description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--baseline", type=int, default=12, help="good cars a family")
    parser.add_argument("--missing", type=float, default=0.12, help="share of channels not there")
    parser.add_argument("--slight", action="store_true", help="slight faults too")
    parser.add_argument("--pairs", type=float, default=0.05, help="share of cars with two causes")
    wanted = parser.parse_args()
    generate(
        wanted.out, count=wanted.count, seed=wanted.seed, baseline=wanted.baseline,
        missing=wanted.missing, slight=wanted.slight, pairs=wanted.pairs,
    )  # fmt: skip


if __name__ == "__main__":
    main()
