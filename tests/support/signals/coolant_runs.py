"""Coolant courses made by a small model of engine, thermostat and radiator, for tests."""

from __future__ import annotations

import numpy as np

from ingest.arrays import Floats


def engine(
    seconds: float,
    *,
    ambient: float = 0.0,
    start: float | None = None,
    opens: float = 84.0,
    power: float | Floats = 9000.0,
    loss: float | Floats = 70.0,
    always_open: float = 0.0,
    radiator: float = 1500.0,
) -> tuple[Floats, Floats]:
    """Times (1 s apart) and coolant temperatures of an engine.

    One heat capacity of 60 kJ/K, `power` (W) into it, `loss` (W/K) to the air by heater and block
    (each a number, or one a second),
    and a `radiator` (W/K) whose share opens over 9 K above `opens`, 12 s behind the coolant.
    `always_open` is the share that never closes.
    """
    dt, capacity = 0.25, 60e3
    steps = round(seconds / dt)
    heat = np.broadcast_to(np.asarray(power, dtype=float), round(seconds))
    lost = np.broadcast_to(np.asarray(loss, dtype=float), round(seconds))
    coolant = wax = ambient if start is None else start
    out = np.empty(round(seconds))
    for i in range(steps):
        wax += dt / 12.0 * (coolant - wax)
        share = max(min(max((wax - opens) / 9.0, 0.0), 1.0), always_open)
        flow = heat[int(i * dt)] - (lost[int(i * dt)] + radiator * share) * (coolant - ambient)
        coolant += dt / capacity * flow
        if (i + 1) % round(1.0 / dt) == 0:
            out[int(i * dt)] = coolant
    return np.arange(1.0, round(seconds) + 1.0), out
