"""Channels that jump about from reading to reading: a decoder that reads noise, a loose contact."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.view import CAR_TEMPERATURES, Hit, View
from ingest.arrays import Floats
from ingest.findings import finding
from ingest.saying import say

GARBAGE: Final = finding(
    "garbage",
    "{point} {reason}: none of its readings are believed.",
    do="Check the plug and the wire of this channel, then its column and unit in run.toml.",
    forbids=True,
    doubts_sensor=True,
)

MIN_CHANGES: Final = 20

TYPICAL_JUMP_K: Final = 5.0
"""No temperature in a car typically changes this much from one reading to the next ..."""

MIN_DISORDER: Final = 0.4
"""... with so little order: half the mean square of the changes over the variance, which is 1 for
independent numbers and near 0 for a curve (J. von Neumann, Ann. Math. Statist. 12, 1941, 367)."""

LOOSE_K: Final = 6.0
"""A reading this far off the middle of its neighbours is a wild one."""

LOOSE_SHARE: Final = 0.05
MIN_WILD: Final = 20
"""So many wild readings are no spikes any more."""

LONGEST_APART_S: Final = 10.0
"""Readings further apart than this may well differ."""


@detector("garbage", order=20)
def detect(view: View) -> Iterator[Hit]:
    """Find temperatures that jump about."""
    for point in view.present(*CAR_TEMPERATURES, "cold_junction"):
        if view.largest_step(point) < TYPICAL_JUMP_K:
            continue
        values = view.values(point)
        known = ~np.isnan(values)
        whole = known.all()
        readings, times = (values, view.time) if whole else (values[known], view.time[known])
        reason = _random(readings) or _loose(readings, times)
        if reason:
            begin, end = view.seconds(known)
            yield Hit(
                GARBAGE.found(
                    point,
                    begin,
                    end,
                    point=point,
                    reason=reason,
                    evidence={"count": float(readings.size)},
                ),
                known,
            )


def _random(readings: Floats) -> str | None:
    """Whether the readings are as good as drawn by lot."""
    steps = np.diff(readings)
    # a log that repeats a reading until the next one comes says nothing by the repeats
    changes = np.abs(steps[steps != 0.0])
    if changes.size < MIN_CHANGES or float(np.median(changes)) < TYPICAL_JUMP_K:
        return None
    distinct = readings[np.append(True, steps != 0.0)]
    disorder = float(np.mean(changes**2)) / (2.0 * float(distinct.var()))
    if disorder < MIN_DISORDER:
        return None
    low, high = float(readings.min()), float(readings.max())
    return say(
        "jumps about between {low:.0f (degC)} and {high:.0f degC} from reading to reading",
        low=low,
        high=high,
    )


def _loose(readings: Floats, times: Floats) -> str | None:
    """Whether many readings are far off their neighbours, as with a contact that comes and goes."""
    if readings.size < MIN_CHANGES:
        return None
    off = np.abs(readings[1:-1] - 0.5 * (readings[:-2] + readings[2:]))
    wild = int(((off > LOOSE_K) & (times[2:] - times[:-2] < 2.0 * LONGEST_APART_S)).sum())
    if wild < max(MIN_WILD, LOOSE_SHARE * readings.size):
        return None
    return (
        f"has {wild} of {readings.size} readings far off their neighbours, as a loose contact has"
    )
