"""The newest reading of each measuring point in stored units, without loading the run again."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

import numpy as np

from ingest.errors import UnusableRun
from ingest.sensors.calibrate import RawChannel, calibrate
from ingest.table.units import split_unit
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.record.wire.deriver import Latest
    from ingest.setup.model import Setup

STALE_S: Final = 5.0
"""A point without a new reading for so long is not read any more."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A point's newest reading.

    Parameters
    ----------
    value
        In its stored unit; None where the cell holds no number or the sensor is out of range.
    unit
        The stored unit.
    age_s
        Time since it was received, s.
    text
        The cell as received.
    """

    value: float | None
    unit: str
    age_s: float
    text: str

    @property
    def fresh(self) -> bool:
        """Whether it may be taken for what is so now."""
        return self.value is not None and self.age_s <= STALE_S


class LatestReadings:
    """Converts the newest cells by a set-up, as the loader would.

    Parameters
    ----------
    setup
        The set-up.
    """

    def __init__(self, setup: Setup) -> None:
        self._setup = setup
        self._decimal = setup.log.decimal
        self._unusable: frozenset[str] = frozenset()

    def read(self, cells: Mapping[str, Latest], now_s: float) -> dict[str, Reading]:
        """Readings by measuring point; points never received are left out.

        Parameters
        ----------
        cells
            Newest cell by the log's column.
        now_s
            Time on the same clock, s.
        """
        names = list(cells)
        numbered = {name.strip(): name for name in names}
        found: dict[str, Latest] = {}
        raw: dict[str, RawChannel] = {}
        for point, table in self._setup.channels.items():
            if table.column is None:  # a thermometer that was read once
                continue
            name = (
                numbered.get(table.column.strip())
                if isinstance(table.column, str)
                else (names[table.column - 1] if table.column <= len(names) else None)
            )
            if name is None or point in self._unusable:
                continue
            cell = cells[name]
            found[point] = cell
            unit = split_unit(name)[1]
            raw[point] = RawChannel(np.array([self._number(cell.text)]), unit, name)
        if not raw:
            return {}
        try:
            made = calibrate(self._setup, raw, log_file=self._setup.log.file)
        except UnusableRun as error:
            # channels whose unit only the log itself gives show up with the figures instead
            broken = {
                point for point in raw if any(f".{point}]" in fault.where for fault in error.faults)
            }
            self._unusable = self._unusable | (frozenset(broken) or frozenset(raw))
            return {}
        result = {}
        for point, values in made.readings.items():
            value = float(values[0])
            sensor = made.sensors[point]
            result[point] = Reading(
                value if math.isfinite(value) else None,
                sensor.quantity.unit,
                max(0.0, now_s - found[point].host_s),
                found[point].text.strip(),
            )
        return result

    def _number(self, text: str) -> float:
        text = text.strip()
        if self._decimal == "," or ("," in text and "." not in text):
            text = text.replace(",", ".")
        try:
            return float(text)
        except ValueError:
            return math.nan
