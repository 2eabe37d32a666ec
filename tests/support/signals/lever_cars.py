"""A heater that responds to its lever, stepped through time: truth by construction for the lever.

Nothing of it is shared with the analysis: the lever is followed through its backlash sample by
sample, the settled curve is any function of the door's travel, the lags are stepped at 0.1 s.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from ingest.arrays import Floats
from ingest.run import Run
from tests.support.signals.runs import Event, make_run

STEP_S: Final = 0.1
SPAN_K: Final = 50.0
COLD_RISE_K: Final = 2.0
COOLANT_K: Final = 80.0

SHAPES: Final[dict[str, Callable[[Floats], Floats]]] = {
    "straight": lambda z: z,
    "smooth": lambda z: z * z * (3.0 - 2.0 * z),
    "sine": lambda z: 0.5 * (1.0 - np.cos(np.pi * z)),
    "equal percentage": lambda z: (20.0**z - 1.0) / 19.0,
    "saturating": lambda z: 4.0 * z / (1.0 + 3.0 * z),
    "bent": lambda z: np.where(z < 0.4, 0.75 * z, 0.3 + 0.7 * (z - 0.4) / 0.6),
    "power": lambda z: z**1.4,
}


@dataclass(frozen=True)
class Door:
    """Backlash and settled curve.

    Parameters
    ----------
    shape
        Key of `SHAPES`.
    a, b
        Where the door begins and ends to open, % of the lever's travel.
    backlash
        Full backlash, % of travel.
    """

    shape: str = "straight"
    a: float = 6.0
    b: float = 92.0
    backlash: float = 2.0

    def cover(self, position: Floats) -> Floats:
        """Settled response at positions behind the backlash."""
        return SHAPES[self.shape](np.clip((position - self.a) / (self.b - self.a), 0.0, 1.0))

    def ends(self) -> tuple[float, float]:
        """Dead travel at the cold and the hot end, of what the backlash lets the lever reach."""
        position = np.linspace(self.backlash / 2, 100.0 - self.backlash / 2, 20001)
        cover = self.cover(position)
        cover = (cover - cover[0]) / (cover[-1] - cover[0])
        low = position[int(np.argmax(cover >= 0.025))]
        return float(low), float(100.0 - position[int(np.argmax(cover >= 0.975))])


@dataclass(frozen=True)
class Lags:
    """From the door to the reading.

    Parameters
    ----------
    closed, open
        Time constants with the door closed and open, s; straight between, over the response.
    late_share, late
        Share that comes late and its time constant, s.
    sensor
        The sensor's own time constant, s.
    """

    closed: float = 3.0
    open: float = 3.0
    late_share: float = 0.0
    late: float = 60.0
    sensor: float = 2.0


@dataclass(frozen=True)
class Log:
    """How it was logged and noted.

    Parameters
    ----------
    interval
        Between readings, s.
    noise
        Standard deviation of a reading, K.
    wander, wander_s
        Standard deviation and correlation time of the outlet's own ups and downs, K and s.
    offset
        What must be added to a noted time, s.
    hand
        Scatter of noted times, s.
    coolant
        Whether the coolant is logged.
    drift
        Relative change of the span over the run.
    known_lag
        Whether the set-up gives the sensor's time constant.
    lever_logged
        Whether the position is a channel.
    """

    interval: float = 1.0
    noise: float = 0.15
    wander: float = 0.1
    wander_s: float = 8.0
    offset: float = 0.0
    hand: float = 0.0
    coolant: bool = True
    drift: float = 0.0
    known_lag: bool = True
    lever_logged: bool = False
    events: tuple[Event, ...] = field(default=())


def sweep(
    step: float = 10.0, dwell: float = 40.0, *, start: float = 100.0, back: bool = True
) -> list[tuple[float, float]]:
    """Times and positions of a stepped sweep to the cold end and, if `back`, to the hot end."""
    down = np.arange(100.0 - step, -1e-9, -step)
    up = np.arange(step, 100.0 + 1e-9, step) if back else np.zeros(0)
    places = np.concatenate((down, up))
    return [(0.0, 100.0)] + [
        (start + dwell * index, float(place)) for index, place in enumerate(places)
    ]


def response(door: Door, lags: Lags, lever: Floats) -> Floats:
    """Mix fraction read by the sensor for a lever position every `STEP_S`."""
    half = door.backlash / 2.0
    behind = np.empty(lever.size)
    here = lever[0] - half if lever[0] > 50.0 else lever[0] + half
    for index, place in enumerate(lever.tolist()):
        here = min(max(here, place - half), place + half)
        behind[index] = here
    wanted = door.cover(behind)
    tau = lags.closed + (lags.open - lags.closed) * wanted
    prompt_gain = -np.expm1(-STEP_S / tau)
    late_gain = -np.expm1(-STEP_S / lags.late)
    sensor_gain = -np.expm1(-STEP_S / lags.sensor) if lags.sensor > 0 else 1.0
    read = np.empty(lever.size)
    prompt = late = seen = wanted[0]
    for index, target in enumerate(wanted.tolist()):
        before = (1.0 - lags.late_share) * prompt + lags.late_share * late
        read[index] = seen if lags.sensor > 0 else before
        prompt += prompt_gain[index] * (target - prompt)
        late += late_gain * (target - late)
        after = (1.0 - lags.late_share) * prompt + lags.late_share * late
        seen += sensor_gain * (0.5 * (before + after) - seen)
    return read


def lever_run(
    door: Door,
    lags: Lags,
    log: Log,
    moves: list[tuple[float, float]],
    *,
    seed: int = 0,
    rest: float = 90.0,
    heater: str = "blend-air",
    hand_sweep: Floats | None = None,
) -> Run:
    """A warm car whose lever is moved.

    Parameters
    ----------
    moves
        True times and positions; the first is where the lever stood from the beginning.
    rest
        Time after the last move, s.
    hand_sweep
        Lever position every `STEP_S` instead of steps.
    """
    rng = np.random.default_rng(seed)
    times = np.array([time for time, _ in moves])
    places = np.array([place for _, place in moves])
    if hand_sweep is None:
        fine = np.arange(0.0, times[-1] + rest, STEP_S)
        true = times + np.concatenate(([0.0], rng.normal(0.0, 1.0, times.size - 1) * log.hand))
        lever = places[np.maximum(np.searchsorted(true, fine, side="right") - 1, 0)]
    else:
        lever = hand_sweep
        fine = STEP_S * np.arange(lever.size)
    fraction = response(door, lags, lever)
    trend = 1.0 + log.drift * (fine / fine[-1] - 0.5)
    rise = COLD_RISE_K + SPAN_K * trend * fraction + _wander(rng, fine.size, log)
    time = np.arange(rng.uniform(0.0, log.interval), fine[-1] - 1.0, log.interval)
    channels = {
        "outlet": np.interp(time, fine, rise) + rng.normal(0.0, log.noise, time.size),
        "inlet_air": np.zeros(time.size),
    }
    if log.coolant:
        channels["coolant_in"] = np.full(time.size, COOLANT_K)
    if log.lever_logged:
        channels["temp_lever"] = np.interp(time, fine, lever) + rng.normal(0.0, 0.1, time.size)
    noted: list[Event] = [(-60.0, "blower", 3.0), (-60.0, "mode", "floor"), *log.events]
    if not log.lever_logged:
        noted += [(-60.0, "temp_lever", float(places[0]))]
        noted += [
            (float(when - log.offset), "temp_lever", float(place))
            for when, place in zip(times[1:], places[1:], strict=True)
        ]
    lag = {"outlet": lags.sensor} if log.known_lag else None
    return make_run(time, channels, noted, heater=heater, time_constant=lag)


def _wander(rng: np.random.Generator, size: int, log: Log) -> Floats:
    keep = float(np.exp(-STEP_S / log.wander_s))
    drive = rng.normal(0.0, log.wander * np.sqrt(1.0 - keep**2), size)
    drive[0] = rng.normal(0.0, log.wander)
    return np.array(_accumulate(drive.tolist(), keep))


def _accumulate(drive: list[float], keep: float) -> list[float]:
    state, out = 0.0, []
    for push in drive:
        state = keep * state + push
        out.append(state)
    return out
