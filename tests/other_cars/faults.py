"""What is wrong with a car: every cause of the contract that is in the car itself.

`sensor_fault` and `control_use` leave the car as it is; the log and the trip carry them.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from numpy.random import Generator

from tests.other_cars.cars import Car

CAUSES: Final = (
    "healthy", "thermostat_opens_low", "thermostat_stuck_open", "low_core_flow", "hoses_reversed",
    "lever_short_of_hot", "lever_short_of_cold", "cold_leak_in_case", "cold_leak_in_body",
    "weak_airflow", "vacuum_leak", "vacuum_supply", "actuator_hoses_crossed", "control_use",
    "sensor_fault",
)  # fmt: skip
"""The contract's causes."""

Break = Callable[[Car, float, Generator], Car]


def _between(severity: float, moderate: float, severe: float) -> float:
    """0.5 is moderate, 1 severe; below 0.5 runs on in a straight line to slight."""
    return moderate + (severity - 0.5) * 2.0 * (severe - moderate)


def _opens_low(car: Car, severity: float, rng: Generator) -> Car:
    return car.but(thermostat_opens=car.thermostat_opens - _between(severity, 9.0, 17.0))


def _stuck_open(car: Car, severity: float, rng: Generator) -> Car:
    return car.but(thermostat_seep=_between(severity, 0.08, 0.30))


def _low_flow(car: Car, severity: float, rng: Generator) -> Car:
    return car.but(heater_flow=car.heater_flow * _between(severity, 0.26, 0.09))


def _reversed(car: Car, severity: float, rng: Generator) -> Car:
    seep = _between(severity, 0.16, 0.34)
    return car.but(
        swapped=1.0,
        pulse=_between(severity, 0.45, 0.8),
        pulse_period=float(rng.uniform(14.0, 65.0)),
        heater_flow=car.heater_flow * float(rng.uniform(0.35, 0.6)),
        seep_hot=seep,
        valve_seep=seep * 0.25,
    )


def _cable(car: Car, shift: float) -> Car:
    return car.but(closed_at=car.closed_at + shift, open_at=car.open_at + shift)


def _short_of_hot(car: Car, severity: float, rng: Generator) -> Car:
    return _cable(car, _between(severity, 14.0, 30.0))


def _short_of_cold(car: Car, severity: float, rng: Generator) -> Car:
    return _cable(car, -_between(severity, 14.0, 30.0))


def _case_leak(car: Car, severity: float, rng: Generator) -> Car:
    ram = 0.002 if rng.random() < 0.5 else 0.0
    return car.but(bypass=_between(severity, 0.18, 0.42), bypass_ram=ram)


def _body_leak(car: Car, severity: float, rng: Generator) -> Car:
    return car.but(foot_leak_speed=_between(severity, 0.10, 0.35), foot_leak=0.05)


def _weak_air(car: Car, severity: float, rng: Generator) -> Car:
    volts = car.blower_volts * (0.65 if rng.random() < 0.5 else 1.0)
    return car.but(
        air_flow=car.air_flow * _between(severity, 0.5, 0.24),
        ram=car.ram * 0.5,
        blower_volts=volts,
    )


def _vacuum_leak(car: Car, severity: float, rng: Generator) -> Car:
    lag = _between(severity, 55.0, 12.0)
    return car.but(reservoir_lag=lag, refill_lag=car.refill_lag * 2.5)


def _vacuum_supply(car: Car, severity: float, rng: Generator) -> Car:
    return car.but(
        check_lag=_between(severity, 14.0, 3.0),
        manifold=car.manifold * _between(severity, 0.75, 0.6),
        refill_lag=car.refill_lag * 2.0,
    )


def _crossed(car: Car, severity: float, rng: Generator) -> Car:
    if rng.random() < 0.5:
        return car.but(backwards=1.0)
    return car.but(astray=_between(severity, 0.75, 1.0))


FAULTS: Final[dict[str, Break]] = {
    "thermostat_opens_low": _opens_low,
    "thermostat_stuck_open": _stuck_open,
    "low_core_flow": _low_flow,
    "hoses_reversed": _reversed,
    "lever_short_of_hot": _short_of_hot,
    "lever_short_of_cold": _short_of_cold,
    "cold_leak_in_case": _case_leak,
    "cold_leak_in_body": _body_leak,
    "weak_airflow": _weak_air,
    "vacuum_leak": _vacuum_leak,
    "vacuum_supply": _vacuum_supply,
    "actuator_hoses_crossed": _crossed,
}


def break_car(car: Car, cause: str, severity: float, rng: Generator) -> Car:
    """The car with a cause in it; severity 0.5 is moderate, 1 severe."""
    fault = FAULTS.get(cause)
    return car if fault is None else fault(car, severity, rng)
