"""Test plans: what the technician does, step by step, and the day it is done on.

A step holds every control for a while; what it does not name stays as it was. Plans are written
for the three layouts: an air-mixing heater answers its lever at once and needs little dwell, a
water valve needs a minute or more at each position.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from sample_logs.simulator.car import Heater

DWELL_S: dict[Heater, float] = {"blend-air": 30.0, "water-valve": 80.0, "combined": 45.0}
"""Dwell at each lever position of a sweep that lets the outlet settle, s."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a plan; None leaves a control where it is.

    Parameters
    ----------
    duration
        How long the step lasts, s.
    label
        What it is for: `soak`, `warm-up`, `drive`, `hold`, `sweep`, `cold end`, `hot again`,
        `defrost`, `isolation`, `start`.
    lever, air_door, defrost
        Positions, %.
    blower
        Switch position.
    mode
        A word of the contract.
    running
        Whether the engine runs.
    isolated
        Whether the vacuum source is shut off.
    speed
        Road speed the driver goes for, m/s.
    """

    duration: float
    label: str
    lever: float | None = None
    blower: int | None = None
    mode: str | None = None
    air_door: float | None = None
    defrost: float | None = None
    running: bool | None = None
    isolated: bool | None = None
    speed: float | None = None


@dataclass(frozen=True, slots=True)
class Protocol:
    """A plan, the weather, and how carefully the notes are taken.

    Parameters
    ----------
    name
        For the log's metadata.
    steps
        In order.
    ambient
        Outside temperature at the start, °C; the soaked car is at this temperature.
    ambient_drift
        Change over an hour, K.
    note_jitter
        Standard deviation of a noted time, s.
    note_delay
        Clock of the notes minus clock of the log, s.
    lever_error
        Standard deviation of where the lever really stands at a noted position that is not an
        end, % of travel.
    """

    name: str
    steps: tuple[Step, ...]
    ambient: float = -4.0
    ambient_drift: float = 1.0
    note_jitter: float = 0.4
    note_delay: float = 0.0
    lever_error: float = 0.6

    @property
    def duration(self) -> float:
        """Length of the whole plan, s."""
        return sum(step.duration for step in self.steps)


def full_test(
    heater: Heater = "blend-air",
    *,
    ambient: float = -4.0,
    soak: float = 90.0,
    warm_up: float = 900.0,
    hold: float = 300.0,
    dwell: float | None = None,
    lever_step: int = 10,
    name: str = "full test",
) -> Protocol:
    """The whole test: soak, warm-up with driving, steady hold, sweep, cold end, vacuum.

    Parameters
    ----------
    heater
        Decides the dwell of the sweep unless `dwell` is given.
    ambient
        Outside temperature, °C.
    soak, warm_up, hold
        Length of these parts, s.
    dwell
        Time at each lever position, s.
    lever_step
        Step of the sweep, % of travel.
    """
    dwell = DWELL_S[heater] if dwell is None else dwell
    cold = max(210.0, 4.2 * dwell)
    steps = [
        Step(soak, "soak", lever=100, blower=0, mode="floor", running=False, speed=0),
        Step(25, "start", running=True, blower=4),
        *_warm_up(warm_up),
        *staircase((12.0, 24.0, 12.0), 150.0),
        Step(hold, "hold", speed=0),
        *sweep(dwell, lever_step),
        Step(cold, "cold end", lever=0),
        Step(max(150.0, 2.0 * dwell), "hot again", lever=100),
        Step(60, "defrost", mode="defrost"),
        Step(45, "hot again", mode="floor"),
        Step(120, "isolation", isolated=True),
        Step(20, "hot again", isolated=False),
    ]
    return Protocol(name, tuple(steps), ambient)


def short_test(
    heater: Heater = "blend-air", *, ambient: float = -4.0, name: str = "short test"
) -> Protocol:
    """Half an hour about the yard: driving for warmth only, 20 % lever steps, no defrost."""
    dwell = DWELL_S[heater]
    steps = [
        Step(60, "soak", lever=100, blower=0, mode="floor", running=False, speed=0),
        Step(15, "start", running=True, blower=4),
        *_warm_up(900.0),
        Step(240, "hold", speed=0),
        *sweep(dwell, 20),
        Step(max(180.0, 4.2 * dwell), "cold end", lever=0),
        Step(max(100.0, 2.0 * dwell), "hot again", lever=100),
        Step(60, "isolation", isolated=True),
        Step(10, "hot again", isolated=False),
    ]
    return Protocol(name, tuple(steps), ambient)


def sloppy_test(
    heater: Heater = "blend-air", *, ambient: float = -4.0, name: str = "on the way"
) -> Protocol:
    """No soak, notes by hand half a minute off and rounded, coarse steps, one way only."""
    dwell = 0.7 * DWELL_S[heater]
    steps = [
        Step(5, "start", lever=100, blower=3, mode="floor", running=True, speed=0),
        *_warm_up(840.0),
        Step(160, "drive", speed=17),
        Step(170, "hold", speed=0),
        *(Step(dwell, "sweep", lever=lever) for lever in (75, 50, 25, 0)),
        Step(160, "cold end", lever=0),
        Step(120, "hot again", lever=100),
    ]
    plan = Protocol(name, tuple(steps), ambient)
    return replace(plan, note_jitter=2.5, note_delay=11.0, lever_error=2.0, ambient_drift=3.0)


def road_test(*, ambient: float = -4.0, name: str = "road test") -> Protocol:
    """The customer's road: full hot all the way, speeds up and down, no sweep."""
    steps = [
        Step(60, "soak", lever=100, blower=0, mode="floor", running=False, speed=0),
        Step(20, "start", running=True, blower=4),
        *_warm_up(900.0),
        *staircase((12.0, 25.0, 12.0, 25.0, 12.0), 170.0),
        Step(240, "hold", speed=0),
    ]
    return Protocol(name, tuple(steps), ambient)


def _warm_up(seconds: float) -> tuple[Step, ...]:
    """A little standing and traffic, then one steady speed until after the thermostat opens."""
    pattern = ((0.08, 0.0), (0.10, 9.0), (0.15, 15.0), (0.07, 6.0), (0.60, 14.0))
    return tuple(Step(share * seconds, "warm-up", speed=speed) for share, speed in pattern)


def staircase(speeds: tuple[float, ...], seconds: float) -> tuple[Step, ...]:
    """Constant speeds one after the other, each held `seconds`."""
    return tuple(Step(seconds, "drive", speed=speed) for speed in speeds)


def sweep(dwell: float, step: int) -> tuple[Step, ...]:
    """Lever from hot to cold and back in even steps, `dwell` seconds at each."""
    down = range(100 - step, -1, -step)
    up = range(step, 101, step)
    return tuple(Step(dwell, "sweep", lever=lever) for lever in (*down, *up))
