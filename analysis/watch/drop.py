"""A temperature that leaves its place for other air, with no control moved.

A sensor that comes off its place relaxes towards the air it then hangs in, at once at its fastest
(first-order response). What a car does by itself is slower, is announced by a control, is seen by
the sensors up- and downstream too, or has been seen before in this very run: a fluctuating outlet
fluctuated already. So the reading is held against the straight line of the half minute before, and
the difference against what the channel did in the last minutes.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.signal.order_statistics import trailing_max
from analysis.watch.bins import Seconds
from analysis.watch.places import (
    INDOORS,
    LEAST_K,
    RELATED,
    UPWARDS,
    WAYS,
    cooler_there,
    moved_by,
    settle_s,
    speed_factor,
    warmer_there,
)
from ingest.arrays import Bools, Floats
from ingest.values import dataclass

LINE: Final = 30
"""Bins of the straight line."""

AHEAD: Final = (3, 6, 9)
"""How many bins past its end the line is drawn."""

LAG: Final = AHEAD[-1] + 1

_PLACES: Final = np.arange(LINE) - (LINE - 1) / 2.0
_LEAST_SQUARES: Final = (np.full(LINE, 1.0 / LINE), _PLACES / float(_PLACES @ _PLACES))
"""Weights of a line's points in its value in their middle, and in its slope."""

KNOWN: Final = 300
"""Bins back in which the largest move by itself is looked for ..."""

TIMES: Final = 2.0
"""... and how many times as large as that one a move must be."""

FEW: Final = 60
"""With fewer bins to go by, twice the least change is asked for."""

FOLLOWED: Final = 0.3
"""A related point that moves the same way by this share: the car did it, not the sensor."""

HOLD: Final = 3
"""Bins a departure must last: a note made three seconds late still comes in time."""

LATE_S: Final = 3.0
"""A control may have been moved this long before it was noted."""


@dataclass(frozen=True, slots=True)
class Departure:
    """A point left its line.

    Parameters
    ----------
    bin
        When it could be noticed.
    onset
        When it began, a bin.
    by
        How far it is off the line, stored unit; negative for down.
    before
        Level it left.
    """

    bin: int
    onset: int
    by: float
    before: float


def departures(seconds: Seconds, point: str) -> Iterator[Departure]:
    """Departures of a point, each where it is first noticed.

    Parameters
    ----------
    seconds
        The recording.
    point
        A temperature of the car.
    """
    own = surprises(seconds, point)
    upwards = UPWARDS if point in INDOORS else 1.0
    ways, least = WAYS[point], LEAST_K[point]
    with np.errstate(invalid="ignore"):
        # no limit is below the least change: hardly any point needs the others
        crossed: Bools = np.asarray(((own <= -least) | (own >= upwards * least)).any(axis=0))
        if not crossed.any():
            return
        masked = masked_bins(seconds, point)
        if not (crossed & ~masked).any():
            return
        crossed[:] = False
        pace = speed_factor(seconds, point)
        limits = [_limit(each, masked, least) * pace for each in own]
        if "down" in ways:
            cooler = cooler_there(seconds, point)
            for each, limit in zip(own, limits, strict=True):
                crossed |= (each <= -limit) & cooler
        if "up" in ways:
            warmer = warmer_there(seconds, point)
            for each, limit in zip(own, limits, strict=True):
                crossed |= (each >= upwards * limit) & warmer
    if not crossed.any():
        return
    crossed &= ~masked
    held = crossed.copy()
    for back in range(1, HOLD):
        held[back:] &= crossed[:-back]
        held[:back] = False
    for place in np.flatnonzero(held):
        if held[place - 1]:
            continue
        found = _described(seconds, point, int(place), own)
        if not _followed(seconds, point, found):
            yield found


def _described(seconds: Seconds, point: str, place: int, own: Floats) -> Departure:
    sizes = [0.0 if np.isnan(each[place]) else float(each[place]) for each in own]
    by = max(sizes, key=abs)
    means = seconds.tracks[point].means
    onset = place
    least = 0.25 * abs(by)
    while onset > place - AHEAD[-1] and onset > 0 and abs(means[place] - means[onset - 1]) > 0:
        if abs(_since(own, onset)) < least:
            break
        onset -= 1
    before = means[max(0, onset - 3) : onset + 1]
    return Departure(place, onset, by, float(np.nanmean(before)))


def _since(own: Floats, place: int) -> float:
    known = [float(each[place]) for each in own if not np.isnan(each[place])]
    return max(known, key=abs, default=0.0)


def _followed(seconds: Seconds, point: str, found: Departure) -> bool:
    """Whether a related point goes the same way by a fair share."""
    for other in RELATED[point]:
        if other not in seconds.tracks:
            continue
        for each in surprises(seconds, other):
            near = each[found.onset : found.bin + 1]
            near = near[~np.isnan(near)] * np.sign(found.by)
            if near.size and near.max() >= max(FOLLOWED * abs(found.by), 0.5 * LEAST_K[other]):
                return True
    return False


def surprises(seconds: Seconds, point: str) -> Floats:
    """How far a point is off the line through what it read before, for each of `AHEAD`.

    Shape (lengths, bins).
    """
    if point not in seconds.surprises:
        seconds.surprises[point] = _surprises(seconds.tracks[point].means)
    return seconds.surprises[point]


def _surprises(means: Floats) -> Floats:
    """How far each bin is off the lines through the bins up to so many before it as `AHEAD` says.

    All are drawn from one mean and one slope (least squares) of each `LINE` bins.
    """
    found = np.full((len(AHEAD), means.size), np.nan)
    if means.size < LINE + AHEAD[0]:
        return found
    level, slope = (np.correlate(means, weights, mode="valid") for weights in _LEAST_SQUARES)
    for ahead, result in zip(AHEAD, found, strict=True):
        first = LINE - 1 + ahead
        if means.size > first:
            drawn = level[:-ahead] + (_PLACES[-1] + ahead) * slope[:-ahead]
            np.subtract(means[first:], drawn, out=result[first:])
    return found


def _limit(found: Floats, masked: Bools, least: float) -> Floats:
    """What a move must exceed, bin by bin, by what was seen until ten bins before."""
    usable = ~np.isnan(found) & ~masked
    count: Floats = np.zeros(usable.size)
    count[LAG:] = np.cumsum(usable)[:-LAG]
    floor = np.where(count < FEW, 2.0 * least, least)
    return np.asarray(np.maximum(floor, TIMES * largest_before(found, masked)))


def largest_before(found: Floats, but: Bools, known: int = KNOWN) -> Floats:
    """Largest of the `known` bins until ten before each bin, in size; `but` left out."""
    usable = ~np.isnan(found) & ~but
    size = trailing_max(np.where(usable, np.abs(found), 0.0), known)
    return np.concatenate((np.zeros(LAG), size))[: usable.size]


def masked_bins(seconds: Seconds, point: str) -> Bools:
    """Bins in which a control that reaches a point was just moved."""
    masked = np.zeros(seconds.ends.size, dtype=bool)
    reached = [
        (at - LATE_S, at + settle_s(control, point))
        for at, control in seconds.moves
        if point in moved_by(control)
    ]
    if reached:
        for low, high in np.searchsorted(seconds.ends, reached).tolist():
            masked[low : high + 1] = True
    return masked
