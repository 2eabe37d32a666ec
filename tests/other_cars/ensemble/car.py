"""A structure (which laws) and a car (which numbers), and how both are drawn."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.random import Generator

from tests.other_cars.ensemble.laws import CALIBRATE_HEATERS, COMPONENTS, LEFT_OUT
from tests.other_cars.ensemble.laws.engine import HEATERS

PARTS: Final = ("calibrate", "judge")
MIN_LEFT_OUT: Final = 4
"""Components of which every family of the judging part uses a left-out law, at least."""

HEATER_LAYOUTS: Final = ("blend-air", "water-valve", "combined")


@dataclass(frozen=True)
class Structure:
    """Laws of a family: a name for each component, a shape number for each, and the layout."""

    family: str
    heater: str
    laws: dict[str, str]
    shape: dict[str, float]
    heated_by: str = ""  # a coolant heater's name, or nothing for an engine
    vacuum: bool = True

    def left_out(self) -> list[str]:
        """Components that use a law kept for judging, of those that matter to this layout."""
        found = [name for name, law in self.laws.items() if law in LEFT_OUT[name]]
        idle = {"mixing"} if self.heater == "water-valve" else {"valve"}
        if not self.vacuum:
            idle |= {"source", "loss"}
        if self.heated_by:
            idle |= {"heat", "thermostat", "fan"}
        return [name for name in found if name not in idle]


@dataclass(frozen=True)
class Car:
    """One car. Temperatures °C, powers W, capacities J/K, conductances W/K, times s."""

    structure: Structure
    # engine
    heat: float = 1.0
    coolant_mass: float = 21000.0
    block_mass: float = 24000.0
    block_coupling: float = 420.0
    engine_loss: float = 16.0
    thermostat_opens: float = 82.0
    thermostat_span: float = 10.0
    thermostat_seep: float = 0.0  # lift that never closes, by a fault
    radiator_flow: float = 2100.0
    radiator_mass: float = 14000.0
    radiator_ua: float = 330.0
    # heater loop
    heater_flow: float = 0.135  # kg/s at 1500 rpm
    bypass_flow: float = 0.0  # share the open thermostat adds to the heater's flow
    hose_mass: float = 700.0
    hose_loss: float = 2.4
    core_mass: float = 2600.0
    ua_air: float = 185.0
    ua_water: float = 560.0
    air_power: float = 0.55
    water_power: float = 0.6
    pulse: float = 0.0
    pulse_period: float = 30.0
    gurgle: float = 0.0  # part of the time the flow is nearly gone
    swapped: float = 0.0
    against: float = 0.0  # share of the conductance lost by flow against the design
    # lever, cable, door or valve
    closed_at: float = 4.0
    open_at: float = 96.0
    lash: float = 2.0
    valve_seep: float = 0.004
    bypass: float = 0.02
    bypass_ram: float = 0.0  # more of it at 20 m/s
    seep_hot: float = 0.012
    backwards: float = 0.0
    astray: float = 0.0
    actuator_lag: float = 0.4
    needs_vacuum: float = 0.0  # kPa the temperature control needs; 0: cable
    deflector_vacuum: float = 0.0  # kPa the floor deflector needs; 0: cable
    # air
    air_flow: float = 0.085
    ram: float = 0.012  # kg/s at 30 m/s
    duct_lag: float = 1.2
    wall_share: float = 0.1
    wall_lag: float = 35.0
    duct_size: float = 0.04
    air_delay: float = 0.5
    inlet_gain: float = 1.5
    outlet_sees_cabin: float = 0.0
    # cabin
    cabin_mass: float = 55000.0
    cabin_ua: float = 70.0
    foot_cabin: float = 0.45
    foot_lag: float = 9.0
    foot_leak: float = 0.02
    foot_draft: float = 0.02  # at 20 m/s
    # vacuum
    source_level: float = 62.0
    reservoir_lag: float = 900.0
    refill_lag: float = 2.5
    check_lag: float = 1500.0
    switch_drop: float = 3.0
    blower_volts: float = 12.9
    # conditions
    ambient: float = -4.0
    ambient_drift: float = 0.0
    start_temperature: float = -4.0

    @property
    def family(self) -> str:
        return self.structure.family

    @property
    def heater(self) -> str:
        return self.structure.heater

    def law(self, component: str) -> str:
        return self.structure.laws[component]

    def k(self, component: str) -> float:
        return self.structure.shape[component]

    def but(self, **changes: float) -> Car:
        return dataclasses.replace(self, **changes)  # type: ignore[arg-type]


def draw_structure(rng: Generator, part: str, family: str) -> Structure:
    """Laws of a family; those left out only where `part` is ``judge``, and several of them."""
    heater = str(rng.choice(HEATER_LAYOUTS, p=[0.4, 0.3, 0.3]))
    coolant_heater = rng.random() < 0.1
    vacuum = not coolant_heater and (heater == "combined" or rng.random() < 0.45)
    chosen: dict[str, str] = {}
    forced: set[str] = set()
    if part == "judge":
        open_to = [name for name in COMPONENTS if name not in _idle(heater, vacuum, coolant_heater)]
        count = int(rng.integers(MIN_LEFT_OUT, min(9, len(open_to)) + 1))
        forced = set(rng.choice(open_to, size=count, replace=False).tolist())
    for component, laws in COMPONENTS.items():
        names = [name for name in laws if part == "judge" or name not in LEFT_OUT[component]]
        if component in forced:
            names = [name for name in laws if name in LEFT_OUT[component]]
        chosen[component] = str(rng.choice(names))
    heated_by = ""
    if coolant_heater:
        heated_by = str(rng.choice(CALIBRATE_HEATERS if part == "calibrate" else list(HEATERS)))
        chosen["pump"] = "electric"
    shape = {component: float(rng.random()) for component in COMPONENTS}
    return Structure(family, heater, chosen, shape, heated_by, vacuum)


def _idle(heater: str, vacuum: bool, coolant_heater: bool) -> set[str]:  # noqa: FBT001
    idle = {"mixing"} if heater == "water-valve" else {"valve"}
    idle |= set() if vacuum else {"source", "loss"}
    return idle | ({"heat", "thermostat", "fan", "pump"} if coolant_heater else set())


def draw_family(rng: Generator, structure: Structure) -> Car:
    """The family's own numbers: the car it was meant to be."""
    u = rng.uniform
    temperature_by_vacuum = structure.vacuum and rng.random() < 0.5
    merged = rng.random() < 0.3  # block and coolant as one
    level = 70.0 if structure.laws["source"] == "pump" else 62.0
    closed, opened = float(u(2, 7)), float(u(93, 98))
    return Car(
        structure,
        heat=float(u(0.9, 1.25)),
        coolant_mass=float(u(17000, 30000)),
        block_mass=3500.0 if merged else float(u(16000, 34000)),
        block_coupling=2500.0 if merged else float(u(300, 650)),
        engine_loss=float(u(11, 20)),
        thermostat_opens=float(rng.choice([80.0, 82.0, 84.0, 87.0, 88.0])),
        thermostat_span=float(u(7, 13)),
        radiator_flow=float(u(1600, 2600)),
        radiator_ua=float(u(270, 420)),
        heater_flow=float(u(0.09, 0.19)),
        bypass_flow=float(u(-0.3, 0.2)) if structure.laws["pump"] == "bypass" else 0.0,
        hose_mass=float(u(500, 1100)), hose_loss=float(u(1.5, 4.0)),
        core_mass=float(u(1800, 3800)),
        ua_air=float(u(160, 230)), ua_water=float(u(420, 800)),
        air_power=float(u(0.4, 0.7)), water_power=float(u(0.35, 0.8)),
        closed_at=closed, open_at=opened,
        lash=float(u(0.8, 4.0)),
        valve_seep=float(u(0.0005, 0.006)),
        bypass=float(u(0.005, 0.05)),
        seep_hot=float(u(0.004, 0.03)),
        actuator_lag=float(u(0.25, 1.8)) if temperature_by_vacuum else float(u(0.1, 0.5)),
        needs_vacuum=float(u(22, 34)) if temperature_by_vacuum else 0.0,
        deflector_vacuum=float(u(15, 28)) if structure.vacuum else 0.0,
        air_flow=float(u(0.07, 0.105)), ram=float(u(0.006, 0.022)),
        duct_lag=float(u(0.8, 2.0)), wall_share=float(u(0.04, 0.18)), wall_lag=float(u(20, 60)),
        duct_size=float(u(0.02, 0.08)), air_delay=float(u(0.2, 1.0)),
        inlet_gain=float(u(0.2, 4.0)),
        outlet_sees_cabin=float(rng.choice([0.0, u(0.0, 0.12)])),
        cabin_mass=float(u(40000, 95000)), cabin_ua=float(u(50, 100)),
        foot_cabin=float(u(0.2, 0.8)), foot_lag=float(u(4, 22)),
        foot_leak=float(u(0.01, 0.04)), foot_draft=float(u(0.01, 0.05)),
        source_level=level + float(u(-5, 5)),
        reservoir_lag=float(u(600, 2000)), refill_lag=float(u(1.5, 4.0)),
        check_lag=float(u(900, 3000)), switch_drop=float(u(1.5, 6)),
        blower_volts=float(u(12.2, 13.8)),
    )  # fmt: skip


