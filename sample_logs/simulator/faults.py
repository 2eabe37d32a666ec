"""Every cause of the contract, put into a car, a plan or a set of sensors at a severity.

Severity runs from 0 (hardly there) to 1 (severe); 0.3 is slight, 0.6 moderate. How much each part
suffers at severity 1 is our own estimate from what such faults do, not a measurement.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from sample_logs.simulator.car import Car
from sample_logs.simulator.protocol import Protocol, Step
from sample_logs.simulator.sensors import FaultKind, SensorFault, SensorSet


@dataclass(frozen=True, slots=True)
class Case:
    """A car, a plan and sensors, with what is wrong among them.

    Parameters
    ----------
    car, protocol, sensors
        As `simulate` takes them.
    cause
        Name of the contract.
    severity
        0 to 1; 0 for `healthy`.
    variant
        Which form of the cause, where it has several.
    """

    car: Car
    protocol: Protocol
    sensors: SensorSet
    cause: str = "healthy"
    severity: float = 0.0
    variant: str = ""


Change = Callable[[Case, float, np.random.Generator], Case]


def with_fault(
    car: Car,
    protocol: Protocol,
    sensors: SensorSet,
    cause: str,
    severity: float,
    *,
    seed: int = 0,
    variant: str = "",
) -> Case:
    """Put one cause into an otherwise good case.

    Parameters
    ----------
    car, protocol, sensors
        The good case.
    cause
        A key of `FAULTS`.
    severity
        0 to 1.
    seed
        Decides what the severity leaves open (period of a surge, variant).
    variant
        A form of the cause instead of a drawn one; see `VARIANTS`.

    Raises
    ------
    KeyError
        Where there is no such cause.
    """
    rng = np.random.default_rng([seed, 37])
    choices = VARIANTS.get(cause, ("",))
    if cause == "actuator_hoses_crossed" and not car.vacuum.moves_valve:
        choices = ("deflector",)
    chosen = variant or str(rng.choice(choices))
    case = Case(car, protocol, sensors, cause, severity if cause != "healthy" else 0.0, chosen)
    return FAULTS[cause](case, severity, rng)


def _healthy(case: Case, severity: float, rng: np.random.Generator) -> Case:
    return case


def _thermostat_low(case: Case, severity: float, rng: np.random.Generator) -> Case:
    car = case.car
    opens = car.thermostat.opens - (4.0 + 16.0 * severity)
    return replace(case, car=replace(car, thermostat=replace(car.thermostat, opens=opens)))


def _thermostat_open(case: Case, severity: float, rng: np.random.Generator) -> Case:
    car = case.car
    least = 0.06 + 0.6 * severity
    return replace(case, car=replace(car, thermostat=replace(car.thermostat, least_lift=least)))


def _low_flow(case: Case, severity: float, rng: np.random.Generator) -> Case:
    loop = case.car.loop
    # a low level lets air into the branch, so that the little flow there is surges
    loop = replace(
        loop,
        flow_factor=loop.flow_factor * float(np.exp(-2.8 * severity)),
        surge=0.25 * severity if case.variant == "low coolant" else 0.0,
        surge_period=float(rng.uniform(15.0, 30.0)),
    )
    return replace(case, car=replace(case.car, loop=loop))


def _hoses_reversed(case: Case, severity: float, rng: np.random.Generator) -> Case:
    car = case.car
    loop = replace(
        car.loop,
        reversed=True,
        flow_factor=car.loop.flow_factor * (0.75 - 0.35 * severity),
        surge=0.35 + 0.6 * severity,
        surge_period=float(rng.uniform(24.0, 50.0)),
    )
    # the core's hot side now lies next to the cold way round it
    mixing = replace(car.mixing, least=car.mixing.least + 0.05 + 0.07 * severity)
    return replace(case, car=replace(car, loop=loop, mixing=mixing))


def _short_of_hot(case: Case, severity: float, rng: np.random.Generator) -> Case:
    return _cable(case, 4.0 + 30.0 * severity)


def _short_of_cold(case: Case, severity: float, rng: np.random.Generator) -> Case:
    return _cable(case, -(4.0 + 30.0 * severity))


def _cable(case: Case, offset: float) -> Case:
    cable = replace(case.car.cable, offset=case.car.cable.offset + offset)
    return replace(case, car=replace(case.car, cable=cable))


def _leak_in_case(case: Case, severity: float, rng: np.random.Generator) -> Case:
    mixing = case.car.mixing
    mixing = replace(
        mixing,
        case_leak=mixing.case_leak + 0.05 + 0.30 * severity,
        case_leak_per_speed=mixing.case_leak_per_speed + 0.001 + 0.004 * severity,
    )
    return replace(case, car=replace(case.car, mixing=mixing))


def _leak_in_body(case: Case, severity: float, rng: np.random.Generator) -> Case:
    body = case.car.body
    body = replace(
        body,
        draft_per_speed=body.draft_per_speed + 0.4 + 3.2 * severity,
        hull_per_speed=body.hull_per_speed + 1.0 + 4.0 * severity,
    )
    return replace(case, car=replace(case.car, body=body))


def _weak_airflow(case: Case, severity: float, rng: np.random.Generator) -> Case:
    airflow = case.car.airflow
    if case.variant == "blower":
        airflow = replace(airflow, voltage_factor=1.0 - 0.65 * severity)
    else:
        airflow = replace(airflow, blockage=0.12 + 0.6 * severity)
    return replace(case, car=replace(case.car, airflow=airflow))


def _vacuum_leak(case: Case, severity: float, rng: np.random.Generator) -> Case:
    vacuum = case.car.vacuum
    leak = vacuum.leak + 0.0008 * float(np.exp(4.0 * severity))
    return replace(case, car=replace(case.car, vacuum=replace(vacuum, leak=leak)))


def _vacuum_supply(case: Case, severity: float, rng: np.random.Generator) -> Case:
    vacuum = case.car.vacuum
    if case.variant == "check valve":
        vacuum = replace(vacuum, check_leak=0.02 + 0.5 * severity)
    else:
        vacuum = replace(vacuum, supply=1.0 - 0.12 - 0.55 * severity)
    return replace(case, car=replace(case.car, vacuum=vacuum))


def _hoses_crossed(case: Case, severity: float, rng: np.random.Generator) -> Case:
    car = case.car
    if case.variant == "lever":
        return replace(case, car=replace(car, cable=replace(car.cable, backwards=True)))
    return replace(case, car=replace(car, ducts=replace(car.ducts, crossed_deflector=True)))


def _control_use(case: Case, severity: float, rng: np.random.Generator) -> Case:
    """The same plan with the controls standing otherwise than the test assumes."""
    steps = list(case.protocol.steps)
    variant = case.variant
    if variant == "lever midway":
        # from the start to the sweep the lever is never where the test wants it
        midway = round(75.0 - 35.0 * severity)
        steps = [
            replace(step, lever=midway) if step.lever == 100 and step.label != "sweep" else step
            for step in steps
        ]
        steps = [step for step in steps if step.label != "sweep"]
    elif variant == "blower low":
        steps = [replace(step, blower=1) if step.blower else step for step in steps]
    elif variant == "mode defrost":
        steps = [replace(step, mode="defrost") if step.mode else step for step in steps]
    elif variant == "defrost on":
        steps[0] = replace(steps[0], defrost=round(60.0 + 30.0 * severity))
    else:
        steps = _blower_before_door(steps)
    return replace(case, protocol=replace(case.protocol, steps=tuple(steps)))


def _blower_before_door(steps: list[Step]) -> list[Step]:
    changed = [replace(steps[0], air_door=0.0)]
    for step in steps[1:]:
        if step.running and step.blower:
            early = min(10.0, step.duration / 2.0)
            changed.append(replace(step, duration=early))
            changed.append(Step(step.duration - early, step.label, air_door=100.0))
        else:
            changed.append(step)
    return changed


SENSOR_KINDS: dict[str, FaultKind] = {
    "open": "open",
    "stuck": "stuck",
    "reversed": "reversed",
    "fell off": "fell_off",
    "spikes": "spikes",
    "drift": "drift",
    "wrong type": "wrong_type",
}


def _sensor_fault(case: Case, severity: float, rng: np.random.Generator) -> Case:
    """The outlet's sensor lies; the earlier, the more severe."""
    kind = SENSOR_KINDS[case.variant]
    late = kind not in {"reversed", "wrong_type"}
    fault = SensorFault("outlet", kind, at=0.35 * (1.0 - severity) if late else 0.0)
    return replace(case, sensors=replace(case.sensors, faults=(fault,)))


