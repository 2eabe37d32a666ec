"""Cells of one column that name different units: all brought to the one that most of them name.

An instrument that chooses its range writes ``9.198 V`` in one row and ``870 mV`` in the next.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from ingest.findings import finding
from ingest.run import Finding
from ingest.sensors.units import UnknownUnit, conversion
from ingest.values import dataclass

MIXED_CELL_UNITS: Final = finding(
    "mixed_cell_units",
    "cells carry different units: {listed}; {done}",
    do="Set the logger to one unit for this column.",
)


@dataclass(frozen=True, slots=True)
class CommonUnit:
    """What brings a column's cells to one unit.

    Parameters
    ----------
    unit
        The unit most cells name.
    ways
        Factor and offset from each other unit to it, or None where there is no way.
    """

    unit: str
    ways: Mapping[str, tuple[float, float] | None]

    def value(self, value: float, unit: str) -> float | None:
        """A cell's number in the common unit; None where its own unit measures something else."""
        if not unit or unit == self.unit:
            return value
        way = self.ways[unit]
        return None if way is None else value * way[0] + way[1]


def common_unit(counts: Mapping[str, int]) -> CommonUnit | None:
    """Choose the unit most cells name; None where they name no more than one."""
    if len(counts) < 2:
        return None
    unit = max(counts, key=lambda each: counts[each])
    return CommonUnit(unit, {other: _way(other, unit) for other in counts if other != unit})


def _way(from_unit: str, to_unit: str) -> tuple[float, float] | None:
    try:
        first, last = (conversion(unit, "temperature") for unit in (from_unit, to_unit))
    except UnknownUnit:
        return None
    if first.dimension != last.dimension or first.reference != last.reference:
        return None
    return first.factor / last.factor, (first.offset - last.offset) / last.factor


def unit_finding(counts: Mapping[str, int], common: CommonUnit) -> Finding:
    """Say which units were met and what became of them."""
    listed = ", ".join(f"{unit} ({count})" for unit, count in counts.items())
    lost = [unit for unit, way in common.ways.items() if way is None]
    done = f"all were taken to {common.unit}"
    if lost:
        done = f"taken to {common.unit}, those in {', '.join(lost)} set aside"
    return MIXED_CELL_UNITS.found(listed=listed, done=done)
