"""Forms that laws take."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Shape(Protocol):
    """A law with one argument and one shape number 0..1."""

    def __call__(self, x: Floats, k: float, /) -> Floats: ...
