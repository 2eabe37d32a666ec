"""How much air the heater moves and where it goes."""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from ingest.arrays import Floats
from sample_logs.simulator.car import Car
from sample_logs.simulator.schedule import STEP_S, Schedule

AIR_CP = 1006.0
"""Specific heat of air, J/(kg K)."""

GAS_CONSTANT = 287.05
PRESSURE_PA = 100_000.0

DOOR_LEAK = 0.08
"""Air that gets past a shut fresh-air door, share."""

FLOOR_SHARE = {
    "off": 0.40,
    "vent": 0.08,
    "floor": 0.80,
    "defrost": 0.15,
    "mixed": 0.50,
    "recirculate": 0.80,
}
"""Share of the air to the floor, deflector where the mode wants it."""

REST_SHARE = 0.15
"""Share to the floor with the deflector at rest (no vacuum: the windshield gets the air)."""

SPIN_UP_S = 1.5


def blower_voltage(car: Car, schedule: Schedule) -> Floats:
    """Voltage at the blower motor, V (0 with the engine off)."""
    steps = np.array(car.airflow.voltages)
    volts = steps[np.clip(schedule.blower, 0, steps.size - 1)] * car.airflow.voltage_factor
    return np.where(schedule.running, volts, 0.0)


def door_openness(schedule: Schedule) -> Floats:
    """Where the fresh-air door stands, 0 to 1.

    A blower turned on before its door is opened holds that door shut by suction (common practice,
    no source): the door then follows its control only once the blower has been off.
    """
    wanted = schedule.air_door / 100.0
    blowing = schedule.blower > 0
    stands = np.empty(wanted.size)
    now = float(wanted[0])
    held = False
    for index, (goal, blows) in enumerate(zip(wanted.tolist(), blowing.tolist(), strict=True)):
        held = blows and (held or now < 0.02)
        if not held:
            now = goal
        stands[index] = now
    return stands


def capacity_rate(car: Car, schedule: Schedule, volts: Floats, ambient: float) -> Floats:
    """Heat capacity rate of all the air, W/K."""
    density = PRESSURE_PA / (GAS_CONSTANT * (ambient + 273.15))
    volume = (
        car.airflow.volume
        * (volts / 13.0) ** 0.9
        * (1.0 - car.airflow.blockage)
        * (DOOR_LEAK + (1.0 - DOOR_LEAK) * door_openness(schedule))
        * (1.0 + car.airflow.ram * schedule.speed)
    )
    keep = float(np.exp(-STEP_S / SPIN_UP_S))
    rate: Floats = lfilter([1 - keep], [1, -keep], volume * density * AIR_CP)
    return rate


def floor_share(car: Car, schedule: Schedule, drawn: Floats) -> Floats:
    """Share of the air to the floor, with the deflector drawn as far as its vacuum allows.

    Parameters
    ----------
    car
        For crossed deflector hoses.
    schedule
        Mode and, where it is set, the share sent to the windshield.
    drawn
        Stroke of the deflector's actuator if it has vacuum, 0 to 1.
    """
    by_mode = np.array([FLOOR_SHARE[word] for word in schedule.modes])[schedule.mode]
    wanted = np.where(np.isnan(schedule.defrost), by_mode, 1.0 - schedule.defrost / 100.0)
    if car.ducts.crossed_deflector:
        # what should go to the floor goes to the windshield and the other way round
        wanted = np.clip(REST_SHARE + 0.80 - wanted, 0.0, 1.0)
    share = REST_SHARE + (wanted - REST_SHARE) * np.where(wanted > REST_SHARE, drawn, 1.0)
    keep = float(np.exp(-STEP_S / SPIN_UP_S))
    settled = float(share[0])
    lagged: Floats = settled + lfilter([1 - keep], [1, -keep], share - settled)
    return lagged
