"""How blower, engine and car ran while the outlet was judged, and what that does to the figures."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.signal.order_statistics import median
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.causes.knowledge import FigureScale
    from analysis.measured import Measured
    from ingest.arrays import Floats

MOST: Final = 3.0
"""Settings further apart than this, as a ratio, are not brought to each other."""

AIR_SHARE: Final = 0.4
"""What the blower's setting does to a figure is known to this share of itself (k = 1; common
practice, no source): steps are not even, and voltages are not speeds."""

PUMP_SHARE: Final = 0.5
"""The same of the engine's speed: a pump on the crankshaft moves coolant in proportion to it
(affinity laws; from memory), an electric one does not."""

PUMP_UNKNOWN: Final = 0.4
"""Standard deviation of the logarithm of an engine speed that was not logged: from idling to the
highway it triples (common practice, no source)."""

ROAD_UNKNOWN: Final = 10.0
"""How far a road speed that was not logged may lie from good cars' that were, m/s (k = 1): from
standing to the highway it is 30 (common practice, no source)."""

UNEVEN_UNKNOWN: Final = 5.0
"""Scatter of a road speed that was not logged, m/s: town traffic (common practice, no source)."""

STOOD_M_S: Final = 1.5

USUAL_RPM: Final = 1500.0
"""Engine speed that the table's usual figures are meant for: a car on the road, or held at a fast
idle in the bay (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Running:
    """How blower, engine and car ran.

    Parameters
    ----------
    step
        Of the blower, as it was noted; None where it was not.
    volts
        Its voltage, V; None where it was not logged.
    rpm
        Engine speed, 1/min; None where it was not logged.
    road_m_s, uneven_m_s
        Road speed and its standard deviation, m/s; None where it was not logged.
    """

    step: float | None = None
    volts: float | None = None
    rpm: float | None = None
    road_m_s: float | None = None
    uneven_m_s: float | None = None

    @classmethod
    def mean(cls, several: Sequence[Running]) -> Running:
        """Means of what is known."""
        return cls(
            _mean(each.step for each in several if each.step),
            _mean(each.volts for each in several if each.volts),
            _mean(each.rpm for each in several if each.rpm),
            _mean(each.road_m_s for each in several if each.road_m_s is not None),
            _mean(each.uneven_m_s for each in several if each.uneven_m_s is not None),
        )

    def air(self, other: Running) -> float:
        """Air moved, as a multiple of that at another setting; 1 where they cannot be compared.

        By the steps where both are noted: a low voltage at the same step is a fault and no setting.
        A fan moves air in proportion to its speed (fan laws; from memory).
        """
        return _ratio((self.step, other.step), (self.volts, other.volts))

    def turns(self, other: Running) -> float:
        """Engine speed as a multiple of another; 1 where they cannot be compared."""
        return _ratio((self.rpm, other.rpm))

    def times(self, other: Running, scale: FigureScale) -> float:
        """A sound heater's figure at this setting, as a multiple of that at another."""
        return float(self.air(other) ** scale.airflow * self.turns(other) ** scale.pump)

    def unsure(self, other: Running, scale: FigureScale) -> float:
        """Share of itself that a figure brought to another setting is not known by (k = 1)."""
        air = AIR_SHARE * scale.airflow * math.log(self.air(other))
        pump = PUMP_SHARE * scale.pump * math.log(self.turns(other))
        if other.rpm and not self.rpm:
            pump = PUMP_UNKNOWN * scale.pump
        return math.hypot(air, pump)

    @property
    def stood(self) -> bool:
        """Whether the car is known to have stood."""
        return self.road_m_s is not None and self.road_m_s < STOOD_M_S

    def apart(self, other: Running, scale: FigureScale) -> float:
        """What driving apart may add to a sound car's figure, in its unit (k = 1)."""
        if other.road_m_s is None:
            return 0.0
        apart = ROAD_UNKNOWN if self.road_m_s is None else abs(self.road_m_s - other.road_m_s)
        uneven = 0.0
        if other.uneven_m_s is not None:
            unlike = UNEVEN_UNKNOWN if self.uneven_m_s is None else self.uneven_m_s
            uneven = scale.uneven_u * abs(unlike - other.uneven_m_s)
        return math.hypot(scale.road_u * apart / 10.0, uneven)


NOT_KNOWN: Final = Running()


def running_of(measured: Measured) -> Running:
    """How things stood in the window the outlet, else the coolant's drop, was judged in."""
    judged = measured.figures.get("steady_outlet_rise")
    if judged is None or judged.window is None:
        judged = measured.figures.get("coolant_drop")
    if judged is None or judged.window is None:
        return NOT_KNOWN
    grid = measured.context.grid
    first, last = np.searchsorted(grid.time, judged.window)

    def level(values: Floats) -> float | None:
        inside = values[first : last + 1]
        inside = inside[~np.isnan(inside)]
        return median(inside) if inside.size else None

    speeds = grid.value("road_speed")[first : last + 1]
    speeds = speeds[~np.isnan(speeds)]
    return Running(
        level(grid.control("blower")),
        level(grid.value("blower_voltage")),
        level(grid.value("engine_speed")),
        level(grid.value("road_speed")),
        float(speeds.std()) if speeds.size else None,
    )


def _mean(known: Iterable[float]) -> float | None:
    values = list(known)
    return sum(values) / len(values) if values else None


def _ratio(*pairs: tuple[float | None, float | None]) -> float:
    """Ratio of the first pair of which both are known, within `MOST`; 1 where there is none."""
    for mine, its in pairs:
        if mine and its:
            return min(max(mine / its, 1.0 / MOST), MOST)
    return 1.0
