"""The one data model: a run, its sensors, its controls and what was found wrong with it.

Everything downstream takes a `Run`, whether it came from a file, a port or the store.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import field
from datetime import datetime
from typing import TYPE_CHECKING

from ingest.points import Quantity
from ingest.values import dataclass

if TYPE_CHECKING:
    import numpy as np
    import polars as pl
    from numpy.typing import NDArray

    from ingest.setup.model import Setup


@dataclass(frozen=True, slots=True)
class Finding:
    """Something worth saying about the data, with where and when.

    Parameters
    ----------
    fault
        Name of the kind of finding, lower case with underscores (``gap``, ``open``, ``reversed``).
    detail
        One sentence for a technician, with the numbers in it.
    channel
        The measuring point, or None where it concerns the whole log.
    from_s, to_s
        First and last time concerned, s from engine start; None where it is the whole run.
    forbids
        True where the readings concerned must not be used (they have been set to null).
    evidence
        The numbers behind the sentence.
    """

    fault: str
    detail: str
    channel: str | None = None
    from_s: float | None = None
    to_s: float | None = None
    forbids: bool = False
    evidence: Mapping[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Rejected:
    """A row, cell or event that could not be used, kept so that nothing is lost.

    Parameters
    ----------
    file
        Name of the file.
    line
        1-based line in the file, 0 where it is not known.
    text
        The text as it stood (cut at 200 characters).
    reason
        Why it was not used.
    """

    file: str
    line: int
    text: str
    reason: str


@dataclass(frozen=True, slots=True)
class ErrorSource:
    """One systematic contribution to a sensor's error; it does not average down.

    Two sensors that name the same source share its error (a common cold junction), so it cancels
    in their difference. The standard uncertainty at reading `x` is
    ``u + slope * (x - at)`` with its sign kept; use one source for the part that is constant and
    another for the part that grows.

    Parameters
    ----------
    name
        Identity of the source, e.g. ``tolerance of outlet`` or ``cold junction cold_junction``.
    u
        Standard uncertainty (k = 1) at reading `at`, in the sensor's stored unit.
    slope
        Change of that uncertainty per stored unit of reading.
    at
        The reading `u` belongs to.
    """

    name: str
    u: float
    slope: float = 0.0
    at: float = 0.0


@dataclass(frozen=True, slots=True)
class Sensor:
    """What is known of one measuring point's sensor.

    Parameters
    ----------
    point
        The measuring point (key of the set-up's channel).
    column
        Its column in the readings, e.g. ``outlet_degC``.
    quantity
        What it measures and the stored unit.
    kind
        The set-up's sensor word (``thermocouple``, ``pressure`` ...).
    source
        The log's own column, as the set-up names it.
    errors
        Systematic error sources.
    resolution
        Smallest step of the logged values, in the stored unit; 0 where it is not known.
    time_constant
        The sensor's own first-order lag, s; None where it was not given.
    cold_junction
        Measuring point used as cold junction, or None.
    offset
        Correction already added to the readings (from the cold soak), in the stored unit.
    """

    point: str
    column: str
    quantity: Quantity
    kind: str
    source: str
    errors: tuple[ErrorSource, ...] = ()
    resolution: float = 0.0
    time_constant: float | None = None
    cold_junction: str | None = None
    offset: float = 0.0


@dataclass(frozen=True)
class Run:
    """A calibrated, aligned run. Frozen: every step makes a new one.

    Parameters
    ----------
    setup
        The validated run.toml.
    readings
        ``time_s`` (Float64, s from engine start, strictly increasing) and one Float64 column a
        measuring point in its stored unit; null where there is no valid reading.
    controls
        ``time_s`` (Float64, sorted), ``control`` (String), ``position`` (String as noted),
        ``value`` (Float64, null for words). Positions hold until the same control's next event.
        ``engine`` start and stop have values 1 and 0.
    sensors
        By measuring point.
    findings
        What ingest found; the quality detectors add theirs.
    rejected
        Every row, cell or event not used, up to the reader's cap.
    rejected_count
        How many there were in all.
    sha256
        Hex digest of every raw file, by file name.
    started
        Wall clock of the log's first sample where it is known.
    engine_start_s
        Log time of the engine start that `time_s` counts from.
    name
        Short name for screens: the run folder's name.
    """

    setup: Setup
    readings: pl.DataFrame
    controls: pl.DataFrame
    sensors: Mapping[str, Sensor]
    findings: tuple[Finding, ...] = ()
    rejected: tuple[Rejected, ...] = ()
    rejected_count: int = 0
    sha256: Mapping[str, str] = field(default_factory=dict)
    started: datetime | None = None
    engine_start_s: float = 0.0
    name: str = ""

    @property
    def duration_s(self) -> float:
        """Time from the first to the last reading, s (0 for fewer than two)."""
        if self.readings.height < 2:
            return 0.0
        time = self.readings["time_s"]
        return float(time[-1] - time[0])

    def has(self, point: str) -> bool:
        """Whether the point is logged and has at least one valid reading."""
        sensor = self.sensors.get(point)
        return sensor is not None and (
            self.readings[sensor.column].null_count() < self.readings.height
        )

    def series(self, point: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Times (s from engine start) and valid readings of one point, without its nulls.

        Raises
        ------
        KeyError
            Where the run has no such point.
        """
        column = self.sensors[point].column
        if self.readings[column].null_count() == 0:
            return self.readings["time_s"].to_numpy(), self.readings[column].to_numpy()
        pair = self.readings.select("time_s", column).drop_nulls()
        return pair["time_s"].to_numpy(), pair[column].to_numpy()

    def with_(self, **changes: object) -> Run:
        """Copy with some fields replaced (`dataclasses.replace`)."""
        return dataclasses.replace(self, **changes)  # type: ignore[arg-type]
