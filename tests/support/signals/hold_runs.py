"""Signals of a heater by construction: its settled rise, its warm-up and its noise are known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ingest.arrays import Floats
from ingest.run import Run
from tests.support.signals.runs import Event, make_run

AMBIENT = -5.0
PLATEAU = 85.0
"""Coolant once warm, °C."""

RISE = 45.0
"""Settled rise at the hot end, K."""

WARM_UP_TAU = 150.0
"""Coolant and outlet come up as 1 - exp(-t / tau)."""


def correlated(
    rng: np.random.Generator, size: int, step: float, lag: float, deviation: float
) -> Floats:
    """First-order autoregressive noise with time constant `lag`, s (white for 0)."""
    keep = np.exp(-step / lag) if lag > 0 else 0.0
    kick = np.sqrt(1.0 - keep**2) * rng.standard_normal(size)
    kick[0] = rng.standard_normal()
    noise = np.empty(size)
    state = 0.0
    for index, each in enumerate(kick):
        state = keep * state + each
        noise[index] = state
    return deviation * noise


def warming(time: Floats) -> Floats:
    """Share of the way to warm, 0 before the engine start at time zero."""
    return np.where(time < 0.0, 0.0, 1.0 - np.exp(-np.maximum(time, 0.0) / WARM_UP_TAU))


def settling(time: Floats, moves: Sequence[tuple[float, float]], tau: float) -> Floats:
    """A level that follows moves ``(time, target)`` with a first-order lag."""
    level = np.full(time.size, moves[0][1])
    for at, target in moves[1:]:
        since = time - at
        start = float(np.interp(at, time, level))
        level = np.where(since >= 0.0, target + (start - target) * np.exp(-since / tau), level)
    return level


def heater_run(
    duration: float = 1800.0,
    *,
    step: float = 1.0,
    start: float = -60.0,
    share: Floats | None = None,
    noise: float = 0.1,
    seed: int = 1,
    extra: Mapping[str, Floats] | None = None,
    events: Sequence[Event] = (),
    without: Sequence[str] = (),
    tolerance: float = 0.0,
    time_constant: Mapping[str, float] | None = None,
    heater: str = "blend-air",
) -> Run:
    """A cold start with the lever at the hot end, unless `share` and `events` say otherwise.

    Parameters
    ----------
    share
        Share of the settled rise the lever lets through, by sample; 1 where None.
    extra
        Added to, or in place of (where the point is new) a channel.
    without
        Standard channels and controls to leave out.
    """
    rng = np.random.default_rng(seed)
    time = np.arange(start, duration, step)
    warm = warming(time)
    passed = np.ones(time.size) if share is None else share
    channels = {
        "outlet": AMBIENT + RISE * warm * passed,
        "ambient": np.full(time.size, AMBIENT),
        "inlet_air": np.full(time.size, AMBIENT + 1.0),
        "engine_coolant": AMBIENT + (PLATEAU - AMBIENT) * warm,
    }
    channels = {
        point: values + noise * rng.standard_normal(time.size)
        for point, values in channels.items()
        if point not in without
    }
    for point, values in (extra or {}).items():
        channels[point] = channels[point] + values if point in channels else values
    standard: list[Event] = [
        (start, "blower", 3),
        (start, "mode", "floor"),
        (start, "temp_lever", 100),
        (0.0, "engine", "start"),
    ]
    kept = [*(event for event in standard if event[1] not in without), *events]
    return make_run(
        time, channels, kept, heater=heater, tolerance=tolerance, time_constant=time_constant
    )


def times_of(run: Run) -> Floats:
    """The run's sample times, s."""
    return run.readings["time_s"].to_numpy()
