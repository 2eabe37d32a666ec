"""The heat of the march: engine, thermostat, hoses, core, ducts, cabin, step by step."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tests.other_cars.ensemble.car import Car
from tests.other_cars.ensemble.laws.cabin import CABINS
from tests.other_cars.ensemble.laws.engine import FANS, HEATERS, THERMOSTATS
from tests.other_cars.trips import DT as TRIP_DT

Floats = NDArray[np.float64]

EVERY: Final = 2
"""Steps of the trip in one of the heat: nothing here is quicker than a second."""

DT: Final = EVERY * TRIP_DT

WRITTEN: Final = (
    "outlet", "outlet_defrost", "inlet_air", "coolant_in", "coolant_out", "engine_coolant",
    "footwell", "cabin", "lift",
)  # fmt: skip

INPUTS: Final = (
    "air", "core", "core_open", "water", "water_open", "keep", "heat", "pump", "on", "floor",
    "blowing", "recirculating", "draft", "speed", "load", "ambient",
)  # fmt: skip


def march_heat(cars: Sequence[Car], inputs: Sequence[Any]) -> list[dict[str, Floats]]:
    """All signals that are temperatures, and the thermostat's lift, for each car."""
    sizes = [given.heat[::EVERY].size for given in inputs]
    steps = max(sizes)
    u = {
        name: np.stack([np.pad(getattr(given, name)[::EVERY], (0, steps - size), "edge")
                        for given, size in zip(inputs, sizes, strict=True)], axis=1)
        for name in INPUTS
    }  # fmt: skip
    p = _parameters(cars, inputs)
    _lags(p, u)
    s = _start(p, u)
    out = {name: np.empty((steps, len(cars)), dtype=np.float32) for name in WRITTEN}
    names = list(u)
    stacked = np.stack([u[name] for name in names], axis=1)
    now = SimpleNamespace()
    for k in range(steps):
        now.__dict__.update(zip(names, stacked[k], strict=True))
        _loop(p, s, now)
        _engine(p, s, now)
        _air(p, s, now)
        for name in WRITTEN:
            out[name][k] = getattr(s, name)
    at = np.arange(steps)
    return [
        {
            name: np.interp(np.arange(given.heat.size) / EVERY, at, out[name][:, i])
            for name in WRITTEN
        }
        for i, given in enumerate(inputs)
    ]


def _parameters(cars: Sequence[Car], inputs: Sequence[Any]) -> Any:
    p = SimpleNamespace(
        **{
            item.name: np.array([float(getattr(car, item.name)) for car in cars])
            for item in dataclasses.fields(Car)
            if item.name != "structure"
        },
        to_cabin=np.array([given.to_cabin for given in inputs]),
    )
    wax = [THERMOSTATS[car.law("thermostat")] for car in cars]
    for item in ("lag_open", "lag_close", "lash", "seep", "by_load", "at_inlet"):
        setattr(p, f"wax_{item}", np.array([getattr(each, item) for each in wax]))
    p.seep = np.maximum(p.wax_seep, p.thermostat_seep)
    fan = [FANS[car.law("fan")] for car in cars]
    for item in ("size", "on", "off", "smooth"):
        setattr(p, f"fan_{item}", np.array([float(getattr(each, item)) for each in fan]))
    rooms = [CABINS[car.law("cabin")] for car in cars]
    p.one_room = np.array([room.exchange is None for room in rooms])
    p.exchange = np.array([room.exchange or 0.0 for room in rooms])
    p.seats = np.array([room.seats for room in rooms])
    p.electric = np.array([bool(car.structure.heated_by) for car in cars])
    own = [HEATERS.get(car.structure.heated_by, HEATERS["electric"]) for car in cars]
    p.power = np.array([each.power for each in own]) * p.heat
    p.level = np.array([each.level for each in own])
    p.band = np.array([each.band for each in own])
    p.staged = p.band == 0
    p.band = np.where(p.staged, 1.0, p.band)
    return p


def _lags(p: Any, u: dict[str, Floats]) -> None:
    """Shares of the way gone in a step, for what lags with the flow; all exact exponentials."""
    for end in ("", "_open"):
        water = u[f"water{end}"]
        u[f"hose_step{end}"] = -np.expm1(-DT / (p.hose_mass / (water + p.hose_loss)))
        u[f"hose_keep{end}"] = water / (water + p.hose_loss)
    u["core_step"] = -np.expm1(-DT * (u["water"] + u["core"]) / p.core_mass)
    flow = np.maximum(u["air"] / 1006.0, 0.02)
    u["duct_step"] = -np.expm1(-DT * flow / 0.085 / p.duct_lag)
    u["feed"] = np.clip(u["floor"] / 0.4, 0.05, 1) * u["blowing"]
    u["feed"] = np.maximum(u["feed"], 0.05)
    u["wind"] = np.maximum(np.clip((1 - u["floor"]) / 0.4, 0.1, 1) * u["blowing"], 0.05)
    u["mine"] = np.clip(u["air"] / 1006.0 * u["floor"] / 0.07, 0.02, 1.3)


