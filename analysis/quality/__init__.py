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
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.quality.view import Hit, View
from ingest.run import Run

if TYPE_CHECKING:
    from collections.abc import Iterable

Detect = Callable[[View], "Iterable[Hit]"]

GOOD: Final = 1
NOT_ASSESSED: Final = 0
BAD: Final = -1


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


def flags(run: Run, point: str) -> NDArray[np.int8]:
    """Judge every reading of an assessed run: `GOOD`, `BAD` or `NOT_ASSESSED`.

    Parameters
    ----------
    run
        What `assess` returned.
    point
        A measuring point.

    Returns
    -------
    ndarray
        One flag a row. A reading taken out is bad; a row without a reading, and all of a channel
        too short to be looked at, is not assessed.

    Raises
    ------
    KeyError
        Where the run has no such point.
    """
    values = run.readings[run.sensors[point].column].to_numpy()
    missing = np.isnan(values)
    result = np.where(missing, NOT_ASSESSED, GOOD).astype(np.int8)
    if values.size < 2:
        return np.zeros(values.size, dtype=np.int8)
    time = run.readings["time_s"].to_numpy()
    for finding in run.findings:
        if finding.channel == point and finding.forbids:
            low = -np.inf if finding.from_s is None else finding.from_s
            high = np.inf if finding.to_s is None else finding.to_s
            result[missing & (time >= low) & (time <= high)] = BAD
    return result
