"""The recipes of all channels of a run: barometer, circular cold junctions, order of conversion."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import field
from typing import Final

from ingest.errors import Fault
from ingest.sensors.atmosphere import SEA_LEVEL_KPA, barometric_pressure
from ingest.sensors.channel import Recipe, RecipeMaker
from ingest.sensors.tolerances import BAROMETER_FROM_ALTITUDE, BAROMETER_READ
from ingest.sensors.units import UnknownUnit, value_with_unit
from ingest.setup.model import Setup
from ingest.values import dataclass

BAROMETER_RANGE: Final = (45.0, 110.0)
"""Air pressure where cars go, kPa: 6000 m up to the deepest valley on its best day."""


@dataclass
class Recipes:
    """The recipes of all channels, in the order in which they can be carried out.

    Parameters
    ----------
    recipes
        By measuring point.
    faults
        Everything wrong with the set-up.
    barometer
        Ambient pressure [kPa] where the set-up gives it.
    barometer_read
        Whether it was read rather than derived from the altitude.
    """

    recipes: dict[str, Recipe] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    barometer: float | None = None
    barometer_read: bool = False


def make_recipes(
    setup: Setup, units: Mapping[str, str | None], *, log_file: str, setup_file: str
) -> Recipes:
    """Work out how every channel is converted.

    Parameters
    ----------
    setup
        The set-up.
    units
        By measuring point of the channels that are there: the unit the log gives, or None.
    log_file, setup_file
        Names for the faults' texts.
    """
    result = Recipes()
    _read_barometer(setup, setup_file, result)
    # one that is given but absurd is a fault of its own, and not one more for each channel
    given = setup.run.barometer is not None or setup.run.altitude is not None
    cycles = _circular(setup)
    for point, unit in units.items():
        maker = RecipeMaker(setup, point, unit, log_file, setup_file)
        if point in cycles:
            result.faults.append(maker.fault(
                "cold_junction", " -> ".join(cycles[point]), "a chain that ends", "let it end at a "
                "channel in degrees or a fixed value",
            ))  # fmt: skip
            continue
        recipe = maker.recipe(units, has_barometer=given)
        result.faults += maker.faults
        if recipe is not None and not maker.faults:
            result.recipes[point] = recipe
    if not result.faults:
        result.recipes = _ordered(result.recipes)
    return result


def ambient_pressure(setup: Setup) -> tuple[float, float]:
    """Pressure of the air around the car and its standard uncertainty, kPa.

    From the set-up's barometer, else its altitude, else the standard atmosphere at sea level.
    """
    found = Recipes()
    _read_barometer(setup, "", found)
    half = BAROMETER_READ if found.barometer_read else BAROMETER_FROM_ALTITUDE
    return found.barometer or SEA_LEVEL_KPA, half / math.sqrt(3.0)


def _read_barometer(setup: Setup, setup_file: str, result: Recipes) -> None:
    """Take the ambient pressure from the set-up's barometer, else from its altitude."""
    given = {"barometer": setup.run.barometer, "altitude": setup.run.altitude}
    dimensions = {"barometer": "pressure", "altitude": "length"}
    examples = {"barometer": '"98.6 kPa"', "altitude": '"300 m"'}
    for key, text in given.items():
        if text is None:
            continue
        where = f"{setup_file} [run] {key}"
        try:
            value = value_with_unit(text, dimensions[key])
        except UnknownUnit as error:
            result.faults.append(
                Fault(
                    where, str(error), f"a number with a unit, e.g. {examples[key]}", "correct it"
                )
            )
            continue
        pressure = value if key == "barometer" else barometric_pressure(value)
        low, high = BAROMETER_RANGE
        if not low <= pressure <= high:
            remedy = "give the pressure at the place, not reduced to sea level"
            result.faults.append(Fault(where, text, f"air of {low:g} to {high:g} kPa", remedy))
        elif result.barometer is None:
            result.barometer, result.barometer_read = pressure, key == "barometer"


def _circular(setup: Setup) -> dict[str, list[str]]:
    """Channels whose chain of cold junctions and supplies comes back to them, with the chain."""

    def next_of(point: str) -> list[str]:
        table = setup.channels[point]
        named = [table.cold_junction, table.scale.supply if table.scale else None]
        return [name for name in named if isinstance(name, str) and name in setup.channels]

    found: dict[str, list[str]] = {}
    for start in setup.channels:
        stack = [[start]]
        seen: set[str] = set()
        while stack:
            chain = stack.pop()
            for following in next_of(chain[-1]):
                if following == start:
                    found[start] = [*chain, start]
                elif following not in seen:
                    seen.add(following)
                    stack.append([*chain, following])
    return found


def _ordered(recipes: dict[str, Recipe]) -> dict[str, Recipe]:
    """Recipes with every channel after those it needs; there are no circles left."""
    ordered: dict[str, Recipe] = {}

    def add(point: str) -> None:
        for needed in recipes[point].needs:
            if needed in recipes:
                add(needed)
        ordered.setdefault(point, recipes[point])

    for point in recipes:
        add(point)
    return ordered
