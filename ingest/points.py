"""The measuring points and the quantities they are stored in (glossary: docs/contract.md)."""

from __future__ import annotations

from typing import Final

from ingest.values import dataclass


@dataclass(frozen=True, slots=True)
class Quantity:
    """A physical quantity and the unit it is stored in.

    Parameters
    ----------
    name
        ``temperature``, ``pressure``, ...
    unit
        The stored unit as pint reads it.
    suffix
        What a readings column ends in, e.g. ``degC`` in ``outlet_degC``.
    """

    name: str
    unit: str
    suffix: str


TEMPERATURE: Final = Quantity("temperature", "degC", "degC")
PRESSURE: Final = Quantity("pressure", "kPa", "kPa")
SPEED: Final = Quantity("speed", "m/s", "m_s")
ROTATION: Final = Quantity("rotation", "rpm", "rpm")
VOLTAGE: Final = Quantity("voltage", "V", "V")
POSITION: Final = Quantity("position", "%", "pct")

QUANTITIES: Final = {q.name: q for q in (TEMPERATURE, PRESSURE, SPEED, ROTATION, VOLTAGE, POSITION)}

POINTS: Final[dict[str, Quantity]] = {
    "outlet": TEMPERATURE,
    "outlet_defrost": TEMPERATURE,
    "outlet_panel": TEMPERATURE,
    "ambient": TEMPERATURE,
    "inlet_air": TEMPERATURE,
    "coolant_in": TEMPERATURE,
    "coolant_out": TEMPERATURE,
    "engine_coolant": TEMPERATURE,
    "footwell": TEMPERATURE,
    "cabin": TEMPERATURE,
    "cold_junction": TEMPERATURE,
    "vacuum_source": PRESSURE,
    "vacuum_actuator": PRESSURE,
    "road_speed": SPEED,
    "engine_speed": ROTATION,
    "blower_voltage": VOLTAGE,
    "temp_lever": POSITION,
}
"""Every measuring point of the contract and what it measures."""

MODES: Final = ("off", "vent", "floor", "defrost", "mixed", "recirculate")
"""Words the `mode` control may take."""

CONTROLS: Final = (
    "temp_lever",
    "blower",
    "mode",
    "air_door",
    "defrost",
    "engine",
    "vacuum_isolated",
    "opens",
    "full_open",
    "note",
)
"""Controls an events file may name; `opens` and `full_open` are a thermostat's on the bench."""


def column_name(point: str, quantity: Quantity) -> str:
    """Name of a readings column: measuring point and stored unit, ``outlet_degC``."""
    return f"{point}_{quantity.suffix}"
