"""The march: cars through their trips in steps of `DT`, many at once.

Controls and vacuum do not feel temperatures, so they are marched first; flows and conductances
then follow for the whole trip (`heater.transfer`), and the heat goes last. Each column of an array
is one car.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any, Final

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tests.other_cars.ensemble import heater
from tests.other_cars.ensemble.car import Car
from tests.other_cars.ensemble.heat import march_heat
from tests.other_cars.ensemble.laws.engine import HEATS, PUMPS
from tests.other_cars.ensemble.laws.vacuum import LOSSES, SOURCES
from tests.other_cars.ensemble.settled import Model
from tests.other_cars.trips import DT, MODES, Trip

Floats = NDArray[np.float64]

LINE_KPA: Final = 20.0
"""Vacuum left in the reservoir at the start, kPa."""


@dataclass(frozen=True)
class Drive:
    """What truly happened to one car: its signals on the trip's time axis, no sensor involved."""

    car: Car
    trip: Trip
    signals: dict[str, Floats]

    @property
    def model(self) -> Model:
        return Model(self.car)


def simulate(rngs: Sequence[Generator], cars: Sequence[Car], trips: Sequence[Trip]) -> list[Drive]:
    """March all cars through their trips."""
    lines, actuators = _controls(cars, trips)
    inputs = [
        _inputs(rng, car, trip, line, actuator)
        for rng, car, trip, line, actuator in zip(rngs, cars, trips, lines, actuators, strict=True)
    ]
    signals = march_heat(cars, inputs)
    drives = []
    for car, trip, given, found in zip(cars, trips, inputs, signals, strict=True):
        size, own = trip.time.size, dict(found)
        late = max(1, round(car.air_delay / DT))
        for name in ("outlet", "outlet_defrost"):
            own[name] = np.concatenate([np.full(late, own[name][0]), own[name][: size - late]])
        own["ambient"] = given.ambient
        own["vacuum_source"] = given.line
        own["vacuum_actuator"] = given.line * 0.97
        if car.swapped:
            own["coolant_in"], own["coolant_out"] = own["coolant_out"], own["coolant_in"]
        drives.append(Drive(car, trip, own))
    return drives


def _controls(cars: Sequence[Car], trips: Sequence[Trip]) -> tuple[list[Floats], list[Floats]]:
    """Vacuum of the line and position of the door or valve, for each car."""
    lines = []
    for car, trip in zip(cars, trips, strict=True):
        lines.append(_line(car, trip) if car.structure.vacuum else np.zeros(trip.time.size))
    actuators = []
    for car, trip in zip(cars, trips, strict=True):
        wanted = heater.commanded(car, _backlash(trip.lever, car.lash / 2))
        actuators.append(_follow(wanted, car.actuator_lag))
    return lines, actuators


def _backlash(lever: Floats, half: float) -> Floats:
    """The far end of a linkage with play (a play operator)."""
    out = np.empty_like(lever)
    at = float(lever[0])
    moved = np.flatnonzero(np.diff(lever, prepend=lever[0] - 1.0))
    ends = np.append(moved[1:], lever.size)
    for start, end in zip(moved, ends, strict=True):
        at = min(max(at, lever[start] - half), lever[start] + half)
        out[start:end] = at
    return out


def _follow(wanted: Floats, lag: float) -> Floats:
    """First-order answer, exact for a held position."""
    out = np.empty_like(wanted)
    at = float(wanted[0])
    moved = np.flatnonzero(np.diff(wanted, prepend=wanted[0] - 1.0))
    ends = np.append(moved[1:], wanted.size)
    for start, end in zip(moved, ends, strict=True):
        gone = np.exp(-DT / lag * np.arange(1, end - start + 1))
        out[start:end] = wanted[start] + (at - wanted[start]) * gone
        at = float(out[end - 1])
    return out


def _line(car: Car, trip: Trip) -> Floats:
    source = trip.engine * car.source_level * SOURCES[car.law("source")](trip.load, trip.revs)
    loss, k = LOSSES[car.law("loss")], car.k("loss")
    out = np.empty(trip.time.size)
    line, fill, back = LINE_KPA, DT / car.refill_lag, DT / car.check_lag
    spent = car.switch_drop * trip.switching
    table = np.array([float(loss(np.array(v), k)) for v in np.arange(0.0, 101.0)])
    table = DT * table / car.reservoir_lag
    isolated = trip.isolated > 0
    for i, (from_, shut, used) in enumerate(
        zip(source.tolist(), isolated.tolist(), spent.tolist(), strict=True)
    ):
        whole = int(line)
        leak = table[whole] + (line - whole) * (table[whole + 1] - table[whole])
        difference = 0.0 if shut else from_ - line
        line += difference * (fill if difference > 0 else back) - leak - used
        line = max(line, 0.0)
        out[i] = line
    return out


def _inputs(rng: Generator, car: Car, trip: Trip, line: Floats, actuator: Floats) -> Any:
    """Everything the heat needs that does not depend on temperatures."""
    running = _running(rng, car, trip)
    on = trip.engine > 0
    air = heater.air_flow(car, trip.blower, trip.air_door, trip.speed)
    ends = [
        heater.transfer(car, actuator, line, trip.revs, air, trip.speed, lift, running * on)
        for lift in (0.0, 1.0)
    ]
    keep, to_cabin = heater.duct(car, ends[0].air / heater.CP_AIR)
    if car.structure.heated_by:
        heat = np.zeros(trip.time.size)
    else:
        heat = on * car.heat * HEATS[car.law("heat")](trip.revs, trip.speed, trip.load)
    defrost = trip.defrost if trip.defrost is not None else np.zeros(trip.time.size)
    return SimpleNamespace(
        air=ends[0].air, core=ends[0].core, core_open=ends[1].core, water=ends[0].water,
        water_open=ends[1].water, keep=keep, to_cabin=to_cabin, heat=heat,
        pump=on * PUMPS[car.law("pump")](trip.revs, car.k("pump")), on=on.astype(float),
        floor=heater.floor_share(car, trip.mode, defrost, line),
        blowing=(trip.blower > 0).astype(float),
        recirculating=(trip.mode == MODES.index("recirculate")).astype(float),
        draft=heater.draft(car, trip.speed), speed=trip.speed, load=trip.load, line=line,
        ambient=car.ambient + car.ambient_drift * trip.time / 3600,
    )  # fmt: skip


def _running(rng: Generator, car: Car, trip: Trip) -> Floats:
    """What is left of the coolant flow where it chatters (a saw) or gurgles (gone now and then)."""
    left = np.ones(trip.time.size)
    if car.pulse > 0:
        pace = 1 + 0.08 * rng.standard_normal(trip.time.size)
        phase = np.cumsum(DT / car.pulse_period * pace) % 1.0
        left *= 1 - car.pulse * (1 - np.abs(2 * phase - 1)) ** 0.7
    if car.gurgle > 0:
        held = max(1, round(4.0 / DT))
        gone = np.repeat(rng.random(left.size // held + 1) < car.gurgle, held)[: left.size]
        left *= np.where(gone, 0.2, 1.0)
    return left
