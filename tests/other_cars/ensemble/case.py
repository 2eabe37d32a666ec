"""One car of the ensemble: drawn, broken, driven. The same seed and number give the same car."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.random import Generator

from tests.other_cars.ensemble.car import PARTS, Car, draw_car, draw_family, draw_structure
from tests.other_cars.ensemble.controls import MISUSES, Order, draw_order, drive_trip
from tests.other_cars.ensemble.faults import FORMS, draw_form, possible
from tests.other_cars.ensemble.logger.sensors import SENSOR_FAULTS, TEMPERATURES
from tests.other_cars.ensemble.severity import draw_level, harm, so_large, word_for
from tests.other_cars.trips import Trip

CARS_A_FAMILY: Final = 4
"""Judged cars that share their laws."""

HEALTHY_SHARE: Final = 0.25
PAIR_SHARE: Final = 0.04

FAMILY_NAMES: Final = (
    "Plover", "Dunlin", "Curlew", "Avocet", "Knot", "Turnstone", "Redshank", "Whimbrel", "Godwit",
    "Sanderling", "Stint", "Ruff",
)  # fmt: skip

SAME_PART: Final = (
    frozenset({"lever_short_of_hot", "lever_short_of_cold"}),
    frozenset({"thermostat_opens_low", "thermostat_stuck_open"}),
    frozenset({"hoses_reversed", "low_core_flow"}),
    frozenset({"vacuum_leak", "vacuum_supply"}),
)

SWEEP_SHOWS: Final = frozenset({"lever_short_of_hot", "lever_short_of_cold"})
HOLD_SHOWS: Final = frozenset({"vacuum_leak"})


@dataclass(frozen=True)
class Case:
    """A car with what is wrong and how it was driven.

    Parameters
    ----------
    name, vehicle
        Of its run folder and in its run.toml.
    causes
        True causes, the main one first.
    form
        Which form of the main one, or the misuse, or the sensor's fault and point.
    severity
        Word for the harm; empty where nothing is broken.
    harm
        Share that the occupants lose (`severity.harm`).
    nominal, good
        The family's car as it was meant to be, and this one without its faults.
    """

    name: str
    vehicle: str
    causes: tuple[str, ...]
    form: str
    severity: str
    harm: float
    nominal: Car
    good: Car
    car: Car
    order: Order
    trip: Trip
    purpose: str = "complaint"
    fault: tuple[str, str] | None = None
    seed: tuple[int, ...] = field(default=())


def seed_of(part: str, seed: int, *rest: int) -> tuple[int, ...]:
    """Seed of one draw; parts never share one."""
    return (seed, 104729 * (1 + PARTS.index(part)), *rest)


def family_of(part: str, seed: int, number: int) -> Car:
    """The family's car as it was meant to be."""
    rng = np.random.default_rng(seed_of(part, seed, 1, number))
    name = f"{FAMILY_NAMES[number % len(FAMILY_NAMES)]}-{number:03d}"
    return draw_family(rng, draw_structure(rng, part, name))


def good_case(part: str, seed: int, family: int, number: int) -> Case:
    """A known-good car of a family, driven by the shop's own plan."""
    seeds = seed_of(part, seed, 2, family, number)
    rng = np.random.default_rng(seeds)
    nominal = family_of(part, seed, family)
    car = draw_car(rng, nominal)
    order = draw_order(rng, good=True)
    trip = drive_trip(rng, car, order)
    name = f"{car.family}-{number:02d}"
    return Case(
        name, f"SC-9{number:02d}", ("healthy",), "", "", 0.0, nominal, car, car, order, trip,
        "baseline", seed=seeds,
    )  # fmt: skip


def draw_case(part: str, seed: int, number: int) -> Case:
    """A car of the ensemble with a cause or none."""
    seeds = seed_of(part, seed, 3, number)
    rng = np.random.default_rng(seeds)
    nominal = family_of(part, seed, number // CARS_A_FAMILY)
    good = draw_car(rng, nominal)
    open_to = [*possible(good), "control_use", "sensor_fault"]
    cause = "healthy" if rng.random() < HEALTHY_SHARE else str(rng.choice(open_to))
    causes, form, car = [cause], "", good
    fault = None
    if cause in FORMS:
        car, form = _broken(rng, good, good, cause)
        if rng.random() < PAIR_SHARE:
            second = str(rng.choice([each for each in possible(good) if _goes_with(each, cause)]))
            car, _ = _broken(rng, good, car, second)
            causes.append(second)
    if cause == "control_use":
        form = str(rng.choice(MISUSES))
    if cause == "sensor_fault":
        fault = _sensor_fault(rng)
        form = " / ".join(fault)
    order = draw_order(
        rng, misuse=form if cause == "control_use" else "",
        sweeps=cause in SWEEP_SHOWS and rng.random() < 0.85,
        holds=cause in HOLD_SHOWS and rng.random() < 0.85,
        moving="cold_leak_in_body" in causes,
    )  # fmt: skip
    if order.kind == "hot start":
        car = car.but(start_temperature=float(rng.uniform(35, 70)))
    trip = drive_trip(rng, car, order)
    purpose = "after-repair" if cause == "healthy" and rng.random() < 0.3 else "complaint"
    lost = harm(good, car) if cause in FORMS else 0.0
    word = word_for(lost) if cause in FORMS else ""
    return Case(
        f"{number:04d}", f"SC-{number:04d}", tuple(causes), form, word, lost, nominal, good, car,
        order, trip, purpose, fault, seeds,
    )  # fmt: skip


def _goes_with(second: str, first: str) -> bool:
    """Whether two causes can stand side by side: not two of one part."""
    return second != first and not any({first, second} <= part for part in SAME_PART)


def _broken(rng: Generator, good: Car, car: Car, cause: str) -> tuple[Car, str]:
    """The car with one more fault, of a size the occupants feel as its word says."""
    name, form = draw_form(rng, good, cause)
    wanted = draw_level(rng)
    # the size is found on the good car; a second fault is then put beside the first
    changed, _ = so_large(good, form, wanted)
    if car is good:
        broken = changed
    else:
        moved = {
            key: value
            for key, value in vars(changed).items()
            if key != "structure" and value != getattr(good, key)
        }
        broken = car.but(**moved)
    if "pulse" in vars(broken) and broken.pulse:
        broken = broken.but(pulse_period=float(rng.uniform(14, 65)))
    return broken, name


def _sensor_fault(rng: Generator) -> tuple[str, str]:
    points = {"outlet": 0.6, "coolant_in": 0.2, "ambient": 0.2}
    assert set(points) <= set(TEMPERATURES)
    point = str(rng.choice(list(points), p=list(points.values())))
    return str(rng.choice(SENSOR_FAULTS)), point
