"""What the detectors look at: a run's channels as arrays, as bin means, and as groups.

Everything is made on first use and kept until a detector takes readings out. All channels of a run
share its rows, so that one set of bins serves them all.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.grid import controls_on
from ingest.run import Finding, Run, Sensor

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

OUTLETS: Final = ("outlet", "outlet_defrost", "outlet_panel")
COOLANTS: Final = ("engine_coolant", "coolant_in", "coolant_out")
INDOORS: Final = ("footwell", "cabin")
FRESH_AIR: Final = ("ambient", "inlet_air")
CAR_TEMPERATURES: Final = (*COOLANTS, *OUTLETS, *INDOORS, *FRESH_AIR)

SHORTEST_BIN_S: Final = 1.0
MOST_BINS: Final = 1500

FEW: Final = 1500
"""How many readings, evenly taken, stand for a channel where its noise is estimated."""


@dataclass(frozen=True, slots=True)
class Hit:
    """What a detector found, and which readings it takes out.

    Parameters
    ----------
    finding
        For the run's findings; one that forbids has `rows`.
    rows
        Rows of the finding's channel that must not be used; None takes none out.
    """

    finding: Finding
    rows: Bools | None = None


class View:
    """A run prepared for the detectors.

    Parameters
    ----------
    run
        The run, with at least two rows.

    Attributes
    ----------
    hits
        Findings so far.
    time
        Times of the rows, s from engine start.
    kept
        For what several detectors need and nobody else.
    """

    def __init__(self, run: Run) -> None:
        self.run = run
        self.hits: list[Finding] = []
        self.time: Floats = run.readings["time_s"].to_numpy()
        self._values: dict[str, Floats] = {}
        self._has: dict[str, bool] = {}
        self._means: dict[str, Floats] = {}
        self._usual: dict[str, float] = {}
        self._noise: dict[str, float] = {}
        self._steps: dict[str, float] = {}
        self._changed: set[str] = set()
        self.kept: dict[str, object] = {}

    def sensor(self, point: str) -> Sensor:
        """The sensor of a point."""
        return self.run.sensors[point]

    def values(self, point: str) -> Floats:
        """All rows of a point, NaN where there is no valid reading."""
        if point not in self._values:
            self._values[point] = self.logged(point)
        return self._values[point]

    def logged(self, point: str) -> Floats:
        """All rows of a point as the run came, whatever detectors have taken out since."""
        return self.run.readings[self.sensor(point).column].to_numpy()

    def touched(self, point: str) -> bool:
        """Whether a detector has taken readings of the point out."""
        return point in self._changed

    def present(self, *points: str) -> list[str]:
        """Those of the points that have at least one valid reading."""
        return [point for point in points if point in self.run.sensors and self.has(point)]

    def has(self, point: str) -> bool:
        """Whether a logged point has a valid reading left."""
        if point not in self._has:
            self._has[point] = not bool(np.isnan(self.values(point)).all())
        return self._has[point]

    def temperatures(self) -> list[str]:
        """Points measuring temperatures in or on the car, the logger's own left out."""
        return self.present(*CAR_TEMPERATURES)

    @cached_property
    def interval(self) -> float:
        """Typical time from row to row, s."""
        stride = 1 + (self.time.size - 1) // FEW
        return float(np.median(np.diff(self.time[::stride]))) / stride

    @cached_property
    def width(self) -> float:
        """Width of the bins, s."""
        span = float(self.time[-1] - self.time[0])
        return max(SHORTEST_BIN_S, span / MOST_BINS)

    @cached_property
    def _bins(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """First row of each bin that has rows, and the number of that bin."""
        numbers = ((self.time - self.time[0]) / self.width).astype(np.intp)
        starts = np.flatnonzero(np.diff(numbers, prepend=-1))
        return starts, numbers[starts]

    @cached_property
    def bin_time(self) -> Floats:
        """Centers of the bins, s."""
        count = int(self._bins[1][-1]) + 1
        centers: Floats = (np.arange(count) + 0.5) * self.width + self.time[0]
        return centers

    @cached_property
    def _controls(self) -> tuple[dict[str, Floats], NDArray[np.int8]]:
        return controls_on(self.run.controls, self.bin_time)

    @property
    def controls(self) -> dict[str, Floats]:
        """Noted positions of the controls on `bin_time`, by name."""
        return self._controls[0]

    @property
    def mode(self) -> NDArray[np.int8]:
        """The noted mode's index into `MODES` on `bin_time`, -1 where it is not known."""
        return self._controls[1]

    def means(self, point: str) -> Floats:
        """Bin means of a point on `bin_time`, NaN where there is no valid reading."""
        if point not in self._means:
            values = self.values(point)
            starts, numbers = self._bins
            missing = np.isnan(values)
            counts = np.diff(starts, append=values.size).astype(np.float64)
            if missing.any():
                values = np.where(missing, 0.0, values)
                counts -= np.add.reduceat(missing, starts, dtype=np.float64)
            sums = np.add.reduceat(values, starts)
            result = np.full(self.bin_time.size, np.nan)
            with np.errstate(invalid="ignore"):
                result[numbers] = np.where(counts > 0.0, sums / np.maximum(counts, 1.0), np.nan)
            self._means[point] = result
        return self._means[point]

    def usual(self, point: str) -> float:
        """Median of a point's bin means, NaN where it has no valid reading."""
        if point not in self._usual:
            self._usual[point] = middle(self.means(point))
        return self._usual[point]

    def noise(self, point: str) -> float:
        """Standard deviation of a reading's own noise, from second differences.

        The median of their size, so that spikes and steps do not count; the second difference of a
        ramp is 0, and that of white noise has six times its variance.
        """
        if point not in self._noise:
            values = self.values(point)
            start = max(0, (values.size - FEW) // 2)
            few = values[start : start + FEW] if values.size > FEW else values
            few = few[~np.isnan(few)]
            result = 0.0
            if few.size >= 8:
                result = float(np.median(np.abs(np.diff(few, 2)))) / (0.6745 * np.sqrt(6.0))
            self._noise[point] = result
        return self._noise[point]

    def largest_step(self, point: str) -> float:
        """Largest change from one reading to the next, 0 for fewer than two."""
        if point not in self._steps:
            values = self.values(point)
            steps = np.diff(values)
            largest = float(np.fmax.reduce(np.abs(steps))) if steps.size else 0.0
            if np.isnan(largest) or np.isnan(steps).any():
                steps = np.diff(values[~np.isnan(values)])
                largest = float(np.abs(steps).max()) if steps.size else 0.0
            self._steps[point] = largest
        return self._steps[point]

    def seconds(self, rows: Bools) -> tuple[float, float]:
        """Times of the first and the last row marked."""
        first, last = int(rows.argmax()), rows.size - 1 - int(rows[::-1].argmax())
        return float(self.time[first]), float(self.time[last])

    def apply(self, hit: Hit) -> None:
        """Keep a finding; take its rows out."""
        self.hits.append(hit.finding)
        point = hit.finding.channel
        if hit.rows is None or point is None:
            return
        values = self.values(point).copy()
        values[hit.rows] = np.nan
        self._values[point] = values
        self._changed.add(point)
        self._has.pop(point, None)
        self._means.pop(point, None)
        self._usual.pop(point, None)
        self._noise.pop(point, None)
        self._steps.pop(point, None)
        self.kept.pop(f"rise of {point}", None)

    def assessed(self) -> Run:
        """The run with the findings, without the readings taken out."""
        if not self.hits:
            return self.run
        readings = self.run.readings.with_columns(
            pl.Series(self.sensor(point).column, self._values[point]).fill_nan(None)
            for point in self._changed
        )
        return self.run.with_(readings=readings, findings=(*self.run.findings, *self.hits))


def middle(values: Floats) -> float:
    """Median of the valid values, NaN where there is none."""
    known = values[~np.isnan(values)]
    return float(np.median(known)) if known.size else float("nan")


def runs_of(marked: Bools) -> list[tuple[int, int]]:
    """Half-open stretches in which all are marked."""
    edges = np.flatnonzero(np.diff(marked.astype(np.int8), prepend=0, append=0))
    return list(zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True))
