"""From readings in stored units to the columns a dialect writes, with their units in the set-up."""

from __future__ import annotations

from dataclasses import dataclass

from ingest.arrays import Floats
from ingest.points import POINTS
from sample_logs.simulator.dialects import Dialect
from sample_logs.simulator.simulate import Simulated
from sample_logs.simulator.thermovoltage import millivolts

INHG_KPA = 3.386389
"""Conventional inch of mercury, kPa (NIST SP 811, appendix B)."""

BAROMETER_KPA = 99.2
GAUGE_VOLTS = (0.5, 4.5)
GAUGE_SPAN_KPA = 100.0
SPEED_FACTOR = {"km/h": 3.6, "mph": 3600.0 / 1609.344, "m/s": 1.0}


@dataclass(frozen=True)
class Column:
    """One column of a log.

    Parameters
    ----------
    point
        Measuring point.
    values
        What is written, in `unit`; NaN where there is no reading.
    decimals
        How many are written.
    unit
        As the set-up names it.
    setup
        Further lines of the channel's table in the set-up.
    """

    point: str
    values: Floats
    decimals: int
    unit: str
    setup: tuple[str, ...] = ()


def columns_of(simulated: Simulated, dialect: Dialect) -> list[Column]:
    """Every logged channel as the dialect writes it, the cold junction last."""
    columns = [_column(simulated, dialect, point) for point in simulated.channels]
    if dialect.temperature != "mV":
        # a logger that compensates by itself does not log its terminals
        columns = [column for column in columns if column.point != "cold_junction"]
    return columns


def _column(simulated: Simulated, dialect: Dialect, point: str) -> Column:
    values = simulated.channels[point]
    quantity = POINTS[point].name
    if point == "cold_junction":
        return Column(point, values, 2, "degC", ('unit = "degC"',))
    if point in simulated.logged.junctions and dialect.temperature == "mV":
        return _voltage(simulated, point)
    if quantity == "temperature":
        return _temperature(simulated, dialect, point)
    if quantity == "pressure":
        return _pressure(dialect, point, values)
    if quantity == "speed":
        scaled = values * SPEED_FACTOR[dialect.speed]
        unit = dialect.speed
        return Column(point, scaled, 1 if unit != "km/h" else 0, unit, (f'unit = "{unit}"',))
    if quantity == "rotation":
        return Column(point, values, 0, "rpm", ('unit = "rpm"',))
    return Column(point, values, 2, "V", ('unit = "V"',))


def _sensor_lines(simulated: Simulated, point: str) -> tuple[str, ...]:
    spec = next(each for each in simulated.sensors.specs if each.point == point)
    lines = [f'sensor = "{spec.kind}"']
    if spec.kind == "thermocouple":
        lines.append(f'type = "{spec.type}"')
        lines.append(f"tolerance_class = {spec.tolerance_class}")
    else:
        lines.append(f"tolerance = {spec.tolerance}")
    if spec.lag_known and spec.lag:
        lines.append(f"time_constant = {spec.lag}")
    return tuple(lines)


def _voltage(simulated: Simulated, point: str) -> Column:
    spec = next(each for each in simulated.sensors.specs if each.point == point)
    logged = simulated.logged
    against = millivolts(spec.type, logged.cold_junction)
    values = millivolts(spec.type, logged.junctions[point]) - against
    lines = (*_sensor_lines(simulated, point), 'unit = "mV"', 'cold_junction = "cold_junction"')
    return Column(point, values, 4, "mV", lines)


def _temperature(simulated: Simulated, dialect: Dialect, point: str) -> Column:
    values = simulated.channels[point]
    lines = _sensor_lines(simulated, point)
    if dialect.temperature == "degF":
        return Column(point, values * 1.8 + 32.0, 1, "degF", (*lines, 'unit = "degF"'))
    return Column(point, values, 1, "degC", (*lines, 'unit = "degC"'))


def _pressure(dialect: Dialect, point: str, values: Floats) -> Column:
    if dialect.pressure == "V":
        low, high = GAUGE_VOLTS
        volts = low + (high - low) * values / GAUGE_SPAN_KPA
        scale = (
            f'scale = {{ from = [{low}, {high}], to = [0, {GAUGE_SPAN_KPA:.0f}], unit = "kPa" }}'
        )
        lines = ('unit = "V"', scale, 'reference = "vacuum"')
        return Column(point, volts, 3, "V", ('sensor = "pressure"', *lines))
    if dialect.pressure == "inHg":
        lines = ('sensor = "pressure"', 'unit = "inHg"', 'reference = "vacuum"')
        return Column(point, values / INHG_KPA, 2, "inHg", lines)
    if dialect.pressure == "absolute":
        lines = ('sensor = "pressure"', 'unit = "kPa"', 'reference = "absolute"')
        return Column(point, BAROMETER_KPA - values, 1, "kPa", lines)
    lines = ('sensor = "pressure"', 'unit = "kPa"', 'reference = "vacuum"')
    return Column(point, values, 1, "kPa", lines)
