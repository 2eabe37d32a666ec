"""The model: many cars at once, marched through their trips in steps of `DT`.

Each line of a state array is one car. Coolant runs through a supply hose of two cells and a core of
five (upwind, implicit), each with its own metal; air crosses all cells alike. The thermostat's wax
lags the coolant and drags a lash behind it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tests.other_cars.cars import Car
from tests.other_cars.heater import (
    CELLS,
    CP_AIR,
    CP_COOLANT,
    air_effectiveness,
    air_flow,
    batch,
    foot_target,
    leak_rate,
    opened,
    through_core,
    under_hood,
    water_conductance,
)
from tests.other_cars.settled import CarModel, Model
from tests.other_cars.trips import DT, FLOOR_SHARE, MODES, Trip

Floats = NDArray[np.float64]

SIGNALS: Final = (
    "outlet", "outlet_defrost", "inlet_air", "ambient", "coolant_in", "coolant_out",
    "engine_coolant", "footwell", "cabin", "vacuum_source", "vacuum_actuator", "lift",
)  # fmt: skip


@dataclass(frozen=True)
class Drive:
    """What truly happened to one car: its signals on the trip's time axis, no sensor involved."""

    car: Car
    trip: Trip
    signals: dict[str, Floats]

    @property
    def model(self) -> Model:
        """The settled car, for the truth."""
        return CarModel(self.car)


def simulate(cars: Sequence[Car], trips: Sequence[Trip]) -> list[Drive]:
    """March all cars through their trips."""
    p = batch(cars)
    steps = max(trip.time.size for trip in trips)
    u = SimpleNamespace(
        **{
            name: np.stack([np.pad(getattr(trip, name), (0, steps - trip.time.size), "edge")
                            for trip in trips], axis=1)
            for name in ("lever", "blower", "mode", "air_door", "engine", "isolated", "switching",
                         "speed", "revs", "load")
        }
    )  # fmt: skip
    s = _start(p, u)
    out = {name: np.empty((steps, len(cars)), dtype=np.float32) for name in SIGNALS}
    rng = np.random.default_rng(len(cars) * 7919 + steps)
    phase = rng.uniform(0, 1, len(cars))
    for k in range(steps):
        now = SimpleNamespace(**{name: value[k] for name, value in vars(u).items()})
        now.ambient = p.ambient + p.ambient_drift * (k * DT / 3600)
        phase = (phase + DT / p.pulse_period * (1 + 0.08 * rng.standard_normal(len(cars)))) % 1.0
        _vacuum(p, s, now)
        _heater(p, s, now, phase)
        _engine(p, s, now)
        _car_air(p, s, now)
        _write(p, s, now, out, k)
    drives = []
    for i, (car, trip) in enumerate(zip(cars, trips, strict=True)):
        late = round(car.air_delay / DT)
        signals = {name: out[name][: trip.time.size, i].astype(float) for name in SIGNALS}
        for name in ("outlet", "outlet_defrost"):
            signals[name] = np.concatenate(
                [np.full(late, signals[name][0]), signals[name][: trip.time.size - late]]
            )
        drives.append(Drive(car, trip, signals))
    return drives


def _start(p: Any, u: Any) -> Any:
    cold = p.start_temperature
    room = np.where(cold > p.ambient + 5, p.ambient + 6, p.ambient)  # a car that was just driven
    s = SimpleNamespace(
        engine=cold.copy(), block=cold.copy(), radiator=p.ambient.copy(),
        wax=cold.copy(), dragged=cold.copy(), hose=[cold.copy(), cold.copy()],
        water=[cold.copy() for _ in range(CELLS)], metal=[cold.copy() for _ in range(CELLS)],
        tail=cold.copy(), duct=room.copy(), wall=room.copy(), defrost=room.copy(),
        cabin=room.copy(), foot=room.copy(), line=np.full(p.ambient.size, 20.0),
        backlash=u.lever[0].copy(), lift=p.thermostat_seep.copy(),
    )  # fmt: skip
    s.actuator = _commanded(p, s.backlash)
    return s


def _commanded(p: Any, backlash: Floats) -> Floats:
    x = np.clip((backlash - p.closed_at) / (p.open_at - p.closed_at), 0, 1)
    return np.where(p.backwards > 0, 1 - x, x)


def _vacuum(p: Any, s: Any, now: Any) -> None:
    s.manifold = now.engine * (p.manifold - p.manifold_load * now.load)
    difference = s.manifold - s.line
    fill = np.where(difference > 0, difference / p.refill_lag, difference / p.check_lag)
    fill = np.where(now.isolated > 0, 0.0, fill)
    s.line = np.maximum(
        s.line + DT * (fill - leak_rate(p, s.line)) - p.switch_drop * now.switching, 0.0
    )


