"""Limits of error of sensors, as the systematic error sources of a run.

Limits are half-widths `a` that the maker guarantees; with nothing else known the error is taken as
rectangular, so that its standard uncertainty is ``a / sqrt(3)`` (JCGM 100:2008, 4.3.7).

Defaults, where the set-up gives neither `tolerance` nor `tolerance_class`:

=================  ==================================================================
thermocouple       class 2 of IEC 60584-1
rtd                class B of IEC 60751
ntc, temperature   ±1 K (common practice, no source: ±0.5 K to ±1.5 K)
read once          ±2 K, its changes during the drive among them (common practice, no source)
cold junction      ±0.7 K, of a channel and inside a logger (common practice, no source)
a fixed one        ±1 K
pressure           ±1 % of the transducer's span, ±1 kPa or ±1 % of the reading without one
speed              ±0.3 m/s or ±2 % of the reading
rotation           ±10 rpm or ±1 %
voltage            ±0.05 V or ±1 %
position           ±1 % of travel
=================  ==================================================================
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from ingest.run import ErrorSource
from ingest.sensors.thermocouple import Letter, seebeck_at
from ingest.sensors.units import UnknownUnit, conversion, split_number
from ingest.setup.model import ChannelTable, SensorKind
from ingest.values import dataclass


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit of error: the larger of two, or their sum, of `t` in the stored unit.

    Parameters
    ----------
    fixed
        The constant part.
    share
        The part of ``abs(t - above)``.
    above
        Where that part starts.
    summed
        True where both parts are added (IEC 60751), False where the larger counts (IEC 60584-1).
    """

    fixed: float
    share: float = 0.0
    above: float = 0.0
    summed: bool = False

    def at(self, t: float) -> float:
        """Half-width at `t`."""
        growing = self.share * abs(t - self.above)
        return self.fixed + growing if self.summed else max(self.fixed, growing)


class _AboveOnly(Limit):
    """Class 1 of types R and S: ``1 + 0.003 (t - 1100)`` above 1100 °C, 1 below."""

    def at(self, t: float) -> float:
        return self.fixed + max(0.0, self.share * (t - self.above))


_BASE: Final = {"1": Limit(1.5, 0.004), "2": Limit(2.5, 0.0075), "3": Limit(2.5, 0.015)}
_NOBLE: Final = {"1": _AboveOnly(1.0, 0.003, 1100.0), "2": Limit(1.5, 0.0025)}

THERMOCOUPLE_LIMITS: Final[dict[str, dict[str, Limit]]] = {
    "K": _BASE | {"standard": Limit(2.2, 0.0075), "special": Limit(1.1, 0.004)},
    "N": _BASE | {"standard": Limit(2.2, 0.0075), "special": Limit(1.1, 0.004)},
    "E": _BASE | {"standard": Limit(1.7, 0.005), "special": Limit(1.0, 0.004)},
    "J": {
        "1": _BASE["1"],
        "2": _BASE["2"],
        "standard": Limit(2.2, 0.0075),
        "special": Limit(1.1, 0.004),
    },
    "T": {
        "1": Limit(0.5, 0.004),
        "2": Limit(1.0, 0.0075),
        "3": Limit(1.0, 0.015),
        "standard": Limit(1.0, 0.0075),
        "special": Limit(0.5, 0.004),
    },
    "R": _NOBLE | {"standard": Limit(1.5, 0.0025), "special": Limit(0.6, 0.001)},
    "S": _NOBLE | {"standard": Limit(1.5, 0.0025), "special": Limit(0.6, 0.001)},
    "B": {"2": Limit(1.5, 0.0025), "3": Limit(4.0, 0.005)},
}
"""Limits of error [K] by type and class: 1 to 3 of IEC 60584-1:2013; ``standard`` and ``special``
of ASTM E230/E230M from 0 °C up, which is used below as well."""

PLATINUM_LIMITS: Final = {
    "AA": Limit(0.1, 0.0017, summed=True),
    "A": Limit(0.15, 0.002, summed=True),
    "B": Limit(0.3, 0.005, summed=True),
    "C": Limit(0.6, 0.01, summed=True),
}
"""Limits of error [K] by class of IEC 60751:2008."""

PLAIN_TEMPERATURE: Final = Limit(1.0)
READ_ONCE: Final = Limit(2.0)
"""A thermometer's own limits and what the temperature does after it was read."""
COLD_JUNCTION: Final = Limit(0.7)
FIXED_COLD_JUNCTION: Final = 1.0
PRESSURE_SHARE: Final = 0.01
BAROMETER_READ: Final = 0.3
"""Half-width of a barometer reading that the set-up gives, kPa."""
BAROMETER_FROM_ALTITUDE: Final = 2.5
"""Half-width of what the weather does to the standard pressure of an altitude, kPa."""

