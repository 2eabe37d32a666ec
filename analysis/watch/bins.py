"""Readings second by second: means, how long a point stood still, how long it was silent.

Everything of a bin follows from the readings up to its end.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.signal.order_statistics import median, quantiles
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
    count
        Valid readings so far.
    usual_s
        Longest silence between two readings that ended before the bin, s.
    readings, signal
        The valid readings, stored unit, and what the sensor itself gave; as many as there are.
    """

    means: Floats
    silent_s: Floats
    still_n: Floats
    still_s: Floats
    count: Floats
    usual_s: Floats
    readings: Floats
    signal: Floats

    # the rest is only asked of a point that stood still

    def step(self) -> float:
        """Small change between two readings, stored unit; NaN for none."""
        moved = np.abs(self.readings[1:] - self.readings[:-1])
        moved = moved[moved > 0]
        return quantiles(moved, SMALL)[0] if moved.size else float("nan")

    def longest(self) -> Floats:
        """Longest row of equal readings that ended in the bin or before, readings, shape (n,)."""
        begun, row = _rows_of_equals(self.signal)
        ended = np.concatenate(([0.0], begun[1:] - begun[:-1]))
        return self._at_end(np.maximum.accumulate(ended)[row])

    def turns(self) -> Floats:
        """Readings so far at which the point turned back, shape (n,).

        Noise does that, drift does not. Whether the newest reading did is not yet known.
        """
        steps = self.signal[1:] - self.signal[:-1]
        turned = np.zeros(self.signal.size)
        np.cumsum(steps[1:] * steps[:-1] < 0.0, out=turned[2:])
        return self._at_end(turned)

    def _at_end(self, each: Floats) -> Floats:
        """Numbers by reading at the bins' ends; 0 before the first reading."""
        if not each.size:
            return np.zeros(self.count.size)
        last = np.maximum(self.count.astype(np.intp) - 1, 0)
        return np.where(self.count > 0.0, each[last], 0.0)


def _rows_of_equals(signal: Floats) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First reading of each row of equal ones, and which row each reading is in."""
    changed = signal[1:] != signal[:-1]
    row = np.zeros(signal.size, dtype=np.intp)
    np.cumsum(changed, out=row[1:])
    return np.concatenate(([0], np.flatnonzero(changed) + 1)), row


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
    surprises
        By point, what `analysis.watch.drop.surprises` found, once it was asked for.
    """

    width: float
    ends: Floats
    tracks: Mapping[str, Track]
    moves: tuple[tuple[float, str], ...]
    surprises: dict[str, tuple[Floats, ...]] = field(default_factory=dict)


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
    ends: Floats = time[0] + width * (1.0 + np.arange(int(places[-1]) + 1))
    signals = _own_signals(values, junctions)
    every_row = _Rows(time, places, ends)
    tracks = {}
    for point, found in values.items():
        valid = np.isfinite(found)
        if valid.all():
            tracks[point] = _track(found, signals[point], every_row)
        elif valid.any():
            rows = _Rows(time[valid], places[valid], ends)
            tracks[point] = _track(found[valid], signals[point][valid], rows)
        else:
            tracks[point] = _no_track(ends.size)
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


def _own_signals(
    values: Mapping[str, Floats], junctions: Mapping[str, Junction]
) -> dict[str, Floats]:
    """What the sensors themselves gave: the voltage behind a thermocouple's temperature."""
    signals, cold = dict(values), dict[Junction, Floats]()
    with np.errstate(invalid="ignore"):
        for point, junction in junctions.items():
            if point not in values or junction.point not in values:
                continue
            if junction not in cold:
                cold[junction] = emf(junction.letter, values[junction.point])
            volts = emf(junction.letter, values[point]) - cold[junction]
            signals[point] = np.round(volts / VOLTAGE_STEP_MV) * VOLTAGE_STEP_MV
    return signals


class _Rows:
    """The rows with a reading, and what follows for the bins from their times alone.

    Parameters
    ----------
    at
        Their times, s, shape (n,), n of 1 at least.
    bin_of
        The bin of each, rising.
    ends
        Ends of all bins, s.
    """

    def __init__(self, at: Floats, bin_of: NDArray[np.intp], ends: Floats) -> None:
        self.at = at
        self.bin_of = bin_of
        last = np.searchsorted(bin_of, np.arange(ends.size), side="right") - 1
        self.seen = last >= 0
        # the last reading of every bin, or of the bins before it
        self.last = np.maximum(last, 0)
        self.counts = np.bincount(bin_of, minlength=ends.size)
        self.silent_s = np.where(self.seen, ends - at[self.last], np.inf)
        self.count = self.at_end(self.last + 1.0)
        longest = np.maximum.accumulate(np.diff(at, prepend=at[0]))
        self.usual_s = self.at_end(longest[self.last], np.inf)

    def at_end(self, each: Floats, before: float = 0.0) -> Floats:
        """Numbers by bin; another one before the first reading."""
        return each if self.seen[0] else np.where(self.seen, each, before)

    def means(self, readings: Floats) -> Floats:
        """Means by bin, NaN where there is no reading."""
        with np.errstate(invalid="ignore"):
            sums = np.bincount(self.bin_of, readings, self.counts.size)
            return np.asarray(sums / np.where(self.counts, self.counts, np.nan))


def _track(readings: Floats, signal: Floats, rows: _Rows) -> Track:
    begun, row = _rows_of_equals(signal)
    start = begun[row[rows.last]]
    number = np.asarray(rows.last - start + 1.0, dtype=np.float64)
    return Track(
        means=_held(rows.means(readings)),
        silent_s=rows.silent_s,
        still_n=rows.at_end(number),
        still_s=rows.at_end(rows.at[rows.last] - rows.at[start]),
        count=rows.count,
        usual_s=rows.usual_s,
        readings=readings,
        signal=signal,
    )


def _no_track(size: int) -> Track:
    none, never, empty = np.zeros(size), np.full(size, np.inf), np.zeros(0)
    return Track(np.full(size, np.nan), never, none, none, none, never, empty, empty)


def _held(means: Floats) -> Floats:
    for _ in range(MAX_HELD):
        missing = np.isnan(means)
        if not missing.any():
            break
        gaps = np.flatnonzero(missing[1:] & ~missing[:-1]) + 1
        means[gaps] = means[gaps - 1]
    return means