def _heater(p: Any, s: Any, now: Any, phase: Floats) -> None:
    s.backlash = np.clip(s.backlash, now.lever - p.lash / 2, now.lever + p.lash / 2)
    s.actuator += (_commanded(p, s.backlash) - s.actuator) * (1 - np.exp(-DT / p.actuator_lag))
    share, flow_share = opened(p, s.actuator, s.line)
    saw = 1 - p.pulse * (1 - np.abs(2 * phase - 1)) ** 0.7
    pump = (now.revs / 1500) ** p.pump_exponent
    s.flow = np.maximum(p.heater_flow * pump * flow_share * saw, 1e-4)
    s.inlet = np.where(
        now.mode == MODES.index("recirculate"),
        s.cabin,
        now.ambient + p.inlet_gain * (s.engine - now.ambient) / 85,
    )
    s.air = air_flow(p, now.blower, now.air_door, now.speed)
    crossing = through_core(p, share, now.speed)
    core_air = np.maximum(s.air * crossing, 2e-4)
    eps = air_effectiveness(p, core_air)
    to_air = core_air * CP_AIR * eps / CELLS
    to_water = water_conductance(p, s.flow) / CELLS
    carried = s.flow * CP_COOLANT
    bay = under_hood(s.engine, now.ambient)
    warm = s.engine
    for i in range(2):
        store, loss = p.hose_mass / 2 / DT, p.hose_loss / 2
        s.hose[i] = (store * s.hose[i] + carried * warm + loss * bay) / (store + carried + loss)
        warm = s.hose[i]
    s.supply = warm
    for i in range(CELLS):
        store, metal = p.core_water / CELLS / DT, p.core_metal / CELLS / DT
        s.water[i] = (store * s.water[i] + carried * warm + to_water * s.metal[i]) / (
            store + carried + to_water
        )
        s.metal[i] = (metal * s.metal[i] + to_water * s.water[i] + to_air * s.inlet) / (
            metal + to_water + to_air
        )
        warm = s.water[i]
    store, loss = p.hose_mass / 3 / DT, p.hose_loss / 3
    s.tail = (store * s.tail + carried * warm + loss * bay) / (store + carried + loss)
    off_core = s.inlet + eps * (sum(s.metal) / CELLS - s.inlet)
    s.mixed = crossing * off_core + (1 - crossing) * s.inlet


def _engine(p: Any, s: Any, now: Any) -> None:
    s.wax += (s.engine - s.wax) * (DT / p.wax_lag)
    s.dragged = np.clip(s.dragged, s.wax, s.wax + p.thermostat_lash)
    lift = np.clip((s.dragged - p.thermostat_opens) / p.thermostat_span, 0, 1) ** 1.2
    s.lift = np.maximum(lift, p.thermostat_seep)
    pump = (now.revs / 1500) ** p.pump_exponent
    to_radiator = p.radiator_flow * pump * s.lift
    heat = now.engine * (p.heat_idle * (0.55 + 0.3 * now.revs / 1000) * 0.8
                         + p.heat_per_speed * now.speed)  # fmt: skip
    loss = p.engine_loss * (1 + 0.03 * now.speed)
    heater = s.flow * CP_COOLANT
    rise = (
        p.block_coupling * (s.block - s.engine)
        - heater * (s.engine - s.tail)
        - to_radiator * (s.engine - s.radiator)
        - loss * (s.engine - now.ambient)
    )
    fan = p.radiator_ua * (0.35 + now.speed / 12) + 400 * np.clip((s.engine - 93) / 4, 0, 1)
    s.block += DT / p.block_mass * (heat - p.block_coupling * (s.block - s.engine))
    s.radiator += (
        DT
        / p.radiator_mass
        * (to_radiator * (s.engine - s.radiator) - fan * (s.radiator - now.ambient))
    )
    s.engine = s.engine + DT / p.coolant_mass * rise


def _car_air(p: Any, s: Any, now: Any) -> None:
    s.duct += (s.mixed - s.duct) * (
        1 - np.exp(-DT / (p.duct_lag * 0.085 / np.maximum(s.air, 0.02)))
    )
    s.wall += (s.mixed - s.wall) * (DT / p.wall_lag)
    hot = (1 - p.wall_share) * s.duct + p.wall_share * s.wall
    hot = hot - p.duct_loss * (hot - now.ambient)
    floor = FLOOR_SHARE[now.mode]
    floor = np.where(p.astray > 0, floor + p.astray * (0.10 - floor), floor)
    flows = np.clip(floor / 0.4, 0.05, 1) * (now.blower > 0)
    s.outlet = s.foot + np.maximum(flows, 0.05) * (hot - s.foot)
    wind = np.clip((1 - floor) / 0.4, 0.1, 1) * (now.blower > 0)
    s.defrost = s.cabin + np.maximum(wind, 0.05) * (hot - s.cabin)
    s.foot += (
        foot_target(p, s.outlet, s.cabin, now.ambient, s.air * floor, now.speed) - s.foot
    ) * (DT / 9.0)
    s.cabin += (
        DT
        / p.cabin_mass
        * (
            s.air * CP_AIR * (hot - s.cabin)
            - (p.cabin_ua + 2.0 * now.speed) * (s.cabin - now.ambient)
        )
    )


def _write(p: Any, s: Any, now: Any, out: dict[str, Any], k: int) -> None:
    swapped = p.swapped > 0
    values = {
        "outlet": s.outlet, "outlet_defrost": s.defrost, "inlet_air": s.inlet,
        "ambient": now.ambient,
        "coolant_in": np.where(swapped, s.tail, s.supply),
        "coolant_out": np.where(swapped, s.supply, s.tail),
        "engine_coolant": s.engine, "footwell": s.foot, "cabin": s.cabin,
        "vacuum_source": s.line, "vacuum_actuator": s.line * (0.97 - 0.02 * p.astray),
        "lift": s.lift,
    }  # fmt: skip
    for name, value in values.items():
        out[name][k] = value
