"""One number over and over in a channel that otherwise never repeats itself.

A converter at its limit repeats its highest or lowest number; a stuck channel repeats any. Both are
told from a signal at rest by the channel's own noise: where neighbouring readings mostly differ,
a hundred equal ones are no chance. Whole degrees and other coarse steps are left alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.view import CAR_TEMPERATURES, Bools, Floats, Hit, View
from ingest.run import Finding

RESTLESS: Final = 0.5
"""A channel of which at least this share of readings differ from the one before ..."""

RESTLESS_STEPS: Final = 0.4
"""... with noise of more than this share of its numbers' step ..."""

LONG_READINGS: Final = 100
LONG_S: Final = 60.0
"""... does not repeat one number this often and for this long, unless it is stuck ..."""

CLIP_READINGS: Final = 8
CLIP_RUNS: Final = 2
CLIP_S: Final = 8.0
"""... nor its extreme so often at a time, more than once, for so long in all, unless it is cut:"""

PILED: Final = 5.0
NEAR_STEPS: Final = 3.0
"""then so many times more readings pile up there than lie within these steps of it."""


@detector("clipped", order=45)
def detect(view: View) -> Iterator[Hit]:
    """Find stretches of equal readings in restless temperatures."""
    for point in view.present(*CAR_TEMPERATURES, "cold_junction"):
        if view.noise(point) <= RESTLESS_STEPS * view.sensor(point).resolution:
            continue
        values = view.values(point)
        known = np.flatnonzero(~np.isnan(values))
        readings, times = values[known], view.time[known]
        changes = np.flatnonzero(np.diff(readings) != 0.0) + 1
        if readings.size < LONG_READINGS or changes.size < RESTLESS * 0.5 * readings.size:
            continue
        starts = np.append(0, changes)
        lengths = np.diff(starts, append=readings.size)
        if lengths.max() < CLIP_READINGS:
            continue
        ends = starts + lengths - 1
        spans = times[ends] - times[starts]
        if _restless(lengths, readings.size):
            for name, which in _suspects(readings, starts, lengths, spans):
                marked = np.zeros(values.size, dtype=bool)
                for start, length in zip(starts[which], lengths[which], strict=True):
                    marked[known[start : start + length]] = True
                yield _hit(view, point, name, marked, float(readings[starts[which][0]]))


def _restless(lengths: Floats, size: int) -> bool:
    """Whether readings outside the long stretches mostly differ from the one before."""
    short = lengths[lengths < CLIP_READINGS]
    return bool(short.size >= RESTLESS * short.sum() and short.sum() >= 0.1 * size)


def _suspects(
    readings: Floats, starts: Floats, lengths: Floats, spans: Floats
) -> Iterator[tuple[str, Bools]]:
    """Stretches at the highest and at the lowest number, and long ones anywhere."""
    taken = np.zeros(lengths.size, dtype=bool)
    for extreme in (readings.max(), readings.min()):
        cut = (readings[starts] == extreme) & (lengths >= CLIP_READINGS)
        if cut.sum() < CLIP_RUNS or spans[cut].sum() < CLIP_S:
            continue
        if lengths[cut].sum() >= PILED * _next_to(readings, float(extreme)):
            taken |= cut
            yield "clipped", cut
    stuck = ~taken & (lengths >= LONG_READINGS) & (spans >= LONG_S)
    if stuck.any():
        yield "stuck", stuck


def _next_to(readings: Floats, extreme: float) -> int:
    """How many readings lie next to an extreme, within a few steps of the numbers."""
    away = np.abs(readings - extreme)
    step = float(away[away > 0.0].min(initial=np.inf))
    return int(((away > 0.0) & (away < (NEAR_STEPS + 0.5) * step)).sum())


def _hit(view: View, point: str, name: str, marked: Bools, reading: float) -> Hit:
    begin, end = view.seconds(marked)
    count = int(marked.sum())
    unit = view.sensor(point).quantity.unit
    why = (
        f"is cut off at {reading:g} {unit}, the end of its range"
        if name == "clipped"
        else f"stands still at {reading:g} {unit}"
    )
    return Hit(
        Finding(
            name,
            f"{point} {why}: {count} readings were left out, the first at {begin:.1f} s.",
            point,
            begin,
            end,
            forbids=True,
            evidence={"count": float(count), "reading": reading},
        ),
        marked,
    )
