"""The heater core: W of heat for each K between supply and entering air.

Effectiveness-NTU relations as in any heat-transfer handbook (Incropera and DeWitt, Fundamentals of
Heat and Mass Transfer, table of effectiveness relations): counterflow, cross-flow with both sides
unmixed (the usual approximation), cross-flow with the larger side mixed. `cells` is a row of
mixed cells on the coolant side that all meet fresh air. `fixed` is an air-side effectiveness that
does not change, against the coolant's mean temperature.
"""

from __future__ import annotations

from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

CELLS: Final = 6


class Core(Protocol):
    """Conductance of the whole core, W/K."""

    def __call__(self, ua: Floats, air: Floats, water: Floats, k: float, /) -> Floats: ...


def _parts(ua: Floats, air: Floats, water: Floats) -> tuple[Floats, Floats, Floats]:
    least, most = np.minimum(air, water), np.maximum(air, water)
    return ua / least, least / most, least


def fixed(ua: Floats, air: Floats, water: Floats, k: float) -> Floats:
    each = (0.62 + 0.2 * k) * air
    return each / (1 + each / (2 * water))


def crossflow(ua: Floats, air: Floats, water: Floats, k: float) -> Floats:
    ntu, ratio, least = _parts(ua, air, water)
    return least * (1 - np.exp(ntu**0.22 / ratio * np.expm1(-ratio * ntu**0.78)))


def cells(ua: Floats, air: Floats, water: Floats, k: float) -> Floats:
    crossed = air / CELLS * -np.expm1(-ua / air)
    return water * (1 - (1 + crossed / water) ** -float(CELLS))


def mixed_coolant(ua: Floats, air: Floats, water: Floats, k: float) -> Floats:
    """Cross-flow, coolant mixed and air unmixed; holds whichever of them is the larger."""
    return -water * np.expm1(air / water * np.expm1(-ua / air))


def counterflow(ua: Floats, air: Floats, water: Floats, k: float) -> Floats:
    ntu, ratio, least = _parts(ua, air, water)
    ratio = np.minimum(ratio, 0.9999)
    gone = np.exp(-ntu * (1 - ratio))
    return least * (1 - gone) / (1 - ratio * gone)


CORES: Final[dict[str, Core]] = {
    "fixed": fixed, "cross-flow": crossflow, "cells": cells,
    "mixed coolant": mixed_coolant, "counterflow": counterflow,
}  # fmt: skip
