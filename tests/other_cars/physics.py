"""The model: many cars at once, marched through their trips in steps of `DT`.

Each line of a state array is one car. Coolant runs through a supply hose of two cells and a core of
five (upwind, implicit), each with its own metal; air crosses all cells alike. The thermostat's wax
lags the coolant and drags a lash behind it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any, Final

import numpy as np

from ingest.arrays import Floats
from tests.other_cars.cars import Car
from tests.other_cars.trips import DT, FLOOR_SHARE, MODES, Trip

CELLS: Final = 5
CP_AIR: Final = 1006.0
CP_COOLANT: Final = 3500.0

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


def batch(cars: Sequence[Car]) -> Any:
    """Parameters of many cars as arrays, one entry a car."""
    return SimpleNamespace(
        **{
            item.name: np.array([getattr(car, item.name) for car in cars])
            for item in dataclasses.fields(Car)
            if item.name not in ("family", "heater")
        },
        blend=np.array([car.heater != "water-valve" for car in cars]),
        combined=np.array([car.heater == "combined" for car in cars]),
    )


def single(car: Car) -> Any:
    """Parameters of one car as numbers, to be used against arrays of any shape."""
    return SimpleNamespace(**{name: value[0] for name, value in vars(batch([car])).items()})


def door_shape(kind: Floats, x: Floats) -> Floats:
    """Share of the air through the core at door position x (0..1), by characteristic."""
    return np.select(
        [kind == 1, kind == 2, kind == 3],
        [
            np.sin(np.pi / 2 * x) ** 2 * 0.5 + 0.5 * x,
            x * x * (3 - 2 * x) * 0.75 + 0.25 * x,
            np.where(x < 0.4, 0.7 * x, 0.28 + (x - 0.4) * 1.2),
        ],
        x,
    )


def opened(p: Any, x: Floats, vacuum: Floats) -> tuple[Floats, Floats]:
    """Share of air through the core and share of the full coolant flow at actuator position x.

    Where the temperature control works by vacuum, too little of it leaves the valve short of open.
    """
    reach = np.where(p.needs_vacuum > 0, np.clip(vacuum / np.maximum(p.needs_vacuum, 1), 0, 1), 1.0)
    share = np.where(p.blend, door_shape(p.door, x), 1.0)
    lifted = np.where(p.combined, np.clip(x / 0.08, 0, 1), x) * reach
    flow = np.where(
        p.blend & ~p.combined,
        1.0,
        np.where(
            p.combined,
            lifted,
            (p.rangeability**lifted - 1) / (p.rangeability - 1),
        ),
    )
    return share, np.maximum(flow, p.valve_seep)


def through_core(p: Any, share: Floats, speed: Floats) -> Floats:
    """Share of all air that really crosses the core: less what leaks past, more what seeps."""
    hot = np.where(p.blend, p.seep_hot + (1 - p.seep_hot) * share, share)
    return hot * (1 - np.clip(p.bypass + p.bypass_ram * speed, 0, 0.7))


def air_effectiveness(p: Any, air: Floats) -> Floats:
    """How near the air crossing the core comes to the core's metal."""
    conductance = p.ua_air * (air / 0.085) ** 0.6
    return 1 - np.exp(-conductance / (np.maximum(air, 1e-4) * CP_AIR))


def water_conductance(p: Any, flow: Floats) -> Floats:
    return p.ua_water * (flow / 0.13) ** 0.75 + 8.0


def under_hood(engine: Floats, ambient: Floats) -> Floats:
    """Air around the hoses."""
    return ambient + 0.15 * (engine - ambient)


def air_flow(p: Any, blower: Floats, door: Floats, speed: Floats) -> Floats:
    """Air through the heater, kg/s."""
    fan = np.array([0.0, 0.42, 0.62, 0.82, 1.0])[blower.astype(int)]
    gate = 0.22 + 0.78 * np.clip(door / 60, 0, 1)
    return np.maximum(p.air_flow * fan * gate + p.ram * speed, 0.002)


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


def leak_rate(p: Any, line: Floats) -> Floats:
    """Loss of vacuum, kPa/s: in proportion through a capillary, by its root through an orifice."""
    return np.where(p.orifice > 0, 7.0 * np.sqrt(np.maximum(line, 0)), line) / p.reservoir_lag


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


def foot_target(
    p: Any, outlet: Floats, cabin: Floats, ambient: Floats, air: Floats, speed: Floats
) -> Floats:
    """Footwell air: a mixture of the outlet's, the cabin's and what leaks in from outside."""
    mine = np.clip(air / 0.07, 0.02, 1.3)
    leak = p.foot_leak + p.foot_leak_speed * (speed / 10) ** 1.2
    return (mine * outlet + p.foot_cabin * cabin + leak * ambient) / (mine + p.foot_cabin + leak)


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
