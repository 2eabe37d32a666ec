"""The values a control unit is asked for: identifier, scaling and unit, all of SAE J1979.

The formulas are those of SAE J1979, appendix B, with A the first data byte and B the second:
temperatures A - 40 °C, engine speed (256 A + B) / 4 rpm, road speed A km/h, supply voltage of the
control unit (256 A + B) / 1000 V.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

from ingest.bus.frames import Answer, read_frame
from ingest.errors import Fault
from ingest.sensors.units import same_unit
from ingest.values import dataclass

if TYPE_CHECKING:
    from ingest.setup.model import Setup
    from ingest.setup.serial import PortTable, ValueName


@dataclass(frozen=True, slots=True)
class Value:
    """One value of a control unit: ``(raw / divisor) + offset`` in its unit."""

    identifier: int
    unit: str
    divisor: int = 1
    offset: int = 0

    def number(self, data: bytes) -> str:
        """The data of an answer as a decimal number without rounding."""
        raw = int.from_bytes(data, "big")
        if self.divisor == 1:
            return str(raw + self.offset)
        return f"{raw / self.divisor + self.offset:.3f}".rstrip("0").rstrip(".")


VALUES: Final[dict[ValueName, Value]] = {
    "engine_coolant": Value(0x05, "degC", offset=-40),
    "intake_air": Value(0x0F, "degC", offset=-40),
    "ambient": Value(0x46, "degC", offset=-40),
    "module_voltage": Value(0x42, "V", divisor=1000),
    "road_speed": Value(0x0D, "km/h"),
    "engine_speed": Value(0x0C, "rpm", divisor=4),
}
"""In the order in which they are asked: what changes fastest stands nearest to the row's time."""


def read_cell(name: ValueName, frame: bytes) -> str:
    """The number in a control unit's frame.

    Raises
    ------
    ValueError
        Where it holds no answer for this value.
    """
    said = read_frame(frame)
    value = VALUES[name]
    if not isinstance(said, Answer) or said.value != value.identifier:
        msg = f"no answer for {name}"
        raise ValueError(msg)
    return value.number(said.data)


def unit_faults(setup: Setup, ports: Iterable[PortTable]) -> list[Fault]:
    """Channels whose unit is not the one that their value comes in.

    Parameters
    ----------
    setup
        The channels.
    ports
        The ports; those that are no bus are passed over.
    """
    units = {
        port.prefix + each.column: VALUES[each.value].unit
        for port in ports
        if port.format == "can"
        for each in port.values
    }
    return [
        Fault(
            f"run.toml [channels.{point}] unit",
            repr(table.unit) if table.unit else "no unit",
            f"the unit that control units answer in, {unit}",
            f'write unit = "{unit}"',
        )
        for point, table in setup.channels.items()
        if isinstance(table.column, str)
        and (unit := units.get(table.column.strip())) is not None
        and not (table.unit and same_unit(table.unit, unit))
    ]
