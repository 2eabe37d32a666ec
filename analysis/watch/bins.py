"""Readings second by second: means, how long a point stood still, how long it was silent.

Everything of a bin follows from the readings up to its end.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from analysis.signal.order_statistics import median
from ingest.arrays import Floats
from ingest.sensors.thermocouple import Letter, emf

if TYPE_CHECKING:
    from ingest.setup.model import Setup

SHOWN_BY: Final[dict[str, tuple[str, float]]] = {
    "temp_lever": ("temp_lever", 2.0),
    "blower_voltage": ("blower", 0.5),
    "engine_speed": ("engine", 100.0),
}
"""Channels that show a control's move, and by how much they then change, stored unit."""

WIDTH_S: Final = 1.0
SLOWEST_S: Final = 4.0
"""A logger slower than this cannot be judged within ten seconds."""

SMALL: Final = 0.2
"""Quantile of the changes that stands for the step of the numbers: damaged digits change less."""

MAX_HELD: Final = 2
"""Bins without a reading that take over the one before: a logger's clock that jitters."""

VOLTAGE_STEP_MV: Final = 1e-5
"""Voltages are compared to a hundredth of a microvolt; no logger resolves that."""


@dataclass(frozen=True, slots=True)
class Junction:
    """How a thermocouple's own voltage is had back from its temperature.

    Parameters
    ----------
    letter
        Its type.
    point
        Measuring point of its cold junction.
    """

    letter: Letter
    point: str


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """One point, bin by bin; all of shape (n,).

    Parameters
    ----------
    means
        Mean reading, stored unit; NaN where there is none and none was just before.
    silent_s
        Time since the last valid reading, s; infinite before the first.
    still_n, still_s
        Readings in a row that were the same at the bin's end, and for how long, s.
    longest
        Longest such row that ended in the bin or before, readings.
    turns
        Readings so far at which the point turned back: noise does that, drift does not.
    count
        Valid readings so far.
    usual_s
        Longest silence between two readings that ended before the bin, s.
    step
        Small change between two readings, stored unit; NaN for none.
    """

    means: Floats
    silent_s: Floats
    still_n: Floats
    still_s: Floats
    longest: Floats
    turns: Floats
    count: Floats
    usual_s: Floats
    step: float


@dataclass(frozen=True, slots=True, eq=False)
class Seconds:
    """A stretch of a recording, binned.

    Parameters
    ----------
    width
        Of a bin, s.
    ends
        Ends of the bins, s, shape (n,).
    tracks
        By measuring point.
    moves
        Times and names of the controls that were moved, in order.
    """

    width: float
    ends: Floats
    tracks: Mapping[str, Track]
    moves: tuple[tuple[float, str], ...]


VOLTS: Final = frozenset({"mV", "uV", "µV", "V"})


def junctions_of(setup: Setup) -> dict[str, Junction]:
    """The thermocouples of a set-up whose voltage is logged beside a cold junction of its own."""
    return {
        point: Junction(table.type, table.cold_junction)
        for point, table in setup.channels.items()
        if isinstance(table.cold_junction, str)
        and table.cold_junction in setup.channels
        and table.unit in VOLTS
    }


def width_for(time: Floats) -> float | None:
    """Width of bins for rows at these times, s; None where they come too slowly, or hardly any."""
    if time.size < 2:
        return None
    usual = median(np.diff(time))
    return None if usual > SLOWEST_S else max(WIDTH_S, usual)


def make_seconds(
    time: Floats,
    values: Mapping[str, Floats],
    moves: Iterable[tuple[float, str]],
    junctions: Mapping[str, Junction],
    width: float,
) -> Seconds:
    """Bin rows of readings.

    Parameters
    ----------
    time
        Rising, s, shape (m,).
    values
        By point, shape (m,); NaN where there is no valid reading.
    moves
        Control events: time, control.
    junctions
        Thermocouples with a logged cold junction.
    width
        Of a bin, s.
    """
    places = ((time - time[0]) / width).astype(np.intp)
    size = int(places[-1]) + 1
    ends: Floats = time[0] + width * (1.0 + np.arange(size))
    tracks = {}
    for point, found in values.items():
        own = _own_signal(point, values, junctions)
        tracks[point] = _track(time, found, own, places, ends)
    seen = [*moves, *_moves_seen(ends, tracks)]
    return Seconds(width, ends, tracks, tuple(sorted(seen)))


