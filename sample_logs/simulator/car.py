"""What a simulated car is made of: plain numbers, grouped by the part they belong to.

The numbers describe an invented van with a strong engine and a heater of the usual size. They are
round figures of the right order, not measurements of any real vehicle. Heat capacity rates are
mass flow times specific heat, W/K.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Heater = Literal["blend-air", "water-valve", "combined"]


@dataclass(frozen=True, slots=True)
class Engine:
    """Heat into the coolant and what the engine bay takes of it.

    Parameters
    ----------
    heat_idle
        Heat into the coolant at idle, W.
    heat_per_speed, heat_per_speed_squared
        Further heat with road speed, W per m/s and W per (m/s)².
    capacity
        Heat capacity of block, head and coolant together, J/K.
    loss, loss_per_speed
        Conductance from the block to the outside air, W/K, and its growth, W/K per m/s.
    """

    heat_idle: float = 8800.0
    heat_per_speed: float = 230.0
    heat_per_speed_squared: float = 7.0
    capacity: float = 70e3
    loss: float = 12.0
    loss_per_speed: float = 0.7


@dataclass(frozen=True, slots=True)
class Thermostat:
    """A wax thermostat: it follows the coolant with a lag and closes lower than it opens.

    Parameters
    ----------
    opens
        Temperature of the wax at which the plate leaves its seat, °C. 82.2 °C is the 180 °F
        winter thermostat, 71.1 °C the 160 °F summer one (common practice, no source).
    band
        Further warming to full lift, K.
    lag
        Time constant of the wax, s.
    hysteresis
        How much lower it closes than it opens, K.
    least_lift
        Lift it never goes below (0 sound, above 0 stuck open), share of full lift.
    """

    opens: float = 82.2
    band: float = 12.0
    lag: float = 7.0
    hysteresis: float = 0.6
    least_lift: float = 0.0


@dataclass(frozen=True, slots=True)
class Radiator:
    """Coolant flow past the open thermostat and the air that cools it.

    Parameters
    ----------
    flow
        Heat capacity rate of the coolant at 1000 rpm and full lift, W/K.
    capacity
        Heat capacity of radiator and hoses, J/K.
    air, air_per_speed
        Conductance to the outside air standing and its growth with road speed, W/K and W/K per
        m/s.
    """

    flow: float = 280.0
    capacity: float = 18e3
    air: float = 220.0
    air_per_speed: float = 26.0


@dataclass(frozen=True, slots=True)
class HeaterLoop:
    """The heater's branch of the coolant: pump, hoses, core.

    Parameters
    ----------
    flow
        Heat capacity rate at 1000 rpm with the branch fully open, W/K.
    flow_factor
        Share of that flow that gets through (low coolant, a restricted core, a kinked hose).
    ua_air, ua_coolant
        Core conductance of the air side at 95 W/K of air and of the coolant side at 450 W/K of
        coolant, W/K.
    capacity
        Heat capacity of the core with its coolant, J/K.
    hose_capacity, hose_loss
        Of each heater hose: heat capacity, J/K, and loss to the engine bay, W/K.
    surge, surge_period
        Relative amplitude and mean period, s, of the flow's surging (trapped air).
    reversed
        True where the two heater hoses are on each other's tubes.
    """

    flow: float = 600.0
    flow_factor: float = 1.0
    ua_air: float = 240.0
    ua_coolant: float = 900.0
    capacity: float = 3500.0
    hose_capacity: float = 1100.0
    hose_loss: float = 0.5
    surge: float = 0.0
    surge_period: float = 32.0
    reversed: bool = False


@dataclass(frozen=True, slots=True)
class Mixing:
    """Blend door and water valve: from their travel (0 to 1) to hot air and coolant flow.

    Parameters
    ----------
    least, most
        Share of the air through the core with the blend door at its cold and hot stop.
    bend
        0 for a door whose share grows evenly with travel, 1 for a full S.
    rangeability
        Ratio of full flow to the flow at the seat of the equal-percentage water valve.
    valve_leak
        Flow past the shut water valve, share of full flow.
    cut_off
        Combined heater: lever travel (0 to 1) below which the water valve shuts.
    case_leak, case_leak_per_speed
        Share of the air that gets past the core cold whatever the door does, and its growth, per
        m/s.
    """

    least: float = 0.012
    most: float = 0.985
    bend: float = 0.5
    rangeability: float = 14.0
    valve_leak: float = 0.0015
    cut_off: float = 0.06
    case_leak: float = 0.01
    case_leak_per_speed: float = 0.0


@dataclass(frozen=True, slots=True)
class Cable:
    """Lever, cable and slot (all in % of the lever's travel).

    Parameters
    ----------
    backlash_cold, backlash_hot
        Travel at either end that moves nothing on a car in adjustment.
    offset
        Error of adjustment; positive falls short of hot, negative falls short of cold.
    play
        Backlash between opening and closing.
    backwards
        True where the lever's vacuum hoses are crossed and it works the wrong way round.
    """

    backlash_cold: float = 2.5
    backlash_hot: float = 2.5
    offset: float = 0.0
    play: float = 2.0
    backwards: bool = False


@dataclass(frozen=True, slots=True)
class Airflow:
    """Blower and the way through the heater case.

    Parameters
    ----------
    volume
        Air at 13 V with nothing in the way, m³/s.
    voltages
        Blower voltage at each switch position with the engine running, V.
    voltage_factor
        Share of that voltage that reaches the motor.
    blockage
        Share of the volume a blocked duct or case takes away.
    ram
        Growth of the volume with road speed, share per m/s.
    pick_up
        Warming of the air in the cowl above a warm engine, standing, K.
    box_capacity
        Heat capacity of whatever the air passes before the core, J/K.
    """

    volume: float = 0.072
    voltages: tuple[float, ...] = (0.0, 5.4, 8.1, 10.6, 13.1)
    voltage_factor: float = 1.0
    blockage: float = 0.0
    ram: float = 0.002
    pick_up: float = 1.6
    box_capacity: float = 400.0


@dataclass(frozen=True, slots=True)
class Ducts:
    """Floor and defroster ducts behind the mixing chamber.

    Parameters
    ----------
    chamber_lag
        Time constant of the mixing chamber, s.
    wall
        Conductance between the air and the wall of one duct, W/K.
    capacity
        Heat capacity of one duct's wall, J/K.
    loss
        From the wall to the cabin, W/K.
    flutter
        Standard deviation of the outlet's natural fluctuation, share of its rise.
    crossed_deflector
        True where the floor and defroster sides of the deflector's hoses are crossed.
    """

    chamber_lag: float = 2.2
    wall: float = 9.0
    capacity: float = 450.0
    loss: float = 1.2
    flutter: float = 0.003
    crossed_deflector: bool = False


@dataclass(frozen=True, slots=True)
class Body:
    """Footwell and cabin.

    Parameters
    ----------
    footwell_capacity, cabin_capacity
        Heat capacities, J/K.
    jet
        Share of the floor air's heat capacity rate that stays in the footwell.
    exchange
        Conductance between footwell and cabin, W/K.
    hull, hull_per_speed
        Conductance from the cabin to outside and its growth with speed, W/K and W/K per m/s.
    draft_per_speed
        Cold air let into the footwell by door seals and firewall, W/K per m/s.
    """

    footwell_capacity: float = 2600.0
    cabin_capacity: float = 60e3
    jet: float = 0.75
    exchange: float = 28.0
    hull: float = 55.0
    hull_per_speed: float = 1.6
    draft_per_speed: float = 0.12


@dataclass(frozen=True, slots=True)
class Vacuum:
    """Manifold, check valve, reservoir and actuators (positive below ambient, kPa).

    Parameters
    ----------
    idle
        Manifold vacuum at idle, kPa.
    supply
        Share of the manifold's vacuum that reaches the reservoir.
    fill
        Rate at which the reservoir follows a deeper manifold, 1/s.
    check_leak
        Rate at which it follows a shallower one back through the check valve, 1/s.
    leak
        Rate of loss through lines, switch and diaphragms, 1/s.
    needed
        Vacuum at which an actuator reaches its stop; it starts to move at 0.4 of this, kPa.
    moves_valve
        True where the water valve is held open by vacuum.
    """

    idle: float = 62.0
    supply: float = 1.0
    fill: float = 0.35
    check_leak: float = 0.0002
    leak: float = 0.00025
    needed: float = 24.0
    moves_valve: bool = False


@dataclass(frozen=True, slots=True)
class Car:
    """One car of the fleet.

    Parameters
    ----------
    vehicle, family
        Names for the set-up file.
    heater
        Layout of the contract.
    """

    vehicle: str = "SC-000"
    family: str = "Plover"
    heater: Heater = "blend-air"
    engine: Engine = field(default_factory=Engine)
    thermostat: Thermostat = field(default_factory=Thermostat)
    radiator: Radiator = field(default_factory=Radiator)
    loop: HeaterLoop = field(default_factory=HeaterLoop)
    mixing: Mixing = field(default_factory=Mixing)
    cable: Cable = field(default_factory=Cable)
    airflow: Airflow = field(default_factory=Airflow)
    ducts: Ducts = field(default_factory=Ducts)
    body: Body = field(default_factory=Body)
    vacuum: Vacuum = field(default_factory=Vacuum)
