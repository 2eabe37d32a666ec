"""A plan played out on a clock: what every control and the road do at each moment.

The driver needs time to reach a speed, the hand needs a second to move a lever and does not hit a
marked position exactly, and the notes carry the time somebody read off a watch.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from ingest.arrays import Floats
from sample_logs.simulator.protocol import Protocol, Step

Event = tuple[float, str, float | str]

STEP_S = 0.2
"""Step of the simulation, s: a tenth of its fastest time constant."""

LEVER_RATE = 80.0
"""How fast a hand moves the lever, % of travel per s."""

ACCELERATION = 1.3
"""How fast the driver changes speed, m/s²."""

IDLE_RPM = 750.0
FAST_IDLE_RPM = 350.0
FAST_IDLE_LAG_S = 150.0


@dataclass(frozen=True)
class Schedule:
    """Everything that is done to the car, on the simulation's clock (s from the log's start).

    Parameters
    ----------
    time
        Shape (n,), evenly spaced by `STEP_S`.
    step
        Index into the plan's steps, shape (n,).
    lever
        Where the lever really stands, %.
    blower, air_door
        Switch position and fresh-air door, %, as set.
    defrost
        Share sent to the windshield, %; NaN where the mode decides.
    mode
        Index into `modes`.
    modes
        Words used by the plan.
    running, isolated
        Engine and vacuum shut-off.
    goal
        Road speed the driver goes for, m/s.
    speed, acceleration, rpm
        Road speed, m/s, its change, m/s², and engine speed.
    events
        As they happened: (time, control, position).
    noted
        As they were written down.
    """

    time: Floats
    step: NDArray[np.int64]
    lever: Floats
    blower: NDArray[np.int64]
    air_door: Floats
    defrost: Floats
    mode: NDArray[np.int64]
    modes: tuple[str, ...]
    running: NDArray[np.bool_]
    isolated: NDArray[np.bool_]
    goal: Floats
    speed: Floats
    acceleration: Floats
    rpm: Floats
    events: tuple[Event, ...]
    noted: tuple[Event, ...]

    @property
    def engine_start(self) -> float:
        """When the engine first runs, s from the log's start."""
        return float(self.time[int(np.argmax(self.running))])


def play_out(protocol: Protocol, rng: np.random.Generator) -> Schedule:
    """Turn a plan into time series and events."""
    starts = np.concatenate(([0.0], np.cumsum([step.duration for step in protocol.steps])))
    count = round(float(starts[-1]) / STEP_S)
    time: Floats = np.arange(count, dtype=np.float64) * STEP_S
    step = np.minimum(np.searchsorted(starts, time, side="right") - 1, len(protocol.steps) - 1)
    modes = tuple(sorted({each.mode or "floor" for each in protocol.steps}))
    held = _held(protocol.steps)
    set_lever = np.array([each.lever for each in held])
    midway = (set_lever > 0) & (set_lever < 100)
    stands = set_lever + np.where(midway, rng.normal(0, protocol.lever_error, midway.size), 0.0)
    # the error belongs to the hand's last movement, not to every step that leaves the lever alone
    for index in range(1, stands.size):
        if set_lever[index] == set_lever[index - 1]:
            stands[index] = stands[index - 1]
    running = np.array([each.running for each in held], dtype=bool)[step]
    goal = np.array([each.speed for each in held])[step]
    speed, acceleration = _drive(goal, rng)
    events = tuple(_events(protocol.steps, starts))
    return Schedule(
        time=time,
        step=step,
        lever=_rate_limited(stands[step], LEVER_RATE * STEP_S),
        blower=np.array([each.blower for each in held], dtype=np.int64)[step],
        air_door=np.array([each.air_door for each in held])[step],
        defrost=np.array([each.defrost for each in held])[step],
        mode=np.array([modes.index(each.mode) for each in held], dtype=np.int64)[step],
        modes=modes,
        running=running,
        isolated=np.array([each.isolated for each in held], dtype=bool)[step],
        goal=goal,
        speed=speed,
        acceleration=acceleration,
        rpm=_engine_speed(time, speed, running, rng),
        events=events,
        noted=_noted(events, protocol, rng),
    )


