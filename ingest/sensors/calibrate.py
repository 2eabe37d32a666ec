"""Turns logged numbers into stored units, each channel with its sensor's error sources.

Nothing is clamped or extrapolated: a reading outside its formula's range becomes NaN, and a finding
counts and locates the readings lost so. All faults of a set-up are raised together.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

import numpy as np

from ingest.arrays import Floats
from ingest.errors import UnusableRun
from ingest.findings import finding
from ingest.points import column_name
from ingest.run import ErrorSource, Finding, Sensor
from ingest.sensors.channel import Recipe
from ingest.sensors.channels import Recipes, make_recipes
from ingest.sensors.resolution import resolution
from ingest.sensors.thermocouple import seebeck_at, temperature
from ingest.sensors.tolerances import (
    BAROMETER_FROM_ALTITUDE,
    BAROMETER_READ,
    FIXED_COLD_JUNCTION,
    LOGGER,
    cold_junction_source,
    limit_of,
    source,
)
from ingest.sensors.transducer import (
    beta_temperature,
    platinum_temperature,
    scaled,
    steinhart_hart_temperature,
    vacuum,
)
from ingest.setup.model import Setup
from ingest.values import dataclass

OUT_OF_RANGE: Final = finding(
    "out_of_range",
    "{point}: {lost} of {count} readings are {because} and were left out; the first is {first:g}",
    do="Check the sensor's type, unit and scale in run.toml, then its wiring.",
    forbids=True,
)

MAX_LOGGED: Final = 1e9
"""No sensor gives a larger number in any unit; a loose byte or a word for no reading does."""

LONGEST_BRIDGE_S: Final = 60.0
"""A cold junction that is logged less often than its thermocouples is interpolated across this: a
terminal block changes by less than a tenth of a kelvin in a minute."""

ROOM: Final = 23.0
"""Where a logger's inner cold junction is taken to be for its sensitivity, °C."""

MILLIVOLT: Final = 1e-3


@dataclass(frozen=True, slots=True)
class RawChannel:
    """One channel as it was logged.

    Parameters
    ----------
    values
        As logged, shape (n,), NaN for no reading; all channels of a run are on one row index.
    unit
        The unit's text found in the log; None where there was none.
    source
        The log's own column, as the set-up names it.
    """

    values: Floats
    unit: str | None = None
    source: str = ""


@dataclass(frozen=True, slots=True)
class Calibrated:
    """All channels of a run in stored units.

    Parameters
    ----------
    readings
        By measuring point, shape (n,), NaN where there is no valid reading.
    sensors
        By measuring point, in the same order as the raw channels.
    findings
        What was assumed, and what lay outside a formula's range.
    """

    readings: dict[str, Floats]
    sensors: dict[str, Sensor]
    findings: tuple[Finding, ...]


def calibrate(
    setup: Setup,
    raw: Mapping[str, RawChannel],
    *,
    log_file: str,
    time_s: Floats | None = None,
    setup_file: str = "run.toml",
) -> Calibrated:
    """Convert all channels of a run into stored units.

    Parameters
    ----------
    setup
        The set-up.
    raw
        The logged channels by measuring point.
    log_file, setup_file
        Names for the texts of faults and findings.
    time_s
        Times [s], increasing, shape (n,): they locate findings, and let a cold junction that is
        logged less often be interpolated across up to `LONGEST_BRIDGE_S`.

    Raises
    ------
    UnusableRun
        With one fault for each thing wrong with the set-up's channels.
    """
    units = {point: channel.unit for point, channel in raw.items()}
    recipes = make_recipes(setup, units, log_file=log_file, setup_file=setup_file)
    if recipes.faults:
        raise UnusableRun(recipes.faults)
    worker = _Worker(raw, recipes, time_s)
    for recipe in recipes.recipes.values():
        worker.convert(recipe)
    return Calibrated(
        {point: worker.readings[point] for point in raw},
        {point: worker.sensors[point] for point in raw},
        tuple(worker.findings),
    )