VARIANTS: dict[str, tuple[str, ...]] = {
    "low_core_flow": ("low coolant", "restricted"),
    "weak_airflow": ("blower", "duct"),
    "vacuum_supply": ("check valve", "source"),
    "actuator_hoses_crossed": ("deflector", "lever"),
    "control_use": (
        "lever midway",
        "blower low",
        "mode defrost",
        "defrost on",
        "blower before door",
    ),
    "sensor_fault": tuple(SENSOR_KINDS),
}
"""Forms a cause can take."""

FAULTS: dict[str, Change] = {
    "healthy": _healthy,
    "thermostat_opens_low": _thermostat_low,
    "thermostat_stuck_open": _thermostat_open,
    "low_core_flow": _low_flow,
    "hoses_reversed": _hoses_reversed,
    "lever_short_of_hot": _short_of_hot,
    "lever_short_of_cold": _short_of_cold,
    "cold_leak_in_case": _leak_in_case,
    "cold_leak_in_body": _leak_in_body,
    "weak_airflow": _weak_airflow,
    "vacuum_leak": _vacuum_leak,
    "vacuum_supply": _vacuum_supply,
    "actuator_hoses_crossed": _hoses_crossed,
    "control_use": _control_use,
    "sensor_fault": _sensor_fault,
}
"""What each cause does to a case."""