def _start(p: Any, u: dict[str, Floats]) -> Any:
    cold, outside = p.start_temperature, u["ambient"][0]
    room = np.where(cold > outside + 5, outside + 6, outside)  # a car that was just driven
    return SimpleNamespace(
        engine_coolant=cold.copy(), block=cold.copy(), radiator=outside.copy(), wax=cold.copy(),
        dragged=cold.copy(), lift=p.seep.copy(), fan=np.zeros(cold.size),
        stage=np.ones(cold.size), coolant_in=cold.copy(), coolant_out=cold.copy(),
        back=cold.copy(), warmed=np.zeros(cold.size), duct=room.copy(), wall=room.copy(),
        outlet=room.copy(), outlet_defrost=room.copy(), inlet_air=outside.copy(),
        footwell=room.copy(), cabin=room.copy(), lower=room.copy(), trim=room.copy(),
        wall_step=-np.expm1(-DT / p.wall_lag), foot_step=-np.expm1(-DT / p.foot_lag),
    )  # fmt: skip


def _loop(p: Any, s: Any, now: Any) -> None:
    """Supply hose, core, return hose."""
    lift = s.lift
    bay = now.ambient + 0.15 * (s.engine_coolant - now.ambient)
    keep = now.hose_keep + lift * (now.hose_keep_open - now.hose_keep)
    step = now.hose_step + lift * (now.hose_step_open - now.hose_step)
    s.core_now = now.core + lift * (now.core_open - now.core)
    s.water_now = now.water + lift * (now.water_open - now.water)
    s.coolant_in += step * (bay + keep * (s.engine_coolant - bay) - s.coolant_in)
    s.inlet_air = now.ambient + p.inlet_gain * (s.engine_coolant - now.ambient) / 85
    s.inlet_air += now.recirculating * (s.cabin - s.inlet_air)
    given = s.core_now * (s.coolant_in - s.inlet_air)
    leaving = s.coolant_in - given / s.water_now
    s.coolant_out += np.maximum(now.core_step, step * 0.5) * (leaving - s.coolant_out)
    s.back += step * (bay + keep * (s.coolant_out - bay) - s.back)
    s.warmed += now.core_step * (given / now.air - s.warmed)


def _engine(p: Any, s: Any, now: Any) -> None:
    engine = s.engine_coolant
    felt = engine - p.wax_at_inlet * s.lift * (engine - s.radiator)
    lag = np.where(felt > s.wax, p.wax_lag_open, p.wax_lag_close)
    s.wax += (felt - s.wax) * np.minimum(DT / lag, 1.0)
    s.dragged = np.minimum(np.maximum(s.dragged, s.wax), s.wax + p.wax_lash)
    opens = p.thermostat_opens - p.wax_by_load * now.load
    lift = np.clip((s.dragged - opens) / p.thermostat_span, 0, 1) ** 1.2
    s.lift = np.where(p.electric, 0.0, np.maximum(lift, p.seep))
    over = engine - p.thermostat_opens
    gradual = np.clip((over - p.fan_off) / np.maximum(p.fan_on - p.fan_off, 1), 0, 1)
    s.fan = np.where(over > p.fan_on, 1.0, np.where(over < p.fan_off, 0.0, s.fan))
    s.fan = np.where(p.fan_smooth > 0, gradual, s.fan)
    s.stage = np.where(engine > p.level + 4, 0.0, np.where(engine < p.level - 8, 1.0, s.stage))
    burn = np.where(p.staged, s.stage, np.clip((p.level - engine) / p.band, 0, 1))
    heat = now.heat + p.electric * p.power * burn * now.on
    to_radiator = p.radiator_flow * now.pump * s.lift * (engine - s.radiator)
    loss = p.engine_loss * (1 + 0.03 * now.speed) * (engine - now.ambient)
    between = p.block_coupling * (s.block - engine)
    taken = s.water_now * (engine - s.back)
    cooled = p.radiator_ua * (0.35 + now.speed / 12) + p.fan_size * s.fan
    s.block += DT / p.block_mass * (heat - between)
    s.radiator += DT / p.radiator_mass * (to_radiator - cooled * (s.radiator - now.ambient))
    s.engine_coolant = engine + DT / p.coolant_mass * (between - taken - to_radiator - loss)


def _air(p: Any, s: Any, now: Any) -> None:
    mixed = s.inlet_air + s.warmed
    s.duct += now.duct_step * (mixed - s.duct)
    s.wall += s.wall_step * (mixed - s.wall)
    around = now.ambient + p.to_cabin * (s.cabin - now.ambient)
    hot = (1 - p.wall_share) * s.duct + p.wall_share * s.wall
    hot = around + now.keep * (hot - around)
    fed = s.footwell + now.feed * (hot - s.footwell)
    s.outlet = fed + p.outlet_sees_cabin * (s.cabin - fed)
    s.outlet_defrost = s.cabin + now.wind * (hot - s.cabin)
    weight = now.mine + p.foot_cabin + now.draft
    foot = (now.mine * fed + p.foot_cabin * s.lower + now.draft * now.ambient) / weight
    s.footwell += s.foot_step * (foot - s.footwell)
    floor = now.air * now.floor
    loss = (p.cabin_ua + 2.0 * now.speed) / 2
    half = p.cabin_mass / 2
    lower = floor * (hot - s.lower) + p.exchange * (s.cabin - s.lower)
    # what is blown in below rises into the upper half, and as much leaves the car there
    upper = (now.air - floor) * (hot - s.cabin) + (floor + p.exchange) * (s.lower - s.cabin)
    upper += p.seats * (s.trim - s.cabin)
    s.trim += DT / 90000.0 * p.seats * (s.cabin - s.trim)
    s.lower = s.lower + DT / half * (lower - loss * (s.lower - now.ambient))
    s.cabin = s.cabin + DT / half * (upper - loss * (s.cabin - now.ambient))
    even = (s.lower + s.cabin) / 2
    s.lower = np.where(p.one_room, even, s.lower)
    s.cabin = np.where(p.one_room, even, s.cabin)