class _Worker:
    """Carries out the recipes, each channel after those it needs."""

    def __init__(
        self, raw: Mapping[str, RawChannel], recipes: Recipes, time_s: Floats | None
    ) -> None:
        self.raw, self.recipes, self.time = raw, recipes, time_s
        self.readings: dict[str, Floats] = {}
        self.sensors: dict[str, Sensor] = {}
        self.findings: list[Finding] = []
        named = [
            (recipe.junction, recipe.table.cold_junction) for recipe in recipes.recipes.values()
        ]
        self.junctions = {name for pair in named for name in pair if name in recipes.recipes}

    def convert(self, recipe: Recipe) -> None:
        """Convert one channel and describe its sensor."""
        channel = self.raw[recipe.point]
        logged = np.asarray(channel.values, dtype=np.float64)
        beyond = np.abs(logged) > MAX_LOGGED
        usable = np.where(beyond, np.nan, logged) if beyond.any() else logged
        readings = self._physical(recipe, self._signal(recipe, usable))
        if recipe.reference is not None:
            readings = vacuum(readings, recipe.reference, self.recipes.barometer)
        self.readings[recipe.point] = readings
        self.findings += recipe.findings
        self._count_lost(recipe, logged, readings)
        self.sensors[recipe.point] = self._sensor(recipe, channel.source, usable, readings)

    def _signal(self, recipe: Recipe, logged: Floats) -> Floats:
        """The logged numbers in the signal's stored unit (mV for a thermocouple)."""
        scale = recipe.table.scale
        if scale is not None:
            supply = self.readings[scale.supply] if scale.supply else None
            logged = scaled(logged, scale.from_, scale.to, supply, scale.ratiometric_to)
        factor, offset = recipe.signal.factor, recipe.signal.offset
        if recipe.junction is not None:
            factor /= MILLIVOLT
        if factor == 1.0 and offset == 0.0:
            return logged
        return logged * factor + offset

    def _physical(self, recipe: Recipe, signal: Floats) -> Floats:
        """What a signal says of the quantity."""
        table = recipe.table
        if recipe.junction is not None:
            return temperature(table.type, signal, self._junction(recipe, signal))
        if recipe.signal.dimension != "resistance" or recipe.quantity.name != "temperature":
            return signal
        if recipe.kind == "rtd":
            return platinum_temperature(signal, table.r0)
        if table.steinhart_hart is not None:
            return steinhart_hart_temperature(signal, table.steinhart_hart)
        assert table.beta is not None  # noqa: S101 - seen to when planning
        assert table.r25 is not None  # noqa: S101
        return beta_temperature(signal, table.beta, table.r25)

    def _junction(self, recipe: Recipe, signal: Floats) -> Floats | float:
        """Cold-junction temperature for each reading of a thermocouple."""
        if not isinstance(recipe.junction, str):
            assert recipe.junction is not None  # noqa: S101 - the caller saw to it
            return recipe.junction
        junction = self.readings[recipe.junction]
        missing = np.isnan(junction)
        if self.time is None or not missing.any() or missing.all():
            return junction
        wanted = np.flatnonzero(missing & ~np.isnan(signal))
        known = np.flatnonzero(~missing)
        after = np.searchsorted(known, wanted)
        inside = (after > 0) & (after < known.size)
        wanted, after = wanted[inside], after[inside]
        left, right = known[after - 1], known[after]
        gap = self.time[right] - self.time[left]
        near = (gap > 0.0) & (gap <= LONGEST_BRIDGE_S)
        wanted, left, right, gap = wanted[near], left[near], right[near], gap[near]
        share = (self.time[wanted] - self.time[left]) / gap
        filled = junction.copy()
        filled[wanted] = junction[left] + share * (junction[right] - junction[left])
        return filled

    def _count_lost(self, recipe: Recipe, logged: Floats, readings: Floats) -> None:
        """Say how many readings lay outside a range, and where."""
        if readings is logged:
            return
        lost = np.flatnonzero(np.isnan(readings) & ~np.isnan(logged))
        if not lost.size:
            return
        count = int((~np.isnan(logged)).sum())
        first, last = int(lost[0]), int(lost[-1])
        begin, end = (None, None) if self.time is None else (self.time[first], self.time[last])
        because = "outside the range of their formula"
        if recipe.junction is not None:
            because = f"outside type {recipe.table.type}'s range or without a cold junction"
        elif recipe.table.scale is not None:
            because = f"outside the scale's signals {recipe.table.scale.from_}"
        if abs(logged[first]) > MAX_LOGGED:
            because = f"larger than {MAX_LOGGED:g}, which no sensor gives,"
        self.findings.append(
            OUT_OF_RANGE.found(
                recipe.point,
                None if begin is None else float(begin),
                None if end is None else float(end),
                point=recipe.point,
                lost=int(lost.size),
                count=count,
                because=because,
                first=float(logged[first]),
                evidence={"count": float(lost.size), "of": float(count)},
            )
        )

    def _sensor(self, recipe: Recipe, name: str, logged: Floats, readings: Floats) -> Sensor:
        few = _sample(readings)
        low, high = (float(few[few.size // 50]), float(few[-1 - few.size // 50])) if few.size else (
            0.0, 0.0)  # fmt: skip
        quantity = recipe.quantity
        junction = recipe.table.cold_junction if recipe.junction is None else recipe.junction
        return Sensor(
            point=recipe.point,
            column=column_name(recipe.point, quantity),
            quantity=quantity,
            kind=recipe.kind,
            source=name or recipe.table.source,
            errors=tuple(self._errors(recipe, low, high)),
            resolution=self._resolution(recipe, logged, 0.5 * (low + high)),
            time_constant=recipe.table.time_constant,
            cold_junction=junction if isinstance(junction, str) and junction in self.raw else None,
        )

    def _errors(self, recipe: Recipe, low: float, high: float) -> list[ErrorSource]:
        """Systematic error sources over the range of a channel's readings."""
        scale = recipe.table.scale
        span = abs(scale.to[1] - scale.to[0]) * recipe.signal.factor if scale else None
        is_cold = recipe.point in self.junctions
        limit = limit_of(recipe.kind, recipe.quantity.name, recipe.table, span, is_cold=is_cold)
        errors = []
        if limit is not None:
            # the error of a cold junction is one and the same in all that use it
            name = f"cold junction {recipe.point}" if is_cold else f"tolerance of {recipe.point}"
            errors.append(source(name, limit.at, low, high))
        if recipe.kind == "thermocouple":
            errors.append(self._junction_error(recipe, low, high))
        if recipe.reference == "absolute":
            half = BAROMETER_READ if self.recipes.barometer_read else BAROMETER_FROM_ALTITUDE
            errors.append(ErrorSource("barometer", half / math.sqrt(3.0)))
        return errors

    def _junction_error(self, recipe: Recipe, low: float, high: float) -> ErrorSource:
        """What the cold junction's error does to a thermocouple."""
        letter = recipe.table.type
        stated = recipe.table.cold_junction if recipe.junction is None else recipe.junction
        if isinstance(stated, str) and stated in self.sensors:
            few = _sample(self.readings[stated])
            at = float(few[few.size // 2]) if few.size else ROOM
            parts = [
                error.u + error.slope * (at - error.at) for error in self.sensors[stated].errors
            ]
            half = math.sqrt(3.0) * math.hypot(*parts)
            return cold_junction_source(stated, half, letter, at, low, high)
        if recipe.junction is not None:  # a fixed value
            at = float(recipe.junction)
            name = str(recipe.table.cold_junction)
            return cold_junction_source(name, FIXED_COLD_JUNCTION, letter, at, low, high)
        limit = limit_of("temperature", "temperature", recipe.table, None, is_cold=True)
        assert limit is not None  # noqa: S101 - there is one for every temperature
        return cold_junction_source(LOGGER, limit.at(ROOM), letter, ROOM, low, high)

    def _resolution(self, recipe: Recipe, logged: Floats, at: float) -> float:
        """Step of the logged numbers in the stored unit, at a typical reading."""
        step = resolution(logged)
        if step == 0.0:
            return 0.0
        if recipe.table.scale is not None:
            from_, to = recipe.table.scale.from_, recipe.table.scale.to
            step *= abs((to[1] - to[0]) / (from_[1] - from_[0]))
        step *= recipe.signal.factor
        if recipe.junction is not None:
            slope = seebeck_at(recipe.table.type, at) * MILLIVOLT
            return step / slope if slope > 0.0 else 0.0
        if recipe.signal.dimension == "resistance" and recipe.quantity.name == "temperature":
            return self._resistance_step(recipe, logged, step)
        return step

    def _resistance_step(self, recipe: Recipe, logged: Floats, step: float) -> float:
        """Step in kelvin of a resistance logged in steps of `step` ohm."""
        few = _sample(self._signal(recipe, logged))
        if not few.size:
            return 0.0
        typical = float(few[few.size // 2])
        pair = self._physical(recipe, np.array([typical, typical + step]))
        moved = abs(float(pair[1] - pair[0]))
        return moved if math.isfinite(moved) else 0.0


def _sample(values: Floats, count: int = 512) -> Floats:
    """Sorted valid values, thinned evenly to about `count`."""
    few = np.sort(values[:: max(1, values.size // count)])
    if few.size and np.isnan(few[-1]):  # they are sorted behind all others
        few = few[~np.isnan(few)]
    return few
