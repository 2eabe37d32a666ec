"""The invented families of the Saltmarsh County van fleet, and how their cars differ."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from sample_logs.simulator.car import (
    Airflow,
    Body,
    Car,
    Engine,
    HeaterLoop,
    Mixing,
    Vacuum,
)

FAMILIES: dict[str, Car] = {
    "Plover": Car(family="Plover", heater="blend-air"),
    "Avocet": Car(
        family="Avocet",
        heater="blend-air",
        engine=Engine(heat_idle=7900.0, capacity=62e3),
        loop=HeaterLoop(flow=520.0, ua_air=210.0, ua_coolant=800.0),
        airflow=Airflow(volume=0.064),
        body=Body(cabin_capacity=50e3, hull=48.0),
    ),
    "Dunlin": Car(
        family="Dunlin",
        heater="water-valve",
        mixing=Mixing(most=0.99),
        vacuum=Vacuum(moves_valve=True),
    ),
    "Knot": Car(
        family="Knot",
        heater="water-valve",
        engine=Engine(heat_idle=9600.0, capacity=78e3),
        loop=HeaterLoop(flow=660.0, ua_air=260.0),
        mixing=Mixing(most=0.99, rangeability=9.0),
        airflow=Airflow(volume=0.078),
    ),
    "Curlew": Car(
        family="Curlew",
        heater="combined",
        airflow=Airflow(box_capacity=2300.0),
        vacuum=Vacuum(moves_valve=True),
    ),
    "Turnstone": Car(
        family="Turnstone",
        heater="combined",
        engine=Engine(heat_idle=8300.0),
        loop=HeaterLoop(flow=560.0, ua_air=225.0),
        airflow=Airflow(volume=0.068, box_capacity=2600.0),
    ),
}
"""The nominal car of each family."""


def draw_car(family: str, vehicle: str, seed: int) -> Car:
    """One good car of a family: every number near the family's, none exactly.

    Parameters
    ----------
    family
        A key of `FAMILIES`.
    vehicle
        Name of the car.
    seed
        Decides how it differs.

    Raises
    ------
    KeyError
        Where there is no such family.
    """
    car = FAMILIES[family]
    rng = np.random.default_rng([seed, 71])

    def scaled(part: Any, **spread: float) -> Any:
        """Multiply fields by log-normal factors of the given relative spread."""
        changes = {
            name: getattr(part, name) * float(np.exp(rng.normal(0.0, width)))
            for name, width in spread.items()
        }
        return replace(part, **changes)

    cable = replace(
        car.cable,
        offset=float(rng.normal(0.0, 0.7)),
        play=float(rng.uniform(1.2, 3.0)),
    )
    return replace(
        car,
        vehicle=vehicle,
        engine=scaled(car.engine, heat_idle=0.03, capacity=0.03),
        thermostat=replace(car.thermostat, opens=car.thermostat.opens + float(rng.normal(0, 0.8))),
        loop=scaled(car.loop, flow=0.05, ua_air=0.04, ua_coolant=0.05),
        mixing=scaled(car.mixing, least=0.2, case_leak=0.3, valve_leak=0.3),
        cable=cable,
        airflow=scaled(car.airflow, volume=0.03),
        ducts=scaled(car.ducts, wall=0.06, flutter=0.15),
        body=scaled(car.body, jet=0.05, exchange=0.06, draft_per_speed=0.25),
        vacuum=scaled(car.vacuum, leak=0.2, idle=0.03),
    )
