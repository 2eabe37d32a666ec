"""Readings second by second: means, how long a point stood still, how long it was silent.

Everything of a bin follows from the readings up to its end.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import field
from functools import cache, cached_property, partial
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.signal.order_statistics import median, quantiles
from ingest.arrays import Bools, Floats
from ingest.sensors.thermocouple import Letter, emf
from ingest.values import dataclass

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


STILL_N: Final = 7
STILL_S: Final = 6.0
"""At least so many equal readings over so long a time are looked at as a standstill."""


class Track:
    """One point, bin by bin; what is asked of hardly any point is worked out when it is asked for.

    Parameters
    ----------
    readings
        The valid readings, stored unit, as many as the rows.
    own
        What the sensor itself gave.
    rows
        Where they lie.

    Attributes
    ----------
    means
        Mean reading, stored unit; NaN where there is none and none was just before, shape (n,).
    """

    def __init__(self, readings: Floats, own: Own, rows: Rows) -> None:
        self.readings, self._own, self._rows = readings, own, rows
        self.means = _held(rows.means(readings))

    @property
    def silent_s(self) -> Floats:
        """Time since the last valid reading, s; infinite before the first, shape (n,)."""
        return self._rows.silent_s

    @property
    def usual_s(self) -> Floats:
        """Longest silence between two readings that ended before the bin, s, shape (n,)."""
        return self._rows.usual_s

    @property
    def count(self) -> Floats:
        """Valid readings so far, shape (n,)."""
        return self._rows.count

    @cached_property
    def signal(self) -> Floats:
        """What the sensor itself gave, reading by reading."""
        return self._own.at(slice(None))

    @cached_property
    def _equals(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """First reading of each row of equal ones, and which row each reading is in."""
        changed = self.signal[1:] != self.signal[:-1]
        row = np.zeros(self.signal.size, dtype=np.intp)
        np.cumsum(changed, out=row[1:])
        return np.concatenate(([0], np.flatnonzero(changed) + 1)), row

    @cached_property
    def still_n(self) -> Floats:
        """Readings in a row that were the same at the bin's end, shape (n,)."""
        if not self.readings.size:
            return np.zeros(self.means.size)
        begun, row = self._equals
        last = self._rows.last
        return self._rows.at_end(np.asarray(last - begun[row[last]] + 1.0, dtype=np.float64))

    @cached_property
    def still_s(self) -> Floats:
        """For how long they were, s, shape (n,)."""
        if not self.readings.size:
            return np.zeros(self.means.size)
        begun, row = self._equals
        at, last = self._rows.at, self._rows.last
        return self._rows.at_end(at[last] - at[begun[row[last]]])

    @cached_property
    def stood(self) -> Bools:
        """Whether `STILL_N` readings were the same for `STILL_S` at the bin's end, shape (n,)."""
        if not self._may_stand():
            return np.zeros(self.means.size, dtype=bool)
        return np.asarray((self.still_n >= STILL_N) & (self.still_s >= STILL_S))

    def _may_stand(self) -> bool:
        """Whether some bins' last readings allow for a standstill; nearly always none do.

        A standstill holds the last readings of the bins that ended in it, so that of every second
        of those that fit into the shortest, and of all between, the signal is the same.
        """
        if not self.readings.size:
            return False
        step = int(STILL_S / self._rows.width) // 2
        last, at = self._rows.last, self._rows.at
        if step < 1 or last.size <= step:
            return True
        few = last[::step]
        here, times = self._own.at(few), at[few]
        may = (here[1:] == here[:-1]) | (times[1:] - times[:-1] >= STILL_S)
        places = step * (1 + np.flatnonzero(may))
        if not places.size or step == 1:
            return bool(places.size)
        each = last[places[:, None] - np.arange(step)]
        here, times = self._own.at(each), at[each]
        may = (here[:, 1:] == here[:, :1]) | (times[:, :1] - times[:, 1:] >= STILL_S)
        return bool(may.all(axis=1).any())

    def step(self) -> float:
        """Small change between two readings, stored unit; NaN for none."""
        moved = np.abs(self.readings[1:] - self.readings[:-1])
        moved = moved[moved > 0]
        return quantiles(moved, SMALL)[0] if moved.size else float("nan")

    def longest(self) -> Floats:
        """Longest row of equal readings that ended in the bin or before, readings, shape (n,)."""
        begun, row = self._equals
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
            return np.zeros(self.means.size)
        last = np.maximum(self.count.astype(np.intp) - 1, 0)
        return np.where(self.count > 0.0, each[last], 0.0)


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
    surprises: dict[str, Floats] = field(default_factory=dict)


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
    steps = time[1:] - time[:-1]
    if steps.max() <= WIDTH_S:  # as nearly always: the usual one need not be sought
        return WIDTH_S
    usual = median(steps)
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
    every_row = Rows(time, places, ends, width)
    own_of = _owners(values, junctions)
    tracks = {}
    for point, found in values.items():
        own = own_of(point)
        valid = np.isfinite(found)
        if valid.all():
            tracks[point] = Track(found, own, every_row)
        else:
            rows = Rows(time[valid], places[valid], ends, width)
            tracks[point] = Track(found[valid], own.where(valid), rows)
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


