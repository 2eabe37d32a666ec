"""What the detectors look at: a run's channels as arrays, as bin means, and as groups.

A channel is made on first use and kept until a detector takes readings out of it. All channels of a
run share its rows, so that one set of bins serves them all.
"""

from __future__ import annotations

from functools import cached_property
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.quality.channel import FEW, Bins, Channel
from analysis.signal.order_statistics import median
from analysis.timeline.grid import controls_on
from ingest.arrays import Bools, Floats
from ingest.run import Finding, Run, Sensor
from ingest.saying import Value, amount
from ingest.values import dataclass

OUTLETS: Final = ("outlet", "outlet_defrost", "outlet_panel")
COOLANTS: Final = ("engine_coolant", "coolant_in", "coolant_out")
INDOORS: Final = ("footwell", "cabin")
FRESH_AIR: Final = ("ambient", "inlet_air")
CAR_TEMPERATURES: Final = (*COOLANTS, *OUTLETS, *INDOORS, *FRESH_AIR)

SHORTEST_BIN_S: Final = 1.0
MAX_BINS: Final = 1500


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
    until_changed
        The same, for what must be found again once a detector has taken readings out.
    """

    def __init__(self, run: Run) -> None:
        self.run = run
        self.hits: list[Finding] = []
        self.time: Floats = run.readings["time_s"].to_numpy()
        self._channels: dict[str, Channel] = {}
        self._changed: set[str] = set()
        self.kept: dict[str, object] = {}
        self.until_changed: dict[tuple[str, str], object] = {}

    def sensor(self, point: str) -> Sensor:
        """The sensor of a point."""
        return self.run.sensors[point]

    def channel(self, point: str) -> Channel:
        """What is left of a point's readings."""
        if point not in self._channels:
            values, whole = self.logged(point), self.logged_whole(point)
            self._channels[point] = Channel(values, whole=whole, bins=self._shared_bins)
        return self._channels[point]

    def values(self, point: str) -> Floats:
        """All rows of a point, NaN where there is no valid reading."""
        return self.channel(point).values

    def logged(self, point: str) -> Floats:
        """All rows of a point as the run came, whatever detectors have taken out since."""
        return self.run.readings[self.sensor(point).column].to_numpy()

    def logged_whole(self, point: str) -> bool:
        """Whether the run came with a reading of the point in every row."""
        return self.run.readings[self.sensor(point).column].null_count() == 0

    def touched(self, point: str) -> bool:
        """Whether a detector has taken readings of the point out."""
        return point in self._changed

    def present(self, *points: str) -> list[str]:
        """Those of the points that have at least one valid reading."""
        return [point for point in points if point in self.run.sensors and self.has(point)]

    def has(self, point: str) -> bool:
        """Whether a logged point has a valid reading left."""
        return self.channel(point).has

    def temperatures(self) -> list[str]:
        """Points measuring temperatures in or on the car, the logger's own left out."""
        return self.present(*CAR_TEMPERATURES)

    @cached_property
    def interval(self) -> float:
        """Typical time from row to row, s."""
        stride = 1 + (self.time.size - 1) // FEW
        rows = self.time[::stride]
        return median(rows[1:] - rows[:-1]) / stride

    @cached_property
    def width(self) -> float:
        """Width of the bins, s."""
        span = float(self.time[-1] - self.time[0])
        return max(SHORTEST_BIN_S, span / MAX_BINS)

    @cached_property
    def _bins(self) -> Bins:
        elapsed = self.time - self.time[0]
        elapsed /= self.width
        return Bins.of(elapsed.astype(np.intp))

    def _shared_bins(self) -> Bins:
        return self._bins

    @cached_property
    def bin_time(self) -> Floats:
        """Centers of the bins, s."""
        centers: Floats = (np.arange(self._bins.size) + 0.5) * self.width + self.time[0]
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
        return self.channel(point).means

    def usual(self, point: str) -> float:
        """Median of a point's bin means, NaN where it has no valid reading."""
        return self.channel(point).usual

    def noise(self, point: str) -> float:
        """Standard deviation of a reading's own noise, from second differences."""
        return self.channel(point).noise

    def largest_step(self, point: str) -> float:
        """Largest change from one reading to the next, 0 for fewer than two."""
        return self.channel(point).largest_step

    def reading(self, point: str, value: float) -> Value:
        """A reading of a point as a value of a sentence."""
        return amount(value, "g", self.sensor(point).quantity.unit)

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
        self._channels[point] = Channel(values, whole=False, bins=self._shared_bins)
        self._changed.add(point)
        self.until_changed.clear()

    def assessed(self) -> Run:
        """The run with the findings, without the readings taken out."""
        if not self.hits:
            return self.run
        readings = self.run.readings
        if self._changed:
            readings = readings.with_columns(
                pl.Series(self.sensor(point).column, self.values(point)).fill_nan(None)
                for point in self._changed
            )
        return self.run.with_(readings=readings, findings=(*self.run.findings, *self.hits))


def middle(values: Floats) -> float:
    """Median of the valid values, NaN where there is none."""
    known = values[~np.isnan(values)]
    return median(known) if known.size else float("nan")
