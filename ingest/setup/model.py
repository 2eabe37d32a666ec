"""The set-up of a run: `run.toml`, read and validated.

Every mistake is one `Fault` naming its place in the file; all are reported at once. Keys this
version does not know are kept in `Setup.unknown` and become a finding, so that a misspelt option
is never passed over in silence.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any, Final, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from ingest.errors import Fault, UnusableRun
from ingest.points import POINTS, QUANTITIES, Quantity
from ingest.regular import check_regular
from ingest.setup.mistakes import setup_faults
from ingest.setup.toml_text import MAX_TEXT, parse_toml

FIRST_YEAR: Final = 1970
LAST_YEAR: Final = 2100
MAX_CHANNELS: Final = 1000
"""More than any car has to say; a file with thousands is made to keep the reader busy."""

Heater = Literal["blend-air", "water-valve", "combined"]
Purpose = Literal["complaint", "after-repair", "baseline", "road-test", "bench"]
BenchPart = Literal["sensors", "thermostat", "actuator", "check valve", "line", "vacuum switch"]
BenchReference = Literal["ice", "boiling", "comparison"]
SensorKind = Literal[
    "thermocouple", "temperature", "rtd", "ntc", "pressure", "voltage", "speed", "position"
]

ColumnRef = str | int
"""A column by its name or its 1-based number."""

SENSOR_QUANTITY: Final[dict[str, str]] = {
    "thermocouple": "temperature",
    "temperature": "temperature",
    "rtd": "temperature",
    "ntc": "temperature",
    "pressure": "pressure",
    "voltage": "voltage",
    "speed": "speed",
    "position": "position",
}

WIRED: Final = frozenset({"thermocouple", "rtd", "ntc"})
"""Sensors with a wire of their own, which can break and was clipped on for the test; what else
logs a temperature is the engine's own sensor."""

QUANTITY_SENSOR: Final[dict[str, SensorKind]] = {
    "temperature": "temperature",
    "pressure": "pressure",
    "voltage": "voltage",
    "speed": "speed",
    "rotation": "speed",
    "position": "position",
}


class _Table(BaseModel):
    """A TOML table that remembers keys it does not know."""

    model_config = ConfigDict(frozen=True, extra="allow", arbitrary_types_allowed=True)

    def unknown_keys(self) -> tuple[str, ...]:
        return tuple(self.model_extra or ())


class RunTable(_Table):
    """`[run]`: which car, which heater, when."""

    vehicle: str = Field(min_length=1, max_length=200)
    family: str | None = None
    purpose: Purpose | None = None
    heater: Heater = "blend-air"
    started: datetime | None = None
    engine_start: float | None = Field(default=None, allow_inf_nan=False)
    barometer: str | None = None
    altitude: str | None = None
    coolant_heated_by: Literal["engine", "coolant heater"] = "engine"
    """A coolant heater (electric or fuel-fired) has no thermostat."""
    plant: str | None = None
    operator: str | None = None
    logger: str | None = None

    @field_validator("started")
    @classmethod
    def _within_the_calendar(cls, value: datetime | None) -> datetime | None:
        # what is added to it must stay a date, too
        if value is not None and not FIRST_YEAR <= value.year < LAST_YEAR:
            msg = f"a date between {FIRST_YEAR} and {LAST_YEAR}"
            raise ValueError(msg)
        return value


def has_no_thermostat(run: RunTable) -> bool:
    """Whether something else than an engine heats the coolant, which no thermostat then holds."""
    return run.coolant_heated_by == "coolant heater"


class TimeTable(_Table):
    """`[log] time`: which column or columns hold the time and how they are written."""

    column: ColumnRef | None = None
    columns: tuple[ColumnRef, ...] | None = None
    unit: str | None = None
    format: str | None = None
    timezone: str | None = None

    @model_validator(mode="after")
    def _one_of(self) -> TimeTable:
        if (self.column is None) == (self.columns is None):
            msg = "give either column or columns"
            raise ValueError(msg)
        return self


