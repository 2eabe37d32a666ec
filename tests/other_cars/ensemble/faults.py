"""Every cause of the contract that is in the car itself, in one form or another.

Each form takes the car and a size 0..1 and gives the car with the fault, growing without a step
from hardly anything at 0; `severity.so_large` finds the size. Forms of one cause differ in what
else they do.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from numpy.random import Generator

from tests.other_cars.ensemble.car import Car

Form = Callable[[Car, float], Car]


def _opens_low(car: Car, size: float) -> Car:
    return car.but(thermostat_opens=car.thermostat_opens - 55 * size)


def _worn_wax(car: Car, size: float) -> Car:
    """Opens early and over a longer way."""
    return car.but(
        thermostat_opens=car.thermostat_opens - 55 * size,
        thermostat_span=car.thermostat_span * (1 + 0.5 * size),
    )


def _stuck_open(car: Car, size: float) -> Car:
    return car.but(thermostat_seep=size**2)


def _restricted(car: Car, size: float) -> Car:
    return car.but(heater_flow=car.heater_flow * 0.01**size)


def _low_coolant(car: Car, size: float) -> Car:
    """Air in the loop: less flow, gone altogether now and then."""
    return car.but(heater_flow=car.heater_flow * 0.02**size, gurgle=0.3 * size)


def _reversed_plain(car: Car, size: float) -> Car:
    """Flow against the core's design and past an air pocket; steady."""
    return car.but(
        swapped=1.0, against=0.1 + 0.4 * size, heater_flow=car.heater_flow * 0.6 * 0.05**size,
        valve_seep=min(0.3, car.valve_seep + 0.2 * size),
    )  # fmt: skip


def _reversed_chatter(car: Car, size: float) -> Car:
    """Flow against the valve's seat: it chatters, and does not shut."""
    return car.but(
        swapped=1.0, pulse=min(0.9, 0.25 + 0.75 * size), heater_flow=car.heater_flow * 0.6,
        seep_hot=min(0.4, car.seep_hot + 0.3 * size),
        valve_seep=min(0.3, car.valve_seep + 0.15 * size),
    )  # fmt: skip


def _short_of_hot(car: Car, size: float) -> Car:
    return car.but(closed_at=car.closed_at + 65 * size, open_at=car.open_at + 65 * size)


def _short_of_cold(car: Car, size: float) -> Car:
    return car.but(closed_at=car.closed_at - 65 * size, open_at=car.open_at - 65 * size)


def _seal(car: Car, size: float) -> Car:
    return car.but(bypass=car.bypass + 0.75 * size)


def _ram_seal(car: Car, size: float) -> Car:
    return car.but(bypass=car.bypass + 0.4 * size, bypass_ram=0.4 * size)


def _draft(car: Car, size: float) -> Car:
    return car.but(foot_draft=car.foot_draft + 3.0 * size**1.5)


def _slow_blower(car: Car, size: float) -> Car:
    """Lost at the motor's supply."""
    left = 1 - 0.9 * size
    return car.but(air_flow=car.air_flow * left, blower_volts=car.blower_volts * left**0.8)


def _clogged(car: Car, size: float) -> Car:
    """A filter or a duct: road speed does not help either."""
    left = 1 - 0.9 * size
    return car.but(air_flow=car.air_flow * left, ram=car.ram * left)


def _tired_motor(car: Car, size: float) -> Car:
    return car.but(air_flow=car.air_flow * (1 - 0.9 * size))


def _vacuum_leak(car: Car, size: float) -> Car:
    return car.but(reservoir_lag=car.reservoir_lag * 0.0001**size)


def _diaphragm(car: Car, size: float) -> Car:
    """A leak behind a narrow line, which also fills more slowly."""
    return car.but(
        reservoir_lag=car.reservoir_lag * 0.0002**size, refill_lag=car.refill_lag * (1 + 2 * size)
    )


def _check_valve(car: Car, size: float) -> Car:
    return car.but(check_lag=car.check_lag * 0.0008**size)


def _weak_source(car: Car, size: float) -> Car:
    return car.but(source_level=car.source_level * (1 - 0.85 * size))


def _backwards(car: Car, size: float) -> Car:
    return car.but(backwards=1.0)


def _astray(car: Car, size: float) -> Car:
    return car.but(astray=size)


FORMS: Final[Mapping[str, Mapping[str, Form]]] = {
    "thermostat_opens_low": {"low": _opens_low, "worn": _worn_wax},
    "thermostat_stuck_open": {"open": _stuck_open},
    "low_core_flow": {"restricted": _restricted, "air in the loop": _low_coolant},
    "hoses_reversed": {"plain": _reversed_plain, "chatter": _reversed_chatter},
    "lever_short_of_hot": {"cable": _short_of_hot},
    "lever_short_of_cold": {"cable": _short_of_cold},
    "cold_leak_in_case": {"seal": _seal, "seal and road": _ram_seal},
    "cold_leak_in_body": {"draft": _draft},
    "weak_airflow": {"supply": _slow_blower, "clogged": _clogged, "motor": _tired_motor},
    "vacuum_leak": {"line": _vacuum_leak, "diaphragm": _diaphragm},
    "vacuum_supply": {"check valve": _check_valve, "source": _weak_source},
    "actuator_hoses_crossed": {"astray": _astray, "backwards": _backwards},
}

CAUSES: Final = ("healthy", *FORMS, "control_use", "sensor_fault")


def possible(car: Car) -> dict[str, list[str]]:
    """Causes and forms that this car can have."""
    found = {cause: list(forms) for cause, forms in FORMS.items()}
    if not car.structure.vacuum:
        for cause in ("vacuum_leak", "vacuum_supply", "actuator_hoses_crossed"):
            del found[cause]
    elif not car.needs_vacuum:
        found["actuator_hoses_crossed"] = ["astray"]
    if car.structure.heated_by:
        del found["thermostat_opens_low"], found["thermostat_stuck_open"]
    if car.law("source") == "pump" and "vacuum_supply" in found:
        found["vacuum_supply"] = ["source"]  # a pump does not suck back on a hill
    if car.heater == "blend-air" and car.structure.heated_by:
        found["hoses_reversed"] = ["plain"]
    return found


def draw_form(rng: Generator, car: Car, cause: str) -> tuple[str, Form]:
    """A form of the cause that this car can have."""
    name = str(rng.choice(possible(car)[cause]))
    return name, FORMS[cause][name]
