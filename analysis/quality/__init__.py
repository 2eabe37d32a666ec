"""Is a reading believable: one kind of fault a module, found through one registry.

A module of this package defines a function decorated with `detector`; that is all there is to
adding one. `assess` runs them in order. What a detector says must not be used becomes null in
the run it returns; nothing is repaired, and a run without faults comes back as it was.

A detector must not accuse a car: signals in whole degrees, constants that are constants, fast
blend doors, switched vacuum, a fluctuating outlet and a stopped engine are none of its business.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable
from functools import cache
from typing import TYPE_CHECKING

from analysis.quality.view import Hit, View
from ingest.run import Run
from ingest.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Iterable

Detect = Callable[[View], "Iterable[Hit]"]


@dataclass(frozen=True, slots=True)
class Detector:
    """One detector.

    Parameters
    ----------
    name
        The finding it makes, or the first of them.
    order
        Detectors run in this order, and each sees what those before it have taken out.
    detect
        Takes the view of a run; returns what it found.
    """

    name: str
    order: int
    detect: Detect


_DETECTORS: dict[str, Detector] = {}


def detector(name: str, *, order: int) -> Callable[[Detect], Detect]:
    """Register the decorated function as a detector."""

    def register(detect: Detect) -> Detect:
        _DETECTORS[name] = Detector(name, order, detect)
        return detect

    return register


@cache
def all_detectors() -> tuple[Detector, ...]:
    """Every detector of the package, in order."""
    for module in pkgutil.iter_modules(__path__):
        importlib.import_module(f"{__name__}.{module.name}")
    return tuple(sorted(_DETECTORS.values(), key=lambda each: (each.order, each.name)))


def assess(run: Run) -> Run:
    """Run every detector; return the run with its findings and without what must not be used.

    Parameters
    ----------
    run
        As it was loaded. Its findings come first in the result's.
    """
    if run.readings.height < 2:
        return run
    view = View(run)
    for each in all_detectors():
        for hit in tuple(each.detect(view)):
            view.apply(hit)
    return view.assessed()