class LogTable(_Table):
    """`[log]`: the log file and what its dialect is where detection fails."""

    file: str = Field(min_length=1)
    time: TimeTable | None = None
    layout: Literal["wide", "long"] = "wide"
    name: ColumnRef | None = None
    value: ColumnRef | None = None
    unit: ColumnRef | None = None
    header: bool | None = None
    delimiter: str | None = None
    decimal: Literal[".", ","] | None = None
    thousands: str | None = None
    encoding: str | None = None
    units_row: bool | None = None
    header_row: int | None = Field(default=None, ge=1)
    """1-based line of the names."""
    sheet: str | int | None = None
    """Of a workbook the sheet, of a measurement file the group, of bus traffic the message, by name
    or 1-based number."""
    dbc: str | None = Field(default=None, min_length=1)
    """File of the run folder that describes the messages of bus traffic."""
    no_reading: tuple[str, ...] = ()

    @field_validator("no_reading", mode="before")
    @classmethod
    def _words(cls, value: Any) -> Any:
        if isinstance(value, list):
            return tuple(str(word) for word in value)
        return value

    @model_validator(mode="after")
    def _long_names_its_columns(self) -> LogTable:
        if self.layout == "long" and (self.name is None or self.value is None):
            msg = 'layout = "long" needs name = "..." and value = "..."'
            raise ValueError(msg)
        return self


class Scale(_Table):
    """Linear scale of a transducer: two raw values and what they mean."""

    from_: tuple[float, float] = Field(validation_alias="from")
    to: tuple[float, float]
    unit: str
    ratiometric_to: float | None = None
    """Supply voltage the raw values belong to, V; with `supply` names the supply's channel."""
    supply: str | None = None

    @model_validator(mode="after")
    def _spans(self) -> Scale:
        if self.from_[0] == self.from_[1]:
            msg = "from = [a, b] needs two different values"
            raise ValueError(msg)
        return self


class ChannelTable(_Table):
    """`[channels.NAME]`: one measuring point and the sensor on it."""

    column: ColumnRef | None = None
    value: str | None = None
    """In place of a column: what a thermometer that was read once showed, ``-5 degC``."""
    sensor: SensorKind | None = None
    type: Literal["B", "E", "J", "K", "N", "R", "S", "T"] = "K"
    unit: str | None = None
    cold_junction: str | float | None = None
    tolerance_class: Literal[1, 2, 3] | str | None = None
    tolerance: float | str | None = None
    """Half-width of the sensor's own limits of error: in its stored unit, or with a unit, ``1 K``;
    `ingest.sensors.tolerances.stated_tolerance` reads it."""
    time_constant: float | None = Field(default=None, ge=0, allow_inf_nan=False)
    scale: Scale | None = None
    reference: Literal["vacuum", "gauge", "absolute"] | None = None
    r0: float = Field(default=100.0, gt=0)
    """Platinum resistance at 0 °C, ohm."""
    beta: float | None = Field(default=None, gt=0)
    r25: float | None = Field(default=None, gt=0)
    steinhart_hart: tuple[float, float, float] | None = None

    @field_validator("type", mode="before")
    @classmethod
    def _letter(cls, value: Any) -> Any:
        return value.strip().upper() if isinstance(value, str) else value

    @field_validator("column")
    @classmethod
    def _from_one(cls, value: ColumnRef | None) -> ColumnRef | None:
        if isinstance(value, int) and value < 1:
            msg = "columns are numbered from 1"
            raise ValueError(msg)
        return value

    @field_validator("tolerance")
    @classmethod
    def _above_zero(cls, value: float | str | None) -> float | str | None:
        if isinstance(value, float | int) and not 0 < value < float("inf"):
            msg = "a number above 0"
            raise ValueError(msg)
        return value

    @model_validator(mode="after")
    def _from_somewhere(self) -> ChannelTable:
        if (self.column is None) == (self.value is None):
            msg = 'give either column = "..." or value = "..."'
            raise ValueError(msg)
        return self

    @property
    def source(self) -> str:
        """Where its readings come from, as the file names it."""
        return str(self.column if self.column is not None else self.value)


class EventsTable(_Table):
    """`[events]`: the file of control events and its clock against the logger's."""

    file: str = Field(min_length=1)
    offset: float = Field(default=0.0, allow_inf_nan=False)