@dataclass(frozen=True, slots=True)
class _Held:
    """Where every control stands during a step."""

    lever: float = 100.0
    blower: int = 0
    mode: str = "floor"
    air_door: float = 100.0
    defrost: float = float("nan")
    running: bool = False
    isolated: bool = False
    speed: float = 0.0


def _held(steps: tuple[Step, ...]) -> list[_Held]:
    """Every control at every step, with what a step leaves alone filled in."""
    now = _Held()
    result = []
    for step in steps:
        named = {each.name: getattr(step, each.name) for each in fields(_Held)}
        now = replace(now, **{name: value for name, value in named.items() if value is not None})
        result.append(now)
    return result


def _events(steps: tuple[Step, ...], starts: Floats) -> list[Event]:
    events: list[Event] = []
    for step, start in zip(steps, starts.tolist(), strict=False):
        if step.running is not None and (step.running or events):
            events.append((start, "engine", "start" if step.running else "stop"))
        named: tuple[tuple[str, float | str | None], ...] = (
            ("temp_lever", step.lever),
            ("blower", step.blower),
            ("mode", step.mode),
            ("air_door", step.air_door),
            ("defrost", step.defrost),
            ("vacuum_isolated", None if step.isolated is None else int(step.isolated)),
        )
        events += [(start, control, value) for control, value in named if value is not None]
    return events


def _noted(
    events: tuple[Event, ...], protocol: Protocol, rng: np.random.Generator
) -> tuple[Event, ...]:
    noted: list[Event] = []
    previous = (-1.0, -1.0)
    for time, control, position in events:
        # what was done in one go is noted at one time
        if time != previous[0]:
            jitter = rng.normal(0, protocol.note_jitter) if time > 0 else 0.0
            shifted = time + jitter + (protocol.note_delay if time > 0 else 0.0)
            previous = (time, max(previous[1], shifted, 0.0))
        noted.append((round(previous[1], 1), control, position))
    return tuple(noted)


def _rate_limited(target: Floats, most: float) -> Floats:
    reached = target.copy()
    now = float(target[0])
    changes = np.flatnonzero(np.diff(target)) + 1
    for change in changes.tolist():
        goal = float(target[change])
        # a change may come before the previous one has been reached
        now = float(reached[change - 1])
        steps = int(np.ceil(abs(goal - now) / most))
        ramp = now + np.sign(goal - now) * most * np.arange(1, steps + 1)
        part = reached[change : change + steps]
        part[:] = np.clip(ramp, min(now, goal), max(now, goal))[: part.size]
        reached[change + steps :] = target[change + steps :]
    return reached


def _drive(target: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Speed with the driver's own waver, and its change."""
    smooth = _rate_limited(target, ACCELERATION * STEP_S)
    waver = ar1(smooth.size, 8.0, 0.35, rng) * np.minimum(1.0, smooth / 5.0)
    speed = np.maximum(0.0, smooth + waver)
    return speed, np.gradient(smooth, STEP_S)


def _engine_speed(
    time: Floats, speed: Floats, running: NDArray[np.bool_], rng: np.random.Generator
) -> Floats:
    since = np.maximum(0.0, time - time[int(np.argmax(running))])
    idle = IDLE_RPM + FAST_IDLE_RPM * np.exp(-since / FAST_IDLE_LAG_S)
    rpm = np.where(speed > 1.0, np.maximum(idle, 1100.0 + 42.0 * speed), idle)
    rpm = lfilter([1 - np.exp(-STEP_S / 1.5)], [1, -np.exp(-STEP_S / 1.5)], rpm)
    return np.where(running, rpm + ar1(time.size, 2.0, 9.0, rng), 0.0)


def ar1(size: int, lag: float, deviation: float, rng: np.random.Generator) -> Floats:
    """First-order autoregressive noise of a given time constant (s) and standard deviation."""
    keep = float(np.exp(-STEP_S / lag))
    drive = rng.normal(0.0, deviation * np.sqrt(1.0 - keep**2), size)
    drive[0] = rng.normal(0.0, deviation)
    noise: Floats = lfilter([1.0], [1.0, -keep], drive)
    return noise
