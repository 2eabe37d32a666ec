"""Manifold vacuum, check valve, reservoir, leaks and the stroke of the actuators.

The reservoir follows a deeper manifold quickly through the check valve, a shallower one only as
fast as that valve leaks back; lines, switch and diaphragms lose in proportion to the vacuum, so
that an isolated reservoir decays exponentially.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from ingest.arrays import Floats
from sample_logs.simulator.car import Vacuum
from sample_logs.simulator.schedule import STEP_S, Schedule, ar1

LINE_RATE = 0.012
"""Rate at which a line feeds its actuator; a leak of the same size halves what arrives, 1/s."""

STARTS_TO_MOVE = 0.4
"""Share of the needed vacuum at which an actuator leaves its rest."""


def manifold(vacuum: Vacuum, schedule: Schedule, rng: np.random.Generator) -> Floats:
    """Manifold vacuum, kPa: deep at idle, less under load, nearly none at full throttle."""
    load = 0.30 * schedule.speed + 20.0 * np.maximum(0.0, schedule.acceleration)
    drawn = vacuum.idle - load + ar1(load.size, 1.5, 0.6, rng)
    return np.where(schedule.running, np.maximum(4.0, drawn), 0.0)


def reservoir(vacuum: Vacuum, schedule: Schedule, source: Floats) -> Floats:
    """Vacuum in the reservoir over time, kPa.

    Parameters
    ----------
    vacuum
        The car's vacuum system.
    schedule
        For the shut-off.
    source
        Manifold vacuum, kPa, shape (n,).
    """
    fill = -np.expm1(-vacuum.fill * STEP_S)
    back = -np.expm1(-vacuum.check_leak * STEP_S)
    keep = float(np.exp(-vacuum.leak * STEP_S))
    now = 0.0
    result = np.empty(source.size)
    supplied = (vacuum.supply * source).tolist()
    for index, (supply, isolated) in enumerate(
        zip(supplied, schedule.isolated.tolist(), strict=True)
    ):
        if not isolated:
            now += (fill if supply > now else back) * (supply - now)
        now *= keep
        result[index] = now
    return result


def at_actuator(vacuum: Vacuum, stored: Floats) -> Floats:
    """Vacuum that reaches an actuator through its leaking line, kPa."""
    arrives = stored * LINE_RATE / (LINE_RATE + vacuum.leak)
    keep = float(np.exp(-STEP_S / 1.0))
    lagged: Floats = lfilter([1 - keep], [1, -keep], arrives)
    return lagged


def stroke(vacuum: Vacuum, arriving: Floats) -> Floats:
    """How far an actuator is drawn, 0 at rest to 1 at its stop."""
    starts = STARTS_TO_MOVE * vacuum.needed
    return np.clip((arriving - starts) / (vacuum.needed - starts), 0.0, 1.0)


def decay_rate(vacuum: Vacuum, stored: float) -> float:
    """Initial rate of loss of an isolated reservoir, kPa/min."""
    return 60.0 * vacuum.leak * stored