class BenchTable(_Table):
    """`[bench]`: the part on the bench, where the purpose is ``bench``."""

    part: BenchPart
    stamped: str | None = None
    """Temperature stamped on a thermostat, with its unit."""
    reference: BenchReference | None = None
    """What sensors are compared with: melting ice, boiling water, or each other."""
    uniformity: str | None = None
    """How far the bath may differ from place to place (half-width), with its unit."""
    least_span: float | None = Field(default=None, gt=0, le=100)
    """Share of the lever's travel over which a vacuum switch must act, %."""
    most_hysteresis: float | None = Field(default=None, gt=0, le=100)
    """Play that a vacuum switch may have, % of the lever's travel."""

    @model_validator(mode="after")
    def _sensors_have_a_reference(self) -> BenchTable:
        if self.part == "sensors" and self.reference is None:
            msg = 'sensors need reference = "ice", "boiling" or "comparison"'
            raise ValueError(msg)
        return self


class SensorsTable(_Table):
    """`[sensors]`: what holds for all sensors of the run."""

    corrections: str | None = Field(default=None, min_length=1)
    """File of the run folder that `lukewarm corrections` wrote."""


class Setup(_Table):
    """A whole run.toml."""

    run: RunTable
    log: LogTable
    channels: dict[str, ChannelTable] = Field(default_factory=dict, max_length=MAX_CHANNELS)
    events: EventsTable | None = None
    sensors: SensorsTable | None = None
    bench: BenchTable | None = None
    serial: dict[str, Any] = Field(default_factory=dict)
    plan: dict[str, Any] = Field(default_factory=dict)
    limits: dict[str, Any] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _bench_says_its_part(self) -> Setup:
        if self.run.purpose == "bench" and self.bench is None:
            msg = 'purpose = "bench" needs [bench] part = "..."'
            raise ValueError(msg)
        if self.bench is not None and self.run.purpose != "bench":
            msg = '[bench] needs [run] purpose = "bench"'
            raise ValueError(msg)
        return self

    def quantity(self, point: str) -> Quantity | None:
        """What a channel measures; None where neither its name nor its sensor says so."""
        if point in POINTS:
            return POINTS[point]
        kind = self.channels[point].sensor
        return QUANTITIES[SENSOR_QUANTITY[kind]] if kind else None

    def sensor_kind(self, point: str) -> SensorKind:
        """The sensor word of a channel; where none is given, what its measuring point implies."""
        kind = self.channels[point].sensor
        if kind is not None:
            return kind
        quantity = POINTS.get(point)
        return QUANTITY_SENSOR[quantity.name] if quantity else "temperature"

    def unknown(self) -> tuple[str, ...]:
        """Keys of the file this version does not know, as ``[table] key``."""
        places: list[tuple[str, _Table | None]] = [
            ("", self),
            ("[run] ", self.run),
            ("[log] ", self.log),
            ("[log] time.", self.log.time),
            ("[events] ", self.events),
            ("[sensors] ", self.sensors),
            ("[bench] ", self.bench),
            *((f"[channels.{point}] ", table) for point, table in self.channels.items()),
        ]
        return tuple(
            f"{place}{key}" for place, table in places if table for key in table.unknown_keys()
        )


def parse_setup(text: str, file: str = "run.toml") -> Setup:
    """Validate the text of a run.toml.

    Raises
    ------
    UnusableRun
        With one fault for each mistake.
    """
    document = parse_toml(text, file)
    try:
        return Setup.model_validate(document)
    except ValidationError as error:
        raise UnusableRun(setup_faults(file, document, error.errors())) from error


def read_setup(path: Path) -> Setup:
    """Read and validate a run.toml.

    Raises
    ------
    UnusableRun
        Where it is missing, not UTF-8, not TOML or not a set-up.
    """
    check_regular(path, 4 * MAX_TEXT, "a run.toml")
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise UnusableRun(
            Fault(
                str(path),
                f"no readable file ({error.strerror or error})",
                "a run.toml",
                "draft one with `lukewarm setup LOG --out run.toml`",
            )
        ) from error
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnusableRun(
            Fault(
                path.name,
                f"bytes that are not UTF-8 (at byte {error.start})",
                "TOML in UTF-8",
                "save the file as UTF-8",
            )
        ) from error
    return parse_setup(text, path.name)
