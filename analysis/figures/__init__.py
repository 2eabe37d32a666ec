"""The figures of a heater: one a module, all found through one registry.

A module in this package defines one public function decorated with `figure`; that is all there is
to adding one. `all_figures` imports every module of the package and lists them in the contract's
order.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from analysis.measurement import Measurement

if TYPE_CHECKING:
    from analysis.context import Context

Measure = Callable[["Context"], Measurement]


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure: its name, unit and how to measure it.

    Parameters
    ----------
    name
        The contract's name.
    unit
        The contract's unit.
    order
        Place in tables (the contract's order, in tens).
    label
        What a technician calls it, for screens.
    measure
        Takes the context, returns a `Measurement`; never raises for missing data.
    """

    name: str
    unit: str
    order: int
    label: str
    measure: Measure


_FIGURES: dict[str, Figure] = {}


def figure(name: str, unit: str, *, order: int, label: str) -> Callable[[Measure], Measure]:
    """Register the decorated function as a figure."""

    def register(measure: Measure) -> Measure:
        _FIGURES[name] = Figure(name, unit, order, label, measure)
        return measure

    return register


@cache
def all_figures() -> tuple[Figure, ...]:
    """Every figure of the package, in order."""
    for module in pkgutil.iter_modules(__path__):
        importlib.import_module(f"{__name__}.{module.name}")
    return tuple(sorted(_FIGURES.values(), key=lambda each: (each.order, each.name)))