SPREAD: Final = {  # relative standard deviation from car to car of a family
    "heat": 0.05, "coolant_mass": 0.03, "block_mass": 0.03, "block_coupling": 0.05,
    "engine_loss": 0.1, "thermostat_span": 0.08, "radiator_ua": 0.06, "radiator_flow": 0.05,
    "heater_flow": 0.06, "hose_loss": 0.15, "ua_water": 0.05, "ua_air": 0.035, "lash": 0.25,
    "valve_seep": 0.3, "bypass": 0.3, "seep_hot": 0.3, "actuator_lag": 0.15, "air_flow": 0.04,
    "ram": 0.15, "duct_lag": 0.12, "wall_share": 0.15, "wall_lag": 0.15, "duct_size": 0.12,
    "inlet_gain": 0.3, "outlet_sees_cabin": 0.3, "cabin_mass": 0.08, "cabin_ua": 0.08,
    "foot_cabin": 0.1, "foot_leak": 0.2, "foot_draft": 0.25, "source_level": 0.025,
    "reservoir_lag": 0.3, "refill_lag": 0.2, "check_lag": 0.3, "switch_drop": 0.25,
    "blower_volts": 0.02,
}  # fmt: skip


def draw_car(rng: Generator, base: Car) -> Car:
    """A good car of the family, on some winter's day."""
    changes = {
        name: getattr(base, name) * float(np.clip(1 + spread * rng.standard_normal(), 0.4, 1.8))
        for name, spread in SPREAD.items()
    }
    ambient = float(rng.uniform(-15.0, 9.0))
    cable = float(rng.normal(0.0, 1.2))
    changes |= {
        "thermostat_opens": base.thermostat_opens + float(rng.normal(0.0, 0.9)),
        "closed_at": base.closed_at + cable + float(rng.normal(0.0, 0.6)),
        "open_at": base.open_at + cable + float(rng.normal(0.0, 0.6)),
        "ambient": ambient,
        "ambient_drift": float(rng.normal(0.0, 1.5)),
        "start_temperature": ambient,
    }
    return base.but(**changes)
