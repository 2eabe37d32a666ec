"""Runs with a vacuum source, an engine and leak-downs, for tests."""

from __future__ import annotations

import numpy as np

from ingest.arrays import Floats
from tests.support.signals.runs import Event


def holding(
    seconds: float, holds: list[tuple[float, float, float]], *, level: float = 60.0
) -> tuple[Floats, Floats, list[Event]]:
    """Times, source vacuum and events of a parked car.

    The source stands at `level`; in every hold (from, to, time constant) it decays.
    """
    time = np.arange(0.0, seconds, 0.5)
    value = np.full(time.size, level)
    events: list[Event] = [(0.0, "engine", "start")]
    for begin, end, tau in holds:
        inside = (time >= begin) & (time < end)
        value[inside] = level * np.exp(-(time[inside] - begin) / tau)
        events += [(begin, "vacuum_isolated", 1.0), (end, "vacuum_isolated", 0.0)]
    value += 0.1 * np.random.default_rng(6).standard_normal(time.size)
    return time, value, events
