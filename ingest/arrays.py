"""Types of the arrays that pass between functions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
"""Numbers in the unit their name or docstring gives; NaN where there is none."""
Bools = NDArray[np.bool_]
"""Yes or no for each element of an array beside it."""
