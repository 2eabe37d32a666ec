"""What comes over the wire: the `[serial]` table of run.toml.

``[serial]`` holds what all ports share; each ``[[serial.port]]`` adds to it or overrides it. With
one port everything may stand in ``[serial]`` itself.

::

    [serial]
    baud = 115200
    [[serial.port]]
    url = "COM5"
    columns = ["t", "outlet", "ambient"]      # csv lines without a header
    [[serial.port]]
    usb = "aaaa:bbbb"
    prefix = "gauge_"
    format = "query"
    query = [{ ask = "MEAS:PRES?", columns = ["vacuum"] }]
    period = 0.5
    [[serial.port]]
    url = "can:socketcan:can0"                # the car's own bus, read only; six values by name
    bitrate = 500000
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final, Literal, get_args

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from ingest.errors import Fault, UnusableRun

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

    from ingest.setup.model import Setup

HOST_COLUMN: Final = "host_s"
"""Column of the host's clock: seconds since the recording started."""
REGISTERS_OF: Final = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}
"""How many Modbus registers a number takes."""

BUS_SCHEME: Final = "can:"
"""How the place of a car's own bus begins: ``can:INTERFACE:CHANNEL``."""

LineFormat = Literal["csv", "json", "query", "modbus", "can"]
ValueName = Literal[
    "engine_coolant", "intake_air", "ambient", "module_voltage", "road_speed", "engine_speed"
]


