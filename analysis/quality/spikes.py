"""Isolated readings far off: a spark, a dropped bit. They are taken out, the rest is kept."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.view import CAR_TEMPERATURES, Hit, View
from ingest.arrays import Bools, Floats
from ingest.findings import finding
from ingest.points import TEMPERATURE
from ingest.saying import amount, difference_unit

SPIKES: Final = finding(
    "spikes",
    "{point}: {count} of {valid} readings, the first at {begin:.1f s}, stand"
    " alone by more than {least} and were left out.",
    do="Nothing, if they are few; otherwise look for a loose contact.",
    forbids=True,
)

WIDEST: Final = 3
"""A spike is at most this many readings wide ..."""

LONGEST_S: Final = 3.0
"""... and comes and goes within this time: no door moves there and back."""

LEAST: Final = {"degC": 4.0, "m/s": 6.0, "V": 2.0, "%": 10.0, "rpm": 400.0}
"""How far off it is at least, in the stored unit."""

STOPPED_SHARE: Final = 0.3
STANDING_RPM: Final = 100.0
"""An engine may be revved for a moment; what falls below this share of its speed and comes back at
once, or leaves a standstill and falls back, was not the engine."""

NOISES: Final = 12.0
STEPS: Final = 6.0
"""... and at least in standard deviations of the noise, and in steps of the logged numbers."""

OTHERS: Final = ("cold_junction", "road_speed", "engine_speed", "blower_voltage", "temp_lever")

BACK_SHARE: Final = 0.4
"""After it the signal is back to where it was, within this share of the spike."""

BEGINS: Final = 0.99 * (1.0 - 0.5 * BACK_SHARE)
"""Its first step is no smaller than this share of its height over the mean of before and after; the
hundredth is for rounding."""


@detector("spikes", order=30)
def detect(view: View) -> Iterator[Hit]:
    """Find isolated wild readings of what cannot come and go within seconds.

    A vacuum can, and is left alone.
    """
    for point in view.present(*CAR_TEMPERATURES, *OTHERS):
        sensor = view.sensor(point)
        least = max(LEAST[sensor.quantity.unit], STEPS * sensor.resolution)
        if view.largest_step(point) < least:
            continue
        of_engine = point == "engine_speed"
        if not of_engine:
            least = max(least, NOISES * view.noise(point))
            if view.largest_step(point) <= BEGINS * least:
                continue
        values = view.values(point)
        known = np.flatnonzero(~np.isnan(values))
        readings, times = values[known], view.time[known]
        if readings.size < 2 * WIDEST:
            continue
        marked = np.zeros(values.size, dtype=bool)
        lasting = sensor.quantity == TEMPERATURE
        wild = _spikes(readings, times, least, of_engine=of_engine, lasting=lasting)
        marked[known[wild]] = True
        count = int(marked.sum())
        if not count:
            continue
        begin, end = view.seconds(marked)
        yield Hit(
            SPIKES.found(
                point,
                begin,
                end,
                point=point,
                count=count,
                valid=int(readings.size),
                begin=begin,
                least=amount(least, ".1f", difference_unit(sensor.quantity.unit)),
                evidence={"count": float(count), "of": float(readings.size)},
            ),
            marked,
        )


def _spikes(
    readings: Floats, times: Floats, least: float, *, of_engine: bool, lasting: bool
) -> Bools:
    """Mark readings that leave a level and come back to it within `WIDEST` readings.

    With `of_engine` only those to or from a standstill. Beyond its ends a `lasting` signal, which
    nobody can switch on or off, is taken to go on as it was: its first or its last reading may
    stand alone, too.
    """
    interval = float(times[1] - times[0]), float(times[-1] - times[-2])
    times = np.concatenate(([times[0] - interval[0]], times, [times[-1] + interval[1]]))
    first, last = (1, -2) if lasting else (0, -1)
    readings = np.concatenate(([readings[first]], readings, [readings[last]]))
    marked = np.zeros(readings.size, dtype=bool)
    # what comes back within `BACK_SHARE` of its height began with a step of nearly that height
    steps = np.flatnonzero(np.abs(readings[1:] - readings[:-1]) > BEGINS * least)
    for width in range(1, WIDEST + 1):
        start = steps[steps < readings.size - width - 1]
        before, after = readings[start], readings[start + width + 1]
        base = 0.5 * (before + after)
        inside = np.stack([readings[start + 1 + k] - base for k in range(width)])
        height = np.abs(inside).min(axis=0)
        one_sided = np.abs(inside.sum(axis=0)) >= width * height
        back = np.abs(after - before) <= BACK_SHARE * height
        short = times[start + width + 1] - times[start] <= LONGEST_S
        wild = (height > least) & one_sided & back & short
        if of_engine:
            stopped = (inside + base).max(axis=0) < STOPPED_SHARE * base
            wild &= stopped | (base < STANDING_RPM)
        found = start[wild]
        for k in range(width):
            marked[found + 1 + k] = True
    return marked[1:-1]
