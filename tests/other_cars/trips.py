"""What was done with the car: traffic, lever, blower, mode, and what a hand noted of it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tests.other_cars.cars import Car

Floats = NDArray[np.float64]

DT: Final = 0.25
"""Step of the model, s."""

MODES: Final = ("off", "vent", "floor", "defrost", "mixed", "recirculate")
FLOOR_SHARE: Final = np.array([0.0, 0.12, 0.86, 0.14, 0.5, 0.86])
"""Share of the heater's air the floor outlet gets, by mode."""

Event = tuple[float, str, str]


@dataclass
class Trip:
    """Controls and driving on the model's time axis (s from the first sample of the log).

    Parameters
    ----------
    sweeps
        Directions the lever was swept in over its whole travel: ``opening``, ``closing``.
    by_hand
        Lever moved in a slow continuous sweep, its position logged.
    misuse
        Word for the way the controls were used wrongly, else empty.
    defrost
        Share sent to the windshield by a lever of its own, %; None where there is none.
    """

    kind: str
    start_s: float
    time: Floats
    lever: Floats
    blower: Floats
    mode: NDArray[np.int64]
    air_door: Floats
    engine: Floats
    isolated: Floats
    switching: Floats
    speed: Floats
    revs: Floats
    load: Floats
    events: list[Event]
    sweeps: list[str] = field(default_factory=list)
    by_hand: bool = False
    misuse: str = ""
    defrost: Floats | None = None


class Plan:
    """Writes controls down one after the other along a growing clock."""

    def __init__(self, start_s: float) -> None:
        self.clock = 0.0
        self.start_s = start_s
        self.knots: dict[str, list[tuple[float, float]]] = {}
        self.events: list[Event] = []

    def set(self, control: str, value: float, *, noted: bool = True) -> None:
        self.knots.setdefault(control, []).append((self.clock, value))
        if noted:
            word = MODES[int(value)] if control == "mode" else f"{value:g}"
            self.events.append((self.clock, control, word))

    def wait(self, seconds: float) -> None:
        self.clock += seconds

    def held(self, control: str, time: Floats, before: float = 0.0) -> Floats:
        """Where a control stood; `before` until it was first set."""
        knots = self.knots.get(control, [])
        times = np.array([at for at, _ in knots])
        values = np.array([before, *(value for _, value in knots)])
        return values[np.searchsorted(times, time + 1e-9, side="right")]

    def lever(self, time: Floats, *, by_hand: bool) -> Floats:
        """Where the lever stood: straight between the marks of a hand sweep, held otherwise."""
        lever = self.held("temp_lever", time, 100.0)
        for (at, value), (then, after) in itertools.pairwise(self.knots["temp_lever"]):
            if by_hand and then - at < 30 and abs(after - value) < 5:
                inside = (time >= at) & (time < then)
                lever[inside] = value + (time[inside] - at) / (then - at) * (after - value)
        return lever

    def switching(self, time: Floats, *, by_hand: bool) -> Floats:
        """1 in the steps in which the switch of the mode or the lever was moved a notch."""
        switching = np.zeros(time.size)
        for control in () if by_hand else ("mode", "temp_lever"):
            for at, _ in self.knots.get(control, []):
                switching[min(int(at / DT), time.size - 1)] = 1.0
        return switching


def draw_trip(rng: Generator, car: Car, *, misuse: str = "", good_habits: bool = False) -> Trip:
    """A trip with the car; `good_habits` for baseline runs."""
    kind = str(rng.choice(["garage", "road"] if good_habits else ["garage", "road", "short"],
                          p=[0.5, 0.5] if good_habits else [0.45, 0.4, 0.15]))  # fmt: skip
    cold_start = car.start_temperature < car.ambient + 5
    plan = Plan(float(rng.uniform(25, 110)) if cold_start else float(rng.uniform(0, 20)))
    by_hand = bool(rng.random() < 0.2)
    top = float(rng.choice([4, 4, 3]))
    floor = MODES.index("recirculate" if rng.random() < 0.06 else "floor")
    hot = 100.0
    if misuse == "midway":
        hot = float(rng.choice([50, 55, 60, 65]))
    if misuse == "blower low":
        top = 1.0
    if misuse == "mode":
        floor = MODES.index(str(rng.choice(["defrost", "vent"])))
    plan.set("temp_lever", hot, noted=not by_hand)
    plan.set("mode", floor)
    plan.set("air_door", 8.0 if misuse == "air door" else 100.0, noted=misuse == "air door")
    first = bool(rng.random() < 0.5)
    if first:
        plan.set("blower", top)
    plan.wait(plan.start_s)
    plan.set("engine", 1.0, noted=False)
    plan.events.append((plan.clock, "engine", "start"))
    if not first:
        plan.wait(float(rng.uniform(3, 25)))
        plan.set("blower", top)
    warm = (82.0 - car.start_temperature) * 47000.0 / (0.62 * car.heat_idle)
    sloppy = rng.uniform(0.75, 1.1) if kind == "short" else rng.uniform(1.05, 1.3)
    plan.wait(float(np.clip(warm * sloppy, 150.0, 1300.0)) + float(rng.uniform(150, 420)))
    sweeps = _test(rng, car, plan, hot, kind, by_hand=by_hand, misuse=misuse)
    return _on_grid(rng, car, plan, kind, sweeps, by_hand=by_hand, misuse=misuse)


