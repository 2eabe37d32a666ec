"""What a fault takes from the occupants, and how large it must be to take so much.

The reference situation is the same for every car: -5 °C outside, lever at the hot end, blower at
its top step, air to the floor; standing at 1200 rpm, at 14 m/s and at 20 m/s, settled. See
`tests.other_cars.ensemble` for what counts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.random import Generator

from tests.other_cars.ensemble import heater
from tests.other_cars.ensemble.car import Car
from tests.other_cars.ensemble.laws.engine import FANS, HEATERS, HEATS, PUMPS, THERMOSTATS
from tests.other_cars.ensemble.laws.vacuum import SOURCES
from tests.other_cars.ensemble.settled import Model
from tests.other_cars.settled import Conditions
from tests.other_cars.trips import MODES

OUTSIDE: Final = -5.0
STATES: Final = ((0.0, 1200.0, 0.0), (14.0, 1900.0, 0.25), (20.0, 2250.0, 0.35))
"""Road speed m/s, engine speed rpm, load."""

CABIN: Final = 18.0
HILL_S: Final = 40.0

LEVELS: Final = {"slight": (0.06, 0.14), "moderate": (0.16, 0.30), "severe": (0.32, 0.60)}
"""Harm of each word."""

BROKEN: Final = 0.16
"""From this harm on a heater is broken for the occupants."""


@dataclass(frozen=True)
class Comfort:
    """What the occupants have in the reference situation.

    Parameters
    ----------
    heat
        Reaching the floor over outside, W, for each state.
    rise
        Floor outlet over outside, K, for each state.
    foot
        Footwell over outside at the last state, K.
    cold
        Outlet over entering air at the cold end, K, at the middle state.
    swing
        Share of the outlet's rise that it swings by (half peak to peak).
    held
        Share of its travel the vacuum still moves at its worst.
    """

    heat: tuple[float, ...]
    rise: tuple[float, ...]
    foot: float
    cold: float
    swing: float
    held: float


def comfort(car: Car) -> Comfort:
    """Settled at the reference situation."""
    heats, rises, foot, cold = [], [], 0.0, 0.0
    model = Model(car)
    for number, (speed, revs, load) in enumerate(STATES):
        line = steady_line(car, load, revs) if car.structure.vacuum else 0.0
        engine, lift = balance(car, speed, revs, load, line)
        c = _conditions(engine, lift, speed, revs, line)
        outlet = _outlet(car, model, c, 100.0 - car.lash / 2)
        floor = heater.floor_share(car, np.array(MODES.index("floor")), np.array(0.0), c.vacuum)
        air = float(heater.air_flow(car, c.blower, c.air_door, c.speed))
        heats.append(air * heater.CP_AIR * float(floor) * (outlet - OUTSIDE))
        rises.append((outlet - OUTSIDE) * min(1.0, float(floor) / 0.4))
        foot = float(
            heater.foot_target(
                car, np.array(outlet), c.cabin, c.ambient, air * np.asarray(floor), c.speed
            )
        )
        if number == 1:
            cold = _outlet(car, model, c, car.lash / 2) - float(c.inlet)
    return Comfort(tuple(heats), tuple(rises), foot - OUTSIDE, cold, _swing(car), _held(car))


def _conditions(engine: float, lift: float, speed: float, revs: float, line: float) -> Conditions:
    def number(value: float) -> heater.Floats:
        return np.array(value)

    return Conditions(
        number(engine), number(OUTSIDE), number(OUTSIDE), number(revs), number(speed), number(4.0),
        number(100.0), number(line), cabin=number(CABIN), lift=number(lift),
    )  # fmt: skip


def _outlet(car: Car, model: Model, c: Conditions, lever: float) -> float:
    return float(model.settled_heater(model.actuator_for(np.array(lever)), c)[0])


def balance(car: Car, speed: float, revs: float, load: float, line: float) -> tuple[float, float]:
    """Settled coolant temperature (°C) and lift, by halving."""
    blower, door = np.array(4.0), np.array(100.0)
    air = heater.air_flow(car, blower, door, np.array(speed))
    x = heater.commanded(car, np.array(100.0 - car.lash / 2))
    fluid = [
        heater.transfer(car, x, np.array(line), np.array(revs), air, np.array(speed), lift,
                        heater.mean_running(car))
        for lift in (0.0, 1.0)
    ]  # fmt: skip
    cores = [float(each.core) for each in fluid]
    wax, fan = THERMOSTATS[car.law("thermostat")], FANS[car.law("fan")]
    pump = float(PUMPS[car.law("pump")](np.array(revs), car.k("pump")))
    own = HEATERS.get(car.structure.heated_by)
    heat = car.heat * float(HEATS[car.law("heat")](*map(np.array, (revs, speed, load))))
    loss = car.engine_loss * (1 + 0.03 * speed)
    seep = max(wax.seep, car.thermostat_seep)

    def lifted(engine: float) -> float:
        opens = car.thermostat_opens - wax.by_load * load
        lift = float(np.clip((engine - opens) / car.thermostat_span, 0, 1)) ** 1.2
        return max(lift, seep)

    def surplus(engine: float) -> float:
        lift = 0.0 if own else lifted(engine)
        taken = (cores[0] + lift * (cores[1] - cores[0]) + loss + 1.5 * car.hose_loss) * (
            engine - OUTSIDE
        )
        if own:
            full = own.power * car.heat
            given = full * min(max((own.level - engine) / (own.band or 1.0), 0.0), 1.0)
            return given - taken
        on = float(engine > car.thermostat_opens + fan.on)
        flow = car.radiator_flow * pump * lift
        cooled = car.radiator_ua * (0.35 + speed / 12) + fan.size * on
        return heat - taken - flow * cooled / (flow + cooled) * (engine - OUTSIDE)

    low, high = OUTSIDE, 130.0
    for _ in range(22):
        middle = (low + high) / 2
        low, high = (middle, high) if surplus(middle) > 0 else (low, middle)
    return low, 0.0 if own else lifted(low)


def steady_line(car: Car, load: float, revs: float) -> float:
    """Vacuum of the line where filling and leak are even, kPa."""
    source = car.source_level * float(SOURCES[car.law("source")](np.array(load), np.array(revs)))
    low, high = 0.0, source
    for _ in range(22):
        middle = (low + high) / 2
        gains = (source - middle) / car.refill_lag > float(heater.leak_rate(car, np.array(middle)))
        low, high = (middle, high) if gains else (low, middle)
    return low


def _held(car: Car) -> float:
    """What vacuum still moves: at half load, and at the end of a hill at full load."""
    needs = max(car.needs_vacuum, car.deflector_vacuum)
    if not car.structure.vacuum or needs <= 0:
        return 1.0
    half = steady_line(car, 0.5, 2200.0)
    hill = car.source_level * float(SOURCES[car.law("source")](np.array(1.0), np.array(2500.0)))
    line = steady_line(car, 0.35, 2250.0)
    step = 0.5
    for _ in range(round(HILL_S / step)):
        lag = car.refill_lag if hill > line else car.check_lag
        line += step * ((hill - line) / lag - float(heater.leak_rate(car, np.array(line))))
        line = max(line, 0.0)
    return min(1.0, half / needs, line / needs)


def _swing(car: Car) -> float:
    """Half the peak-to-peak share of the rise that a pulsing flow gives, unsmoothed by the core."""
    least = (1 - car.pulse) if car.pulse else (0.2 if car.gurgle else 1.0)
    if least == 1.0:
        return 0.0
    air = heater.air_flow(car, np.array(4.0), np.array(100.0), np.array(0.0))
    x, line = np.array(1.0), np.array(60.0)
    high, low = (
        heater.transfer(car, x, line, np.array(1200.0), air, np.array(0.0), 0.0, part)
        for part in (1.0, least)
    )
    core_lag = car.core_mass / float(high.water + high.core)
    # first-order smoothing of the fundamental
    smoothing = 1 / np.hypot(1.0, 2 * np.pi * core_lag / car.pulse_period)
    share = car.gurgle if car.gurgle else 1.0
    return float((1 - low.core / high.core) / 2 * smoothing * min(1.0, 2 * share))


def harm(good: Car, broken: Car, before: Comfort | None = None) -> float:
    """The largest share that the occupants lose; `before` spares working out the good car's."""
    before, after = before or comfort(good), comfort(broken)
    lost = [1 - b / a for a, b in zip(before.heat, after.heat, strict=True)]
    lost += [1 - b / a for a, b in zip(before.rise, after.rise, strict=True)]
    lost.append(1 - after.foot / before.foot)
    moved = abs((broken.closed_at + broken.open_at) - (good.closed_at + good.open_at)) / 2
    lost.append(moved / 100)
    span = before.rise[1] - before.cold
    lost.append((after.cold - before.cold) / span)
    lost.append(2 * after.swing)
    lost.append(1 - after.held / before.held)
    return max(lost)


def so_large(good: Car, fault: Callable[[Car, float], Car], wanted: float) -> tuple[Car, float]:
    """The car with a fault of which `wanted` is the harm, or the nearest there is; and its harm."""
    before = comfort(good)
    low, high = 0.0, 1.0
    for _ in range(12):
        middle = (low + high) / 2
        enough = harm(good, fault(good, middle), before) >= wanted
        low, high = (low, middle) if enough else (middle, high)
    broken = fault(good, high)
    return broken, harm(good, broken, before)


def draw_level(rng: Generator) -> float:
    """The harm wanted."""
    word = str(rng.choice(["slight", "moderate", "severe"], p=[0.12, 0.5, 0.38]))
    return float(rng.uniform(*LEVELS[word]))


def word_for(found: float) -> str:
    """Word of a harm."""
    return "slight" if found < BROKEN else "moderate" if found < LEVELS["severe"][0] else "severe"