class _Strict(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Query(_Strict):
    """One question to an instrument and the columns its answer fills."""

    ask: str = Field(min_length=1)
    columns: tuple[str, ...] = Field(min_length=1)


class Register(_Strict):
    """One number in a Modbus device: its place, how it is stored, and its column."""

    column: str = Field(min_length=1)
    address: int = Field(ge=0, le=65535)
    kind: Literal["holding", "input"] = "holding"
    type: Literal["int16", "uint16", "int32", "uint32", "float32"] = "int16"
    word_order: Literal["big", "little"] = "big"
    scale: float = Field(default=1.0, allow_inf_nan=False)
    offset: float = Field(default=0.0, allow_inf_nan=False)

    @property
    def count(self) -> int:
        """Registers it takes."""
        return REGISTERS_OF[self.type]


class BusValue(_Strict):
    """One value asked of the car's control units, and its column."""

    column: str = Field(min_length=1)
    value: ValueName
    control_unit: str | None = Field(default=None, pattern=r"^7[Ee][89A-Fa-f]$")
    """Identifier it answers under; else the lowest one that says it has the value."""


class PortTable(_Strict):
    """One port: where it is, how it is set, what its lines look like."""

    name: str | None = None
    url: str | None = None
    usb: str | None = Field(default=None, pattern=r"^[0-9A-Fa-f]{4}:[0-9A-Fa-f]{4}$")
    serial_number: str | None = None
    description: str | None = None
    prefix: str = ""

    baud: int = Field(default=115200, gt=0)
    bytesize: Literal[5, 6, 7, 8] = 8
    parity: Literal["N", "E", "O", "M", "S"] = "N"
    stopbits: float = 1
    flow: Literal["none", "rtscts", "xonxoff", "dsrdtr"] = "none"
    on_open: tuple[str, ...] = ()
    """Lines sent whenever the port was opened (``*CLS``, a start command)."""

    format: LineFormat = "csv"
    columns: tuple[str, ...] = ()
    delimiter: str | None = None
    decimal: Literal[".", ","] = "."
    encoding: str = "utf-8"
    checksum: Literal["none", "nmea"] = "none"
    time: Literal["logger", "host"] | None = None
    events: str = "!"
    """What a line that notes an event begins with; empty where there are none."""

    query: tuple[Query, ...] = ()
    registers: tuple[Register, ...] = ()
    unit: int = Field(default=1, ge=0, le=247)
    values: tuple[BusValue, ...] = Field(
        default=tuple(BusValue(column=name, value=name) for name in get_args(ValueName)),
        min_length=1,
    )
    bitrate: Literal[250000, 500000] = 500000
    """Of a car's own bus, bit/s; the two of ISO 15765-4."""
    period: float = Field(default=1.0, gt=0, allow_inf_nan=False)
    timeout: float = Field(default=1.0, gt=0, allow_inf_nan=False)
    end: str = "\n"
    """Line end of what is sent."""

    @model_validator(mode="before")
    @classmethod
    def _bus_by_its_place(cls, given: Any) -> Any:
        if isinstance(given, dict) and str(given.get("url", "")).startswith(BUS_SCHEME):
            return {"format": "can"} | given
        return given

    @field_validator("stopbits")
    @classmethod
    def _stopbits(cls, value: float) -> float:
        if value not in (1, 1.5, 2):
            msg = "1, 1.5 or 2"
            raise ValueError(msg)
        return value

    @field_validator("encoding")
    @classmethod
    def _known(cls, value: str) -> str:
        try:
            plain = "A,1\n".encode(value)
        except LookupError as error:
            msg = "a character encoding, such as utf-8 or cp1252"
            raise ValueError(msg) from error
        if plain != b"A,1\n":
            msg = "an encoding that writes plain letters as ASCII does"
            raise ValueError(msg)
        return value

    @model_validator(mode="after")
    def _goes_together(self) -> PortTable:
        if self.format == "query" and not self.query:
            msg = 'format = "query" needs query = [{ ask = "...", columns = ["..."] }]'
            raise ValueError(msg)
        if self.format == "modbus" and not self.registers:
            msg = 'format = "modbus" needs registers = [{ column = "...", address = 0 }]'
            raise ValueError(msg)
        if (self.url or "").startswith(BUS_SCHEME) and self.format != "can":
            msg = 'a url that begins with can: goes with format = "can"'
            raise ValueError(msg)
        names = self.own_columns
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            msg = f"every column once (twice: {', '.join(twice)})"
            raise ValueError(msg)
        return self

    @property
    def own_columns(self) -> tuple[str, ...]:
        """The columns it states, without its prefix."""
        if self.format == "query":
            return tuple(name for each in self.query for name in each.columns)
        if self.format == "modbus":
            return tuple(each.column for each in self.registers)
        if self.format == "can":
            return tuple(each.column for each in self.values)
        return self.columns

    @property
    def label(self) -> str:
        """Name for screens and messages."""
        return self.name or self.url or self.serial_number or self.usb or self.description or "port"

    @property
    def is_found(self) -> bool:
        """Whether it says where it is."""
        return any((self.url, self.usb, self.serial_number, self.description))


class SerialTable(_Strict):
    """The whole `[serial]` table."""

    port: tuple[PortTable, ...] = Field(min_length=1)


def read_serial(setup: Setup, file: str = "run.toml") -> SerialTable:
    """The set-up's `[serial]` table; where there is none, one port of plain CSV lines.

    Raises
    ------
    UnusableRun
        With one fault for each mistake.
    """
    shared = {key: value for key, value in setup.serial.items() if key != "port"}
    given = setup.serial.get("port", [{}])
    if not isinstance(given, list) or not all(isinstance(each, dict) for each in given):
        raise UnusableRun(
            Fault(
                f"{file} [serial] port",
                repr(given)[:80],
                "tables written [[serial.port]]",
                "write each port as [[serial.port]] with its own lines below it",
            )
        )
    ports, faults = [], []
    for number, table in enumerate(given, start=1):
        place = f"[[serial.port]] number {number}" if "port" in setup.serial else "[serial]"
        try:
            ports.append(PortTable.model_validate(shared | table))
        except ValidationError as error:
            faults += [_fault(f"{file} {place}", details) for details in error.errors()]
    if faults:
        raise UnusableRun(faults)
    if len(ports) > 255:
        raise UnusableRun(
            Fault(f"{file} [serial]", f"{len(ports)} ports", "at most 255", "leave some out")
        )
    return SerialTable(port=tuple(ports))


def with_ports(table: SerialTable, given: tuple[str, ...]) -> SerialTable:
    """Put the ports named on the command line in their places.

    Parameters
    ----------
    table
        The set-up's ports.
    given
        ``URL`` in the order of the ports, or ``name=URL``; a bare ``aaaa:bbbb`` is a USB id, and
        ``serial:TEXT`` a serial number.

    Raises
    ------
    UnusableRun
        Where one belongs to no port, or a port has no place.
    """
    ports = list(table.port)
    names = {port.name: at for at, port in enumerate(ports) if port.name}
    faults: list[Fault] = []
    for at, text in enumerate(given):
        name, _, rest = text.partition("=")
        if name in names and rest:
            place, where = names[name], rest
        elif at < len(ports):
            place, where = at, text
        else:
            faults.append(
                Fault(
                    f"port {text!r}",
                    f"more ports than run.toml describes ({len(ports)})",
                    "a [[serial.port]] table for each",
                    "add one to run.toml, or give one port",
                )
            )
            continue
        cleared = {"url": None, "usb": None, "serial_number": None, "description": None}
        ports[place] = ports[place].model_copy(update=cleared | _place(where))
    faults += [
        Fault(
            f"run.toml [serial] port {at}",
            f'format = "can" for {port.label}',
            f"a bus, {BUS_SCHEME}INTERFACE:CHANNEL, such as can:socketcan:can0",
            "name it on the command line or write url = ...",
        )
        for at, port in enumerate(ports, start=1)
        if port.is_found and port.format == "can" and not (port.url or "").startswith(BUS_SCHEME)
    ]
    faults += [
        Fault(
            f"run.toml [serial] port {at}",
            "no port",
            "a port such as COM5, /dev/ttyUSB0 or socket://127.0.0.1:4000",
            "name it on the command line or write url = ... ; `lukewarm ports` lists what is there",
        )
        for at, port in enumerate(ports, start=1)
        if not port.is_found
    ]
    if faults:
        raise UnusableRun(faults)
    return SerialTable(port=tuple(ports))


def _place(text: str) -> dict[str, str]:
    if re.fullmatch(r"[0-9A-Fa-f]{4}:[0-9A-Fa-f]{4}", text):
        return {"usb": text}
    if text.startswith("serial:"):
        return {"serial_number": text.removeprefix("serial:")}
    if text.startswith(BUS_SCHEME):
        return {"url": text, "format": "can"}
    return {"url": text}


def _fault(place: str, details: ErrorDetails) -> Fault:
    key = ".".join(str(part) for part in details["loc"])
    expected = details["msg"].removeprefix("Input should be ").removeprefix("Value error, ")
    if details["type"] == "extra_forbidden":
        known = ", ".join(sorted(PortTable.model_fields))
        return Fault(f"{place} {key}", "a key that means nothing here", f"one of {known}", "fix it")
    if not key:
        return Fault(place, "keys that do not go together", expected, "correct it in the file")
    found = repr(details["input"])
    found = found if len(found) <= 80 else found[:77] + "..."
    return Fault(f"{place} {key}", found, expected, "correct it in the file")