@dataclass(frozen=True, slots=True, eq=False)
class Own:
    """What a sensor itself gave: its readings, or the voltage behind a thermocouple's temperature.

    Parameters
    ----------
    readings
        Stored unit, shape (n,).
    letter, cold
        Type of a thermocouple whose cold junction was logged, and what gives that one's emf, mV,
        shape (n,); None for others.
    """

    readings: Floats
    letter: Letter | None = None
    cold: Callable[[], Floats] | None = None

    def where(self, valid: Bools) -> Own:
        """Of some readings alone."""
        cold = self.cold
        kept = None if cold is None else lambda: cold()[valid]
        return Own(self.readings[valid], self.letter, kept)

    def at(self, places: NDArray[np.intp] | slice) -> Floats:
        """Its signal at some readings."""
        readings = self.readings[places]
        if self.letter is None or self.cold is None:
            return readings
        with np.errstate(invalid="ignore"):
            volts = emf(self.letter, readings) - self.cold()[places]
            return np.asarray(np.round(volts / VOLTAGE_STEP_MV) * VOLTAGE_STEP_MV)


def _owners(
    values: Mapping[str, Floats], junctions: Mapping[str, Junction]
) -> Callable[[str], Own]:
    """Gives what a point's sensor itself gave; points of one cold junction share its emf."""

    @cache
    def cold(junction: Junction) -> Floats:
        with np.errstate(invalid="ignore"):
            return emf(junction.letter, values[junction.point])

    def own(point: str) -> Own:
        junction = junctions.get(point)
        if junction is None or junction.point not in values:
            return Own(values[point])
        return Own(values[point], junction.letter, partial(cold, junction))

    return own


class Rows:
    """The rows with a reading, and what follows for the bins from their times alone.

    Parameters
    ----------
    at
        Their times, s, shape (n,).
    bin_of
        The bin of each, rising.
    ends
        Ends of all bins, s.
    width
        Of a bin, s.
    """

    def __init__(self, at: Floats, bin_of: NDArray[np.intp], ends: Floats, width: float) -> None:
        self.at, self.width = at, width
        last = np.searchsorted(bin_of, np.arange(ends.size), side="right") - 1
        counts = last + 1
        counts[1:] -= last[:-1] + 1
        self._filled = counts > 0
        self._first, self._counts = (last + 1 - counts)[self._filled], counts[self._filled]
        self._seen = last >= 0
        # the last reading of every bin, or of the bins before it
        self.last = np.maximum(last, 0)
        if at.size:
            self.silent_s = np.where(self._seen, ends - at[self.last], np.inf)
        else:
            self.silent_s = np.full(ends.size, np.inf)
        self.count = np.asarray(last + 1.0)

    @cached_property
    def usual_s(self) -> Floats:
        """Longest silence between two readings that ended before the bin, s."""
        if not self.at.size:
            return np.full(self.last.size, np.inf)
        longest = np.maximum.accumulate(np.diff(self.at, prepend=self.at[0]))
        return self.at_end(longest[self.last], np.inf)

    def at_end(self, each: Floats, before: float = 0.0) -> Floats:
        """Numbers by bin; another one before the first reading."""
        return each if self._seen[0] else np.where(self._seen, each, before)

    def means(self, readings: Floats) -> Floats:
        """Means by bin, NaN where there is no reading."""
        result = np.full(self._filled.size, np.nan)
        if readings.size:
            result[self._filled] = np.add.reduceat(readings, self._first) / self._counts
        return result


def _held(means: Floats) -> Floats:
    for _ in range(MAX_HELD):
        missing = np.isnan(means)
        if not missing.any():
            break
        gaps = np.flatnonzero(missing[1:] & ~missing[:-1]) + 1
        means[gaps] = means[gaps - 1]
    return means
