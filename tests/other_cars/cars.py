"""The cars: six families in three heater layouts, and the spread from car to car."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.random import Generator

DOORS: Final = ("straight", "sine", "smooth", "kinked")


@dataclass(frozen=True)
class Car:
    """One car. Temperatures °C, powers W, capacities J/K, conductances W/K, times s."""

    family: str
    heater: str
    # engine
    heat_idle: float = 11000.0
    heat_per_speed: float = 380.0  # W per m/s
    coolant_mass: float = 21000.0
    block_mass: float = 24000.0
    block_coupling: float = 420.0
    engine_loss: float = 16.0
    thermostat_opens: float = 82.0
    thermostat_span: float = 11.0
    thermostat_lash: float = 1.6
    thermostat_seep: float = 0.0  # lift that never closes
    wax_lag: float = 14.0
    radiator_flow: float = 2100.0
    radiator_mass: float = 14000.0
    radiator_ua: float = 330.0
    # heater loop
    heater_flow: float = 0.135  # kg/s at 1500 rpm
    pump_exponent: float = 0.7
    hose_mass: float = 900.0
    hose_loss: float = 2.6
    core_water: float = 1500.0
    core_metal: float = 1300.0
    ua_water: float = 520.0
    ua_air: float = 175.0
    pulse: float = 0.0
    pulse_period: float = 30.0
    swapped: float = 0.0  # 1: supply and return hoses changed over
    # lever, cable, door or valve
    closed_at: float = 4.0  # lever % where the door or valve leaves its cold stop
    open_at: float = 96.0  # lever % where it meets the hot stop
    lash: float = 2.0
    door: float = 0.0  # index into DOORS
    rangeability: float = 18.0
    valve_seep: float = 0.004
    bypass: float = 0.02  # cold air past the core with everything at full hot
    bypass_ram: float = 0.0  # ... growing with speed
    seep_hot: float = 0.012  # air through the core with the door shut
    backwards: float = 0.0
    astray: float = 0.0  # the floor's air goes elsewhere
    actuator_lag: float = 0.35
    needs_vacuum: float = 0.0  # kPa the temperature control needs to open fully; 0: cable alone
    # air
    air_flow: float = 0.085  # kg/s, blower at its top step
    ram: float = 0.0006  # kg/s per m/s
    duct_lag: float = 1.1
    wall_share: float = 0.10
    wall_lag: float = 38.0
    duct_loss: float = 0.035
    air_delay: float = 0.5
    inlet_gain: float = 1.2  # K the scuttle adds
    # cabin
    cabin_mass: float = 52000.0
    cabin_ua: float = 70.0
    foot_cabin: float = 0.45
    foot_leak: float = 0.02
    foot_leak_speed: float = 0.012
    # vacuum
    manifold: float = 62.0
    manifold_load: float = 26.0
    reservoir_lag: float = 900.0
    refill_lag: float = 2.5
    check_lag: float = 1500.0
    switch_drop: float = 3.0
    orifice: float = 0.0  # 1: the leak behaves as an orifice, not as a capillary
    blower_volts: float = 12.9
    # conditions
    ambient: float = -4.0
    ambient_drift: float = 0.0  # K/h
    start_temperature: float = -4.0

    def but(self, **changes: float) -> Car:
        return dataclasses.replace(self, **changes)


FAMILIES: Final[dict[str, Car]] = {
    "Plover": Car("Plover", "blend-air", door=2.0),
    "Dunlin": Car(
        "Dunlin",
        "blend-air",
        door=1.0,
        ua_air=150.0,
        heater_flow=0.12,
        thermostat_opens=84.0,
        lash=3.0,
        air_flow=0.078,
        wall_share=0.14,
        closed_at=6.0,
        open_at=95.0,
        cabin_mass=64000.0,
    ),
    "Curlew": Car(
        "Curlew",
        "water-valve",
        heater_flow=0.15,
        rangeability=14.0,
        core_water=2300.0,
        ua_air=190.0,
        lash=2.5,
        actuator_lag=0.3,
        closed_at=5.0,
        open_at=94.0,
    ),
    "Avocet": Car(
        "Avocet",
        "water-valve",
        heater_flow=0.11,
        rangeability=24.0,
        ua_air=160.0,
        needs_vacuum=28.0,
        actuator_lag=1.2,
        lash=1.5,
        thermostat_opens=81.0,
        air_flow=0.08,
    ),
    "Knot": Car(
        "Knot",
        "combined",
        door=3.0,
        needs_vacuum=30.0,
        actuator_lag=0.8,
        air_flow=0.095,
        ua_air=185.0,
        switch_drop=5.0,
        thermostat_opens=85.0,
        lash=2.2,
    ),
    "Turnstone": Car(
        "Turnstone",
        "combined",
        door=0.0,
        needs_vacuum=26.0,
        actuator_lag=0.6,
        air_flow=0.088,
        heater_flow=0.14,
        lash=3.5,
        wall_lag=55.0,
        cabin_mass=78000.0,
        closed_at=5.0,
    ),
}

SPREAD: Final = {  # relative standard deviation from car to car of a family
    "heat_idle": 0.05, "heat_per_speed": 0.05, "coolant_mass": 0.03, "block_mass": 0.03,
    "block_coupling": 0.05, "engine_loss": 0.1, "thermostat_span": 0.08, "wax_lag": 0.2,
    "radiator_ua": 0.06, "heater_flow": 0.06, "hose_loss": 0.15, "ua_water": 0.05, "ua_air": 0.035,
    "lash": 0.25, "rangeability": 0.08, "valve_seep": 0.3, "bypass": 0.3, "seep_hot": 0.3,
    "actuator_lag": 0.15, "air_flow": 0.04, "ram": 0.15, "duct_lag": 0.12, "wall_share": 0.15,
    "wall_lag": 0.15, "duct_loss": 0.12, "inlet_gain": 0.3, "cabin_mass": 0.08, "cabin_ua": 0.08,
    "foot_cabin": 0.08, "foot_leak": 0.2, "foot_leak_speed": 0.25, "manifold": 0.025,
    "manifold_load": 0.08, "reservoir_lag": 0.3, "refill_lag": 0.2, "check_lag": 0.3,
    "switch_drop": 0.25, "blower_volts": 0.02,
}  # fmt: skip


def draw_car(rng: Generator, family: str) -> Car:
    """A good car of the family, on some winter's day."""
    base = FAMILIES[family]
    changes = {
        name: getattr(base, name) * float(np.clip(1 + spread * rng.standard_normal(), 0.3, 1.9))
        for name, spread in SPREAD.items()
    }
    ambient = float(rng.uniform(-14.0, 9.0))
    cable = float(rng.normal(0.0, 1.2))
    changes |= {
        "thermostat_opens": base.thermostat_opens + float(rng.normal(0.0, 0.9)),
        "thermostat_lash": float(rng.uniform(0.6, 2.5)),
        "closed_at": base.closed_at + cable + float(rng.normal(0.0, 0.7)),
        "open_at": base.open_at + cable + float(rng.normal(0.0, 0.7)),
        "orifice": float(rng.random() < 0.4),
        "ambient": ambient,
        "ambient_drift": float(rng.normal(0.0, 1.5)),
        "start_temperature": ambient,
        "air_delay": float(rng.uniform(0.2, 0.9)),
    }
    return base.but(**changes)
