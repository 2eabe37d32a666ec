"""What was done with the car: a plan of some kind, or none, and the habits of whoever drove.

Plans: ``full`` (cold start in the yard, hold, sweeps, leak-down), ``road`` (the same in traffic),
``short``, ``idle`` (slow idle all along, often no more than a heat balance), ``owner`` (traffic,
hot lever, nobody tests anything), ``hot start``. Habits that make `control_use` are in `MISUSES`;
each lasts `MIN_MISUSE_S` at least. Shorter slips happen to anybody and are no cause.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tests.other_cars.ensemble.car import Car
from tests.other_cars.trips import DT, MODES, Plan, Trip, isolate, sweep, traffic, wander

Floats = NDArray[np.float64]

KINDS: Final = {
    "full": 0.34, "road": 0.26, "short": 0.1, "idle": 0.08, "owner": 0.1, "hot start": 0.12,
}  # fmt: skip

MISUSES: Final = (
    "lever midway", "lever cold", "vent", "defrost mode", "defrost share", "blower low",
    "air door",
)  # fmt: skip

MIN_MISUSE_S: Final = 320.0
"""Contract: it counts where it lasted five minutes of running engine; a little more here."""

LONGEST_SLIP_S: Final = 200.0


@dataclass(frozen=True)
class Order:
    """What is wanted of a drive.

    Parameters
    ----------
    kind
        Of `KINDS`.
    misuse
        Of `MISUSES`, or nothing.
    put_right
        Whether the misuse ends and the plan is driven after it.
    slip
        Whether the first minutes were not as they should be, too short to count.
    sweeps, holds
        Whether the plan must hold a whole sweep of the lever, and a leak-down.
    moving
        Whether it must be on the road.
    """

    kind: str
    misuse: str = ""
    put_right: bool = True
    slip: bool = False
    sweeps: bool = False
    holds: bool = False
    moving: bool = False


def draw_order(
    rng: Generator, *, misuse: str = "", sweeps: bool = False, holds: bool = False,
    moving: bool = False, good: bool = False,
) -> Order:  # fmt: skip
    """A plan; with `good` one as a shop drives its reference cars."""
    kinds = dict(KINDS)
    if good:
        kinds = {"full": 0.5, "road": 0.5}
    if moving:
        kinds = {name: kinds.get(name, 0) for name in ("road", "owner")}
    if sweeps:
        kinds = {name: kinds.get(name, 0) for name in ("full", "road", "idle", "hot start")}
    if holds:
        kinds = {name: kinds.get(name, 0) for name in ("full", "road", "hot start")}
    if sum(kinds.values()) == 0:
        kinds = {"road": 1.0}
    weights = np.array(list(kinds.values()))
    kind = str(rng.choice(list(kinds), p=weights / weights.sum()))
    return Order(
        kind, misuse, put_right=bool(rng.random() < 0.6),
        slip=not misuse and not good and bool(rng.random() < 0.12),
        sweeps=sweeps or good, holds=holds or good, moving=moving,
    )  # fmt: skip


def drive_trip(rng: Generator, car: Car, order: Order) -> Trip:
    """The trip of a car."""
    cold = order.kind != "hot start"
    plan = Plan(float(rng.uniform(25, 110)) if cold else float(rng.uniform(0, 20)))
    by_hand = bool(rng.random() < 0.15)
    blower = float(rng.choice([4, 4, 3]))
    floor = float(MODES.index("recirculate" if rng.random() < 0.05 else "floor"))
    slow = _start(rng, plan, order, blower=blower, floor=floor, by_hand=by_hand)
    warm = _warming(rng, car, order)
    plan.wait(warm * (1.25 if slow else 1.0))
    if order.misuse and not order.put_right:
        plan.wait(max(0.0, plan.start_s + MIN_MISUSE_S - plan.clock) + float(rng.uniform(60, 300)))
        return _on_grid(rng, plan, order, [], by_hand=by_hand)
    sweeps = _test(rng, car, plan, order, by_hand=by_hand)
    return _on_grid(rng, plan, order, sweeps, by_hand=by_hand)


def _start(
    rng: Generator, plan: Plan, order: Order, *, blower: float, floor: float, by_hand: bool
) -> bool:
    """First positions, engine start, and where they were wrong when they were put right.

    Returns whether the wrong ones kept the heater from taking its heat.
    """
    right = {"temp_lever": 100.0, "mode": floor, "air_door": 100.0, "blower": blower}
    wrong = _wrong(rng, order.misuse) if order.misuse else {}
    if order.slip:
        wrong = _wrong(rng, str(rng.choice(["lever cold", "lever midway", "blower low"])))
    if "defrost" in wrong:
        right["defrost"] = 0.0
    first = bool(rng.random() < 0.5)
    for control, value in (right | wrong).items():
        if control == "blower" and not first:
            continue
        noted = not (control == "temp_lever" and by_hand)
        noted &= control != "air_door" or "air_door" in wrong or bool(rng.random() < 0.3)
        plan.set(control, value, noted=noted)
    plan.wait(plan.start_s)
    plan.set("engine", 1.0, noted=False)
    plan.events.append((plan.clock, "engine", "start"))
    if not first:
        plan.wait(float(rng.uniform(3, 25)))
        plan.set("blower", (right | wrong)["blower"])
    if wrong and (order.put_right or order.slip):
        lasted = rng.uniform(40, LONGEST_SLIP_S) if order.slip else rng.uniform(MIN_MISUSE_S, 850)
        plan.wait(float(lasted) - (plan.clock - plan.start_s))
        for control in wrong:
            noted = not (control == "temp_lever" and by_hand)
            plan.set(control, right[control], noted=noted)
    return bool(wrong)


def _wrong(rng: Generator, misuse: str) -> dict[str, float]:
    """Positions that make the misuse."""
    return {
        "lever midway": {"temp_lever": float(rng.choice([30, 40, 50, 55, 60, 65]))},
        "lever cold": {"temp_lever": 0.0},
        "vent": {"mode": float(MODES.index("vent"))},
        "defrost mode": {"mode": float(MODES.index("defrost"))},
        "defrost share": {"defrost": float(rng.choice([80, 90, 100]))},
        "blower low": {"blower": 1.0},
        "air door": {"air_door": float(rng.choice([0, 5, 10]))},
    }[misuse]


def _warming(rng: Generator, car: Car, order: Order) -> float:
    """How long the driver lets it warm up, s."""
    if order.kind == "hot start":
        return float(rng.uniform(150, 420))
    middling = 5200.0 if order.kind in ("road", "owner") else 3300.0
    warm = (82.0 - car.start_temperature) * (car.coolant_mass + car.block_mass) / middling
    warm = float(np.clip(warm, 240.0, 1300.0))
    if order.kind == "short":
        return warm * float(rng.uniform(0.7, 1.1)) + float(rng.uniform(60, 200))
    if order.kind == "owner":
        return float(rng.uniform(700, 2100))
    return warm * float(rng.uniform(1.0, 1.3)) + float(rng.uniform(180, 480))


def _test(rng: Generator, car: Car, plan: Plan, order: Order, *, by_hand: bool) -> list[str]:
    """What comes after the warm-up; the sweeps over the whole travel it held."""
    slow = 1.6 if car.heater == "water-valve" else 1.0
    dwell = float(rng.uniform(45, 95)) if slow > 1 else float(rng.uniform(16, 45))
    step = float(rng.choice([10.0, 12.5, 20.0, 25.0]))
    sweeps: list[str] = []
    if order.kind == "owner":
        if rng.random() < 0.4:  # too warm for a moment
            plan.set("temp_lever", float(rng.choice([50, 60, 75])), noted=not by_hand)
            plan.wait(float(rng.uniform(60, 220)))
            plan.set("temp_lever", 100.0, noted=not by_hand)
            plan.wait(float(rng.uniform(120, 400)))
        return sweeps
    if order.kind == "short" and not order.sweeps:
        if rng.random() < 0.5:
            plan.set("temp_lever", 0.0, noted=not by_hand)
            plan.wait(float(rng.uniform(40, 120)))
        return sweeps
    hold = order.holds or bool(rng.random() < 0.7)
    hold &= car.structure.vacuum
    if hold and rng.random() < 0.5:
        isolate(rng, plan)
        hold = False
    if order.sweeps or rng.random() < 0.85:
        sweep(rng, plan, 100.0, 0.0, step, dwell, by_hand=by_hand, slow=slow > 1)
        sweeps.append("closing")
        plan.wait(float(rng.uniform(60, 150)) * slow)
        if rng.random() < 0.8:
            sweep(rng, plan, 0.0, 100.0, step, dwell, by_hand=by_hand, slow=slow > 1)
            sweeps.append("opening")
        else:
            plan.set("temp_lever", 100.0, noted=not by_hand)
    plan.wait(float(rng.uniform(120, 300)))
    if hold:
        isolate(rng, plan)
        plan.wait(float(rng.uniform(10, 60)))
    return sweeps


def _on_grid(rng: Generator, plan: Plan, order: Order, sweeps: list[str], *, by_hand: bool) -> Trip:
    time = np.arange(0.0, plan.clock + DT / 2, DT)

    engine = plan.held("engine", time)
    driving = order.kind in ("road", "owner") or order.moving
    driving |= order.kind in ("hot start", "short") and bool(rng.random() < 0.5)
    speed = traffic(rng, time, plan.start_s) if driving else np.zeros(time.size)
    idle = float(rng.uniform(680, 900))
    if not driving and order.kind != "idle":
        idle = float(rng.uniform(1150, 1900))
    surge = np.clip(np.gradient(speed, DT), 0, None)
    revs = engine * np.where(speed > 0.5, 1000 + 62.0 * speed + 350 * surge, idle)
    return Trip(
        order.kind, plan.start_s, time, plan.lever(time, by_hand=by_hand),
        plan.held("blower", time), plan.held("mode", time).astype(np.int64),
        plan.held("air_door", time, 100.0), engine, plan.held("vacuum_isolated", time),
        plan.switching(time, by_hand=by_hand), speed,
        revs + engine * 12 * wander(rng, time.size), np.clip(surge / 1.3 + speed / 60, 0, 1),
        plan.events, sweeps, by_hand, order.misuse, plan.held("defrost", time),
    )  # fmt: skip
