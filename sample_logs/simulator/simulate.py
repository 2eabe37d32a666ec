"""One run of one car: plan in, log and truth out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ingest.arrays import Floats
from sample_logs.simulator.air import blower_voltage, capacity_rate, floor_share
from sample_logs.simulator.cable import door_travel
from sample_logs.simulator.car import Car
from sample_logs.simulator.mixing import case_leak, coolant_share, core_air_share, full_flow
from sample_logs.simulator.model import Model
from sample_logs.simulator.protocol import Protocol
from sample_logs.simulator.schedule import STEP_S, Event, Schedule, ar1, play_out
from sample_logs.simulator.sensors import Logged, SensorSet, sample
from sample_logs.simulator.thermal import Drive, Plant
from sample_logs.simulator.truth import true_figures
from sample_logs.simulator.vacuum import at_actuator, manifold, reservoir, stroke

SLOWEST_SURGE = 0.05
"""Share of the flow that is left when it surges hardest."""


@dataclass(frozen=True)
class Simulated:
    """A simulated run.

    Parameters
    ----------
    car, protocol, sensors, seed
        What was simulated.
    truth
        True value of every figure of the contract; None where the plan does not show it.
    time
        Sampling instants, s from the log's start, shape (m,).
    channels
        Readings in stored units, shape (m,) each; NaN where the logger had none.
    events
        (time, control, position) as noted, s from the log's start.
    engine_start
        When the engine was started, s from the log's start.
    model
        The noise-free run.
    logged
        What the logger saw, with what a raw-millivolt log needs.
    """

    car: Car
    protocol: Protocol
    sensors: SensorSet
    seed: int
    truth: Mapping[str, float | None]
    time: Floats
    channels: Mapping[str, Floats]
    events: tuple[Event, ...]
    engine_start: float
    model: Model
    logged: Logged

    @property
    def cable_offset(self) -> float:
        """How far the cable is out of adjustment, % of travel; positive falls short of hot."""
        return self.car.cable.offset


def simulate(car: Car, protocol: Protocol, sensors: SensorSet, seed: int) -> Simulated:
    """Simulate one run.

    Parameters
    ----------
    car
        The car, faults included (`sample_logs.simulator.faults`).
    protocol
        The plan and the weather.
    sensors
        What is logged and how well.
    seed
        Everything random comes from it; the road, the car and the sensors draw separately, so
        that other sensors see the same car.
    """
    road, weather, flutter, logger = np.random.default_rng(seed).spawn(4)
    schedule = play_out(protocol, road)
    model = run_model(car, schedule, _ambient(protocol, schedule, weather), flutter)
    logged = sample(sensors, schedule.time, model.traces, logger)
    return Simulated(
        car=car,
        protocol=protocol,
        sensors=sensors,
        seed=seed,
        truth=true_figures(model, sensors.points),
        time=logged.time,
        channels=logged.channels,
        events=schedule.noted,
        engine_start=schedule.engine_start,
        model=model,
        logged=logged,
    )


def run_model(car: Car, schedule: Schedule, ambient: Floats, rng: np.random.Generator) -> Model:
    """The noise-free run of a car over a schedule.

    Parameters
    ----------
    car, schedule
        What happens to which car.
    ambient
        Outside air, °C, shape (n,).
    rng
        For what fluctuates by nature: manifold vacuum, surging flow, the outlet's flutter.
    """
    stored = reservoir(car.vacuum, schedule, manifold(car.vacuum, schedule, rng))
    arriving = at_actuator(car.vacuum, stored)
    drawn = stroke(car.vacuum, arriving)
    travel = door_travel(car.cable, schedule.lever)
    volts = blower_voltage(car, schedule)
    surge = np.maximum(SLOWEST_SURGE, 1.0 + car.loop.surge * _surging(car, schedule, rng))
    drive = Drive(
        ambient=ambient,
        speed=schedule.speed,
        rpm=schedule.rpm,
        air=capacity_rate(car, schedule, volts, float(ambient[0])),
        core_share=core_air_share(car, travel),
        coolant=full_flow(car, schedule.rpm) * coolant_share(car, travel, drawn) * surge,
        leak=case_leak(car, schedule.speed),
        floor=floor_share(car, schedule, drawn),
        recirculating=np.array([word == "recirculate" for word in schedule.modes])[schedule.mode],
    )
    traces = Plant(car, float(ambient[0])).run(drive)
    quiver = car.ducts.flutter * (traces["mixed"] - traces["inlet_air"])
    for point in ("outlet", "outlet_defrost"):
        traces[point] = traces[point] + quiver * ar1(quiver.size, 3.0, 1.0, rng)
    if car.loop.reversed:
        # the clip stays on the hose marked as supply, which now carries the returning coolant
        traces["coolant_in"], traces["coolant_out"] = traces["coolant_out"], traces["coolant_in"]
    wants_vacuum = np.array([word != "defrost" for word in schedule.modes])[schedule.mode]
    if car.ducts.crossed_deflector:
        wants_vacuum = ~wants_vacuum
    traces |= {
        "ambient": ambient,
        "vacuum_source": stored,
        "vacuum_actuator": np.where(wants_vacuum, arriving, 0.0),
        "road_speed": schedule.speed,
        "engine_speed": schedule.rpm,
        "blower_voltage": volts,
        "temp_lever": schedule.lever,
    }
    return Model(car, schedule, drive, traces, drawn, travel)


def _ambient(protocol: Protocol, schedule: Schedule, rng: np.random.Generator) -> Floats:
    """Outside air: the day's drift, gusts and the street's warmer and colder corners."""
    day = protocol.ambient_drift * schedule.time / 3600.0
    corners = ar1(day.size, 240.0, 0.20, rng)
    gusts = ar1(day.size, 15.0, 0.07, rng)
    # a car left to soak is at the temperature the air has had, not at its latest gust
    wander = corners + gusts
    return protocol.ambient + day + wander - float(wander[0])


def _surging(car: Car, schedule: Schedule, rng: np.random.Generator) -> Floats:
    """Slosh of trapped air: a wave of unit amplitude whose period wanders by a tenth."""
    if car.loop.surge == 0.0:
        return np.zeros(schedule.time.size)
    period = car.loop.surge_period * (1.0 + ar1(schedule.time.size, 60.0, 0.08, rng))
    wave: Floats = np.sin(2.0 * np.pi * np.cumsum(STEP_S / period))
    return wave