OTHER_LIMITS: Final[dict[str, Limit]] = {
    "pressure": Limit(1.0, PRESSURE_SHARE),
    "speed": Limit(0.3, 0.02),
    "rotation": Limit(10.0, 0.01),
    "voltage": Limit(0.05, 0.01),
    "position": Limit(1.0),
}

LOGGER: Final = "the logger"
"""Name of the cold junction inside a logger that writes temperatures already."""


def class_name(value: int | str) -> str:
    """Spell a tolerance class as the tables here do.

    ``Class 2`` is ``2``, ``ASTM special`` is ``special``, ``aa`` is ``AA``.
    """
    word = str(value).strip().casefold().removeprefix("iec").removeprefix("astm").strip()
    word = word.removeprefix("class").removeprefix("grade").strip()
    return word if word in {"standard", "special"} else word.upper()


def stated_tolerance(table: ChannelTable) -> float | None:
    """Half-width of the limits of error that the set-up states, in the stored unit; None without.

    Raises
    ------
    UnknownUnit
        Where it is neither a number nor a number above zero with a unit.
    """
    if table.tolerance is None or not isinstance(table.tolerance, str):
        return table.tolerance
    number, unit = split_number(table.tolerance)
    width = number * conversion(unit).factor
    if not 0 < width < math.inf:
        raise UnknownUnit(f"{table.tolerance!r} is not above zero")
    return width


def named_limit(kind: SensorKind, table: ChannelTable) -> Limit | None:
    """Limit of error that the set-up's `tolerance` or `tolerance_class` names, None without one.

    Raises
    ------
    KeyError
        Where the class is not one of the sensor's; the argument lists those there are.
    """
    stated = stated_tolerance(table)
    if stated is not None:
        return Limit(stated)
    if table.tolerance_class is None or kind not in {"thermocouple", "rtd"}:
        return None
    classes = THERMOCOUPLE_LIMITS[table.type] if kind == "thermocouple" else PLATINUM_LIMITS
    name = class_name(table.tolerance_class)
    if name not in classes:
        raise KeyError(", ".join(classes))
    return classes[name]


def limit_of(
    kind: SensorKind, quantity: str, table: ChannelTable, span: float | None, *, is_cold: bool
) -> Limit | None:
    """Limit of error of a channel, by its set-up or by default.

    Parameters
    ----------
    kind
        The sensor.
    quantity
        Name of what is measured; for ``other`` there is no default.
    table
        The channel's set-up.
    span
        Span of the transducer's scale in the stored unit, None without a scale.
    is_cold
        Whether another channel uses this one as its cold junction.
    """
    named = named_limit(kind, table)
    if named is not None:
        return named
    if quantity == "temperature":
        if table.value is not None:
            return READ_ONCE
        if is_cold:
            return COLD_JUNCTION
        if kind == "thermocouple":
            return THERMOCOUPLE_LIMITS[table.type]["2"]
        return PLATINUM_LIMITS["B"] if kind == "rtd" else PLAIN_TEMPERATURE
    if quantity == "pressure" and span is not None:
        return Limit(PRESSURE_SHARE * span)
    return OTHER_LIMITS.get(quantity)


def source(name: str, half_width: Callable[[float], float], low: float, high: float) -> ErrorSource:
    """Error source whose standard uncertainty is right at two readings and straight between.

    A limit of error is a convex function of the reading, so that the straight line is nowhere below
    it within the range of the readings.

    Parameters
    ----------
    name
        Identity of the source.
    half_width
        Half-width of the limits over the reading.
    low, high
        Range of the readings, in the stored unit.
    """
    u_low, u_high = half_width(low) / math.sqrt(3.0), half_width(high) / math.sqrt(3.0)
    slope = (u_high - u_low) / (high - low) if high > low else 0.0
    return ErrorSource(name, u_low, slope, low)


def cold_junction_source(
    name: str, half_width: float, letter: Letter, cold: float, low: float, high: float
) -> ErrorSource:
    """What the cold junction's error does to a thermocouple's reading: ``S(cold) / S(t)`` of it."""
    at_cold = seebeck_at(letter, cold)

    def effect(t: float) -> float:
        at_reading = seebeck_at(letter, t)
        share = at_cold / at_reading if at_reading else math.nan
        # outside the functions' ranges the two slopes are taken as equal
        return half_width * (share if math.isfinite(share) else 1.0)

    return source(f"cold junction {name}", effect, low, high)
