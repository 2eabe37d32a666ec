"""Decides, before any data is read, how one channel becomes its stored unit, and what is wrong.

A `Recipe` holds everything the conversion of the channel needs. What is wrong with its set-up is
found here as a `Fault`; what is merely assumed is a `Finding` of the recipe.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from ingest.errors import Fault
from ingest.findings import FindingKind, finding
from ingest.points import POINTS, QUANTITIES, TEMPERATURE, Quantity
from ingest.run import Finding
from ingest.saying import Value
from ingest.sensors.tolerances import named_limit
from ingest.sensors.transducer import Reference
from ingest.sensors.units import (
    Conversion,
    UnknownUnit,
    conversion,
    same_unit,
    split_number,
    value_with_unit,
)
from ingest.setup.model import SENSOR_QUANTITY, ChannelTable, SensorKind, Setup
from ingest.values import dataclass

UNIT_DISAGREES: Final = finding(
    "unit_disagrees",
    "{point}: {setup} says {stated}, {log} says {logged}; {stated} was taken",
    do="Correct the unit in run.toml if the log is right.",
)
REFERENCE_DISAGREES: Final = UNIT_DISAGREES.also(
    "{point}: reference is {stated}, its unit says {said}; {stated} was taken"
)
UNIT_ASSUMED: Final = finding(
    "unit_assumed",
    "{point} has no unit anywhere; taken as {unit}",
    do="State the unit in run.toml.",
)
JUNCTION_IN_CELSIUS: Final = UNIT_ASSUMED.also("{point}: cold junction {stated:g} taken as °C")
UNIT_UNKNOWN: Final = finding(
    "unit_unknown",
    "{point}: {found}; kept as logged, used by no figure",
    do="State the unit in run.toml if a figure needs this channel.",
)
COLD_JUNCTION_ASSUMED: Final = finding(
    "cold_junction_assumed",
    "{point} names no cold junction; the channel cold_junction was taken",
    do="Write cold_junction into the channel's table.",
)
REFERENCE_ASSUMED: Final = finding(
    "reference_assumed",
    "{point} does not say what it counts from; taken as vacuum, positive below ambient",
    do='Write reference = "vacuum", "gauge" or "absolute" into the channel\'s table.',
)

ASSUMED_UNITS: Final = {"voltage": "V", "position": "%", "rotation": "rpm"}
"""Quantities with one usual unit, taken (and said) where none is given anywhere."""

PLAUSIBLE: Final[dict[str, tuple[float, float]]] = {
    "temperature": (-273.15, 2500.0),
    "pressure": (-2_000.0, 20_000.0),
    "speed": (-100.0, 150.0),
    "rotation": (-30_000.0, 30_000.0),
    "voltage": (-1_000.0, 1_000.0),
    "position": (-100.0, 200.0),
    "resistance": (0.0, 1e7),
}
"""Between these (in stored units) the two points of any scale in a car lie."""

JUNCTION_RANGE: Final = (-60.0, 150.0)
"""A fixed cold junction lies between these, °C."""


@dataclass(frozen=True, slots=True)
class Recipe:
    """How one channel is converted.

    Parameters
    ----------
    point
        The measuring point.
    table
        Its set-up.
    kind, quantity
        Its sensor and what it measures.
    signal
        Conversion of the logged values, or with a scale of what comes out of it.
    junction
        For a thermocouple in volts: the channel, or the temperature [°C], of the cold junction.
    reference
        What a vacuum channel's readings count from, None for all others.
    findings
        What was assumed.
    """

    point: str
    table: ChannelTable
    kind: SensorKind
    quantity: Quantity
    signal: Conversion
    junction: str | float | None = None
    reference: Reference | None = None
    findings: tuple[Finding, ...] = ()

    @property
    def needs(self) -> tuple[str, ...]:
        """Channels, where they are there, that must be converted before this one."""
        supply = self.table.scale.supply if self.table.scale else None
        named = (self.junction, self.table.cold_junction, supply)
        return tuple(point for point in named if isinstance(point, str))


class RecipeMaker:
    """Works out the recipe of one channel, collecting what is wrong with it."""

    def __init__(
        self, setup: Setup, point: str, unit: str | None, log_file: str, setup_file: str
    ) -> None:
        self.setup, self.point, self.logged_unit = setup, point, unit
        self.log_file, self.setup_file = log_file, setup_file
        self.table = setup.channels[point]
        self.kind = setup.sensor_kind(point)
        self.faults: list[Fault] = []
        self.findings: list[Finding] = []
        self.logged_reference: str | None = None

    def fault(self, key: str, found: str, expected: str, remedy: str) -> Fault:
        """Fault about this channel's table or a key of it."""
        where = f"{self.setup_file} [channels.{self.point}]{' ' + key if key else ''}"
        return Fault(where, found, expected, remedy)

    def _wrong(self, key: str, found: str, expected: str, remedy: str) -> None:
        self.faults.append(self.fault(key, found, expected, remedy))

    def _note(self, kind: FindingKind, **values: Value) -> None:
        self.findings.append(kind.found(self.point, evidence=None, point=self.point, **values))

    def recipe(self, units: Mapping[str, str | None], *, has_barometer: bool) -> Recipe | None:
        """Work the recipe out; it holds only where `faults` stays empty.

        Parameters
        ----------
        units
            As in `ingest.sensors.channels.make_recipes`.
        has_barometer
            Whether the set-up gives the ambient pressure.
        """
        quantity = self._quantity()
        if quantity is None:
            return None
        logged = self._logged_conversion(quantity)
        if logged is None:
            return None
        signal = self._scaled_conversion(quantity) if self.table.scale else logged
        if signal is None:
            return None
        self._check_tolerance(quantity)
        junction = self._check_dimension(quantity, signal, units)
        self._check_supply(units)
        reference = self._reference(quantity, logged, signal)
        if reference == "absolute" and not has_barometer:
            self._wrong(
                "reference", "an absolute pressure and no barometer", "the air pressure",
                'add barometer = "98.6 kPa" or altitude = "300 m" to [run]',
            )  # fmt: skip
        return Recipe(
            self.point, self.table, self.kind, quantity, signal, junction, reference,
            tuple(self.findings),
        )  # fmt: skip

    def _quantity(self) -> Quantity | None:
        """What is measured; a fault where the sensor cannot measure it."""
        quantity = self.setup.quantity(self.point)
        if quantity is None:
            return self._quantity_of_unknown()
        measures = SENSOR_QUANTITY[self.kind]
        same = measures == quantity.name or (measures, quantity.name) == ("speed", "rotation")
        if not same and not (self.kind == "voltage" and self.table.scale):
            self._wrong(
                "sensor", f"{self.kind!r} on a point that is a {quantity.name}",
                f"a sensor of {quantity.name}", "correct sensor, or the point's name",
            )  # fmt: skip
            return None
        return quantity

    def _quantity_of_unknown(self) -> Quantity:
        """Quantity of a point the contract does not know, by its unit; kept as logged else."""
        text = self.table.scale.unit if self.table.scale else self.table.unit or self.logged_unit
        try:
            dimension = conversion(text or "").dimension
        except UnknownUnit:
            dimension = "other"
        if dimension in QUANTITIES:
            return QUANTITIES[dimension]
        suffix = re.sub(r"\W+", "_", text or "").strip("_")
        return Quantity("other", text or "", suffix or "as_logged")

    def _logged_conversion(self, quantity: Quantity) -> Conversion | None:
        stated, logged = self.table.unit, self.logged_unit
        if stated and logged and not self._same_unit(stated, logged, quantity):
            self._note(
                UNIT_DISAGREES,
                setup=self.setup_file,
                stated=stated,
                log=self.log_file,
                logged=logged,
            )
        text = stated or logged
        if not text and self.table.scale:
            return Conversion("other", 1.0)  # the scale says what the numbers mean
        if not text:
            return self._without_unit(quantity)
        try:
            return conversion(text, quantity.name)
        except UnknownUnit as error:
            if self.table.scale:
                return Conversion("other", 1.0)
            return self._unknown(str(error), "unit")

    def _same_unit(self, stated: str, logged: str, quantity: Quantity) -> bool:
        """Whether both texts mean one unit; what a pressure counts from is judged elsewhere."""
        try:
            one, other = (conversion(text, quantity.name) for text in (stated, logged))
        except UnknownUnit:
            return same_unit(stated, logged, quantity.name)
        self.logged_reference = other.reference
        return replace(one, reference=None) == replace(other, reference=None)

    def _without_unit(self, quantity: Quantity) -> Conversion | None:
        if quantity.name in ASSUMED_UNITS:
            unit = ASSUMED_UNITS[quantity.name]
            self._note(UNIT_ASSUMED, unit=unit)
            return conversion(unit)
        return self._unknown("no unit, in the set-up or in the log", "unit")

    def _unknown(self, found: str, key: str) -> Conversion | None:
        if self.point not in POINTS:
            self._note(UNIT_UNKNOWN, found=found)
            return Conversion("other", 1.0)
        quantity = POINTS[self.point]
        example = "inHg or kPa" if quantity.name == "pressure" else quantity.unit
        self._wrong(
            key, found, f"a unit of {quantity.name}", f'write unit = "..." ({example}, ...)'
        )
        return None

    def _scaled_conversion(self, quantity: Quantity) -> Conversion | None:
        scale = self.table.scale
        assert scale is not None  # noqa: S101 - for the type checker
        try:
            found = conversion(scale.unit, quantity.name)
        except UnknownUnit as error:
            return self._unknown(str(error), "scale.unit")
        ends = [value * found.factor + found.offset for value in scale.to]
        low, high = PLAUSIBLE.get(found.dimension, (-math.inf, math.inf))
        numbers = (*scale.from_, *scale.to)
        if not all(math.isfinite(number) for number in numbers):
            problem = "numbers that are not finite"
        elif abs(scale.from_[1] - scale.from_[0]) <= 1e-6 * max(map(abs, scale.from_)):
            problem = "two points that are all but one"
        elif scale.to[0] == scale.to[1]:
            problem = "the same reading for both signals"
        elif not all(low <= end <= high for end in ends):
            problem = f"readings up to {max(scale.to, key=abs):g} {scale.unit}"
        else:
            return found
        expected = f"two signals and a {found.dimension} for each"
        self._wrong("scale", problem, expected, "correct from, to or unit")
        return None

    def _check_tolerance(self, quantity: Quantity) -> None:
        try:
            named_limit(self.kind, self.table)
            if isinstance(self.table.tolerance, str):
                unit = split_number(self.table.tolerance)[1]
                if conversion(unit, quantity.name).dimension != quantity.name:
                    raise UnknownUnit(unit)
        except KeyError as error:
            self._wrong(
                "tolerance_class", repr(self.table.tolerance_class),
                f"one of {error.args[0]} for this sensor", "correct it, or give tolerance in K",
            )  # fmt: skip
        except UnknownUnit:
            self._wrong(
                "tolerance", repr(self.table.tolerance),
                'a number above zero with its unit, such as "1 K"', "correct it",
            )  # fmt: skip

    def _check_dimension(
        self, quantity: Quantity, signal: Conversion, units: Mapping[str, str | None]
    ) -> str | float | None:
        """Whether the signal can become the quantity; returns the cold junction if it needs one."""
        dimension = signal.dimension
        kept_as_logged = self.point not in POINTS and dimension == "other"
        if dimension == quantity.name or quantity.name == "other" or kept_as_logged:
            return None
        if self.kind == "thermocouple" and dimension == "voltage":
            return self._junction(units)
        if self.kind in {"rtd", "ntc"} and dimension == "resistance":
            if self.kind == "ntc" and not self._knows_thermistor():
                self._wrong(
                    "sensor", "an ntc in ohm without its curve", "beta and r25, or steinhart_hart",
                    "add them from the data sheet",
                )  # fmt: skip
            return None
        hints = {
            ("temperature", "voltage"): 'add sensor = "thermocouple", or a scale',
            ("temperature", "resistance"): 'add sensor = "rtd" or "ntc"',
        }
        remedy = hints.get((quantity.name, dimension), "correct the unit, or add a scale")
        text = self.table.scale.unit if self.table.scale else self.table.unit or self.logged_unit
        self._wrong("unit", f"{text} ({dimension})", f"a unit of {quantity.name}", remedy)
        return None

    def _knows_thermistor(self) -> bool:
        table = self.table
        return table.steinhart_hart is not None or (
            table.beta is not None and table.r25 is not None
        )

    def _junction(self, units: Mapping[str, str | None]) -> str | float | None:
        """The cold junction of a thermocouple in volts."""
        stated = self.table.cold_junction
        found, remedy = "none", 'add cold_junction = "<channel>" or "23.5 degC"'
        if stated is None and "cold_junction" in units and self.point != "cold_junction":
            self._note(COLD_JUNCTION_ASSUMED)
            return "cold_junction"
        if isinstance(stated, str) and stated in self.setup.channels:
            measured = self.setup.quantity(stated)
            if measured is not None and measured != TEMPERATURE:
                found, remedy = f"{stated}, which is no temperature", "name a temperature channel"
            elif stated in units:
                return stated
            else:
                found, remedy = f"{stated}, which has no readings", "name a channel that is logged"
        elif stated is not None:
            value = self._fixed_junction(stated)
            if value is not None and JUNCTION_RANGE[0] <= value <= JUNCTION_RANGE[1]:
                return value
            found = f"{stated!r}, neither a channel nor a temperature indoors or out"
            remedy = "name a channel of the set-up, or write a value with its unit"
        self._wrong("cold_junction", found, "a cold junction for a thermocouple in volts", remedy)
        return None

    def _fixed_junction(self, stated: str | float) -> float | None:
        """Temperature [°C] of a cold junction that the set-up gives as a value."""
        if isinstance(stated, str):
            try:
                return value_with_unit(stated, "temperature")
            except UnknownUnit:
                return None
        self._note(JUNCTION_IN_CELSIUS, stated=stated)
        return float(stated)

    def _check_supply(self, units: Mapping[str, str | None]) -> None:
        scale = self.table.scale
        if scale is None or scale.supply is None:
            return
        if scale.ratiometric_to is None or scale.ratiometric_to <= 0:
            self._wrong(
                "scale", "a supply without ratiometric_to", "the supply voltage `from` belongs to",
                "add ratiometric_to = 5.0 or the like",
            )  # fmt: skip
        if scale.supply not in units:
            self._wrong(
                "scale", f"supply {scale.supply!r}", "a channel that is logged", "correct its name"
            )
        elif self.setup.quantity(scale.supply) != QUANTITIES["voltage"]:
            self._wrong(
                "scale", f"supply {scale.supply!r}, which is no voltage", "a voltage channel",
                f'write sensor = "voltage" in [channels.{scale.supply}]',
            )  # fmt: skip

    def _reference(
        self, quantity: Quantity, logged: Conversion, signal: Conversion
    ) -> Reference | None:
        """What a vacuum channel's readings count from."""
        if quantity.name != "pressure" or not self.point.startswith("vacuum_"):
            return None
        said = signal.reference or logged.reference or self.logged_reference
        stated = self.table.reference
        if stated and said and stated != said:
            self._note(REFERENCE_DISAGREES, stated=stated, said=said)
        if stated:
            return stated
        if said:
            return said  # type: ignore[return-value]
        self._note(REFERENCE_ASSUMED)
        return "vacuum"