def _moves_seen(ends: Floats, tracks: Mapping[str, Track]) -> Iterator[tuple[float, str]]:
    """Moves of controls that the log itself shows."""
    for point, (control, least) in SHOWN_BY.items():
        if point not in tracks:
            continue
        means = tracks[point].means
        with np.errstate(invalid="ignore"):
            if control == "engine":
                moved = (means[1:] > least) != (means[:-1] > least)
            else:
                moved = np.abs(np.diff(means)) > least
        for place in np.flatnonzero(moved):
            yield float(ends[place]), control


def _own_signal(
    point: str, values: Mapping[str, Floats], junctions: Mapping[str, Junction]
) -> Floats:
    """What the sensor itself gave: the voltage behind a thermocouple's temperature."""
    junction = junctions.get(point)
    if junction is None or junction.point not in values:
        return values[point]
    with np.errstate(invalid="ignore"):
        volts = emf(junction.letter, values[point]) - emf(junction.letter, values[junction.point])
    return np.asarray(np.round(volts / VOLTAGE_STEP_MV) * VOLTAGE_STEP_MV)


def _track(
    time: Floats, values: Floats, own: Floats, places: NDArray[np.intp], ends: Floats
) -> Track:
    known = np.flatnonzero(np.isfinite(values))
    if not known.size:
        return _no_track(ends.size)
    readings, signal, at, bin_of = values[known], own[known], time[known], places[known]
    # the last reading of every bin, or of the bins before it
    last = np.searchsorted(bin_of, np.arange(ends.size), side="right") - 1
    seen = last >= 0
    last = np.maximum(last, 0)
    change = np.concatenate(([True], signal[1:] != signal[:-1]))
    number = np.arange(signal.size)
    starts = np.maximum.accumulate(np.where(change, number, 0))
    row = number - starts + 1.0
    ended = np.concatenate(([0.0], np.where(change[1:], row[:-1], 0.0)))
    moved = np.abs(np.diff(readings))
    moved = moved[moved > 0]

    def at_end(each: NDArray[np.floating[Any]], before: float = 0.0) -> Floats:
        return np.asarray(np.where(seen, each[last], before))

    return Track(
        means=_held(_means(readings, bin_of, ends.size)),
        silent_s=np.where(seen, ends - at[last], np.inf),
        still_n=at_end(row),
        still_s=at_end(np.asarray(at - at[starts])),
        longest=at_end(np.maximum.accumulate(ended)),
        turns=at_end(np.cumsum(_turned(signal))),
        count=at_end(number + 1.0),
        usual_s=at_end(np.maximum.accumulate(np.diff(at, prepend=at[0])), np.inf),
        step=float(np.quantile(moved, SMALL)) if moved.size else float("nan"),
    )


def _no_track(size: int) -> Track:
    none, never = np.zeros(size), np.full(size, np.inf)
    return Track(
        np.full(size, np.nan), never, none, none, none, none, none, never, float("nan")
    )  # fmt: skip


def _turned(signal: Floats) -> Floats:
    """1 at every reading known to have turned back; the newest is not yet known."""
    turned = np.zeros(signal.size)
    steps = np.diff(signal)
    turned[2:] = steps[1:] * steps[:-1] < 0
    return turned


def _means(readings: Floats, bin_of: NDArray[np.intp], size: int) -> Floats:
    counts = np.bincount(bin_of, minlength=size)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.bincount(bin_of, readings, size) / np.where(counts, counts, np.nan))


def _held(means: Floats) -> Floats:
    for _ in range(MAX_HELD):
        gaps = np.flatnonzero(np.isnan(means[1:]) & ~np.isnan(means[:-1])) + 1
        means[gaps] = means[gaps - 1]
    return means
