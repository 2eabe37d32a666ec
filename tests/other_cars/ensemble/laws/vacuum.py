"""Vacuum: where it comes from and how a leak takes it."""

from __future__ import annotations

from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from tests.other_cars.ensemble.laws.law import Shape

Floats = NDArray[np.float64]


class Source(Protocol):
    """Vacuum of the source over its own level, from load (0..1) and revolutions (rpm)."""

    def __call__(self, load: Floats, revs: Floats, /) -> Floats: ...


def manifold(load: Floats, revs: Floats) -> Floats:
    """A throttled engine: hardly any at full load."""
    return 0.05 + 0.95 * (1 - load) ** 0.8


def pump(load: Floats, revs: Floats) -> Floats:
    return 1 - np.exp(-np.maximum(revs, 0) / 350)


SOURCES: Final[dict[str, Source]] = {"manifold": manifold, "pump": pump}


def capillary(line: Floats, k: float) -> Floats:
    return line


def orifice(line: Floats, k: float) -> Floats:
    return 7 * np.sqrt(np.maximum(line, 0))


def both(line: Floats, k: float) -> Floats:
    return (1 - k) * capillary(line, k) + k * orifice(line, k)


LOSSES: Final[dict[str, Shape]] = {"capillary": capillary, "orifice": orifice, "both": both}
"""Loss of vacuum, kPa/s times the reservoir's lag; line in kPa."""