def _test(
    rng: Generator, car: Car, plan: Plan, hot: float, kind: str, *, by_hand: bool, misuse: str
) -> list[str]:
    slow = car.heater == "water-valve"
    dwell = float(rng.uniform(45, 95)) if slow else float(rng.uniform(14, 42))
    step = float(rng.choice([10.0, 12.5, 20.0, 25.0]))
    sweeps: list[str] = []
    if misuse == "midway":
        plan.wait(float(rng.uniform(200, 500)))
        return sweeps
    if kind == "short" and rng.random() < 0.5:
        plan.set("temp_lever", 0.0, noted=not by_hand)
        plan.wait(float(rng.uniform(40, 120)))
        return sweeps
    hold = bool(rng.random() < 0.75)
    if hold and rng.random() < 0.5:
        isolate(rng, plan)
        hold = False
    sweep(rng, plan, 100.0, 0.0, step, dwell, by_hand=by_hand, slow=slow)
    sweeps.append("closing")
    plan.wait(float(rng.uniform(60, 150)) * (1.6 if slow else 1.0))
    if kind == "short":
        return sweeps
    if rng.random() < 0.3:  # straight back, and the careful sweep afterwards
        plan.set("temp_lever", 100.0, noted=not by_hand)
        plan.wait(float(rng.uniform(60, 120)) * (1.6 if slow else 1.0))
        plan.set("temp_lever", 0.0, noted=not by_hand)
        plan.wait(float(rng.uniform(60, 120)) * (1.6 if slow else 1.0))
    if rng.random() < 0.85:
        sweep(rng, plan, 0.0, 100.0, step, dwell, by_hand=by_hand, slow=slow)
        sweeps.append("opening")
    else:
        plan.set("temp_lever", 100.0, noted=not by_hand)
    plan.wait(float(rng.uniform(120, 300)))
    if hold:
        isolate(rng, plan)
        plan.wait(float(rng.uniform(10, 60)))
    return sweeps


def isolate(rng: Generator, plan: Plan) -> None:
    plan.set("vacuum_isolated", 1.0)
    plan.wait(float(rng.uniform(55, 160)))
    plan.set("vacuum_isolated", 0.0)
    plan.wait(float(rng.uniform(15, 40)))


def sweep(
    rng: Generator, plan: Plan, start: float, end: float, step: float, dwell: float, *,
    by_hand: bool, slow: bool,
) -> None:  # fmt: skip
    if by_hand:
        seconds = float(rng.uniform(300, 520)) if slow else float(rng.uniform(90, 200))
        # a hand does not move evenly
        for share in np.linspace(0, 1, 80)[1:]:
            plan.wait(seconds / 79 * float(rng.uniform(0.6, 1.4)))
            plan.set("temp_lever", start + share * (end - start), noted=False)
        plan.wait(dwell)
        return
    count = round(abs(end - start) / step)
    for position in np.linspace(start, end, count + 1)[1:]:
        plan.set("temp_lever", float(position))
        plan.wait(dwell * float(rng.uniform(0.75, 1.35)))


def _on_grid(
    rng: Generator, car: Car, plan: Plan, kind: str, sweeps: list[str], *,
    by_hand: bool, misuse: str,
) -> Trip:  # fmt: skip
    time = np.arange(0.0, plan.clock + DT / 2, DT)

    engine = plan.held("engine", time)
    mode = plan.held("mode", time).astype(np.int64)
    speed = traffic(rng, time, plan.start_s) if kind != "garage" else np.zeros(time.size)
    fast = float(rng.uniform(1150, 1900))
    idle = float(rng.uniform(700, 900)) if kind != "garage" else fast
    surge = np.clip(np.gradient(speed, DT), 0, None)
    revs = engine * np.where(speed > 0.5, 1000 + 62.0 * speed + 350 * surge, idle)
    return Trip(
        kind, plan.start_s, time, plan.lever(time, by_hand=by_hand), plan.held("blower", time),
        mode, plan.held("air_door", time, 100.0), engine, plan.held("vacuum_isolated", time),
        plan.switching(time, by_hand=by_hand), speed,
        revs + engine * 12 * wander(rng, time.size), np.clip(surge / 1.3 + speed / 60, 0, 1),
        plan.events, sweeps, by_hand, misuse,
    )  # fmt: skip


def wander(rng: Generator, size: int) -> Floats:
    steps = rng.standard_normal(size // 20 + 2)
    return np.interp(np.arange(size), np.arange(steps.size) * 20, steps)


def traffic(rng: Generator, time: Floats, start_s: float) -> Floats:
    """Random stops: pull away, cruise, slow down, stand."""
    knots = [(0.0, 0.0), (start_s + float(rng.uniform(15, 60)), 0.0)]
    while knots[-1][0] < time[-1]:
        at = knots[-1][0]
        cruise = float(rng.choice([9.0, 13.0, 16.0, 22.0, 27.0])) * float(rng.uniform(0.85, 1.1))
        at += cruise / float(rng.uniform(0.7, 1.5))
        knots.append((at, cruise))
        at += float(rng.exponential(70.0)) + 10.0
        knots.append((at, cruise * float(rng.uniform(0.9, 1.05))))
        at += cruise / float(rng.uniform(1.0, 2.0))
        knots.append((at, 0.0))
        knots.append((at + float(rng.uniform(6, 55)), 0.0))
    return np.interp(time, [at for at, _ in knots], [value for _, value in knots])
