"""Standard atmosphere up to 11 km (ISO 2533:1975): air pressure from altitude.

The standard's closed formula takes the geopotential altitude; a map or a satellite receiver gives
the geometric one. The two differ by 0.02 % at 1500 m (0.004 kPa), so either will do for a car, but
`barometric_pressure` takes the geometric altitude and converts it.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from ingest.arrays import Floats

SEA_LEVEL_KPA: Final = 101.325
SEA_LEVEL_K: Final = 288.15
LAPSE_K_PER_M: Final = -0.0065
GAS_CONSTANT: Final = 287.05287
"""Specific gas constant of air in ISO 2533, J/(kg K)."""
GRAVITY: Final = 9.80665
EARTH_RADIUS_M: Final = 6_356_766.0
"""Nominal radius for which the standard's geopotential altitude is defined."""
LOWEST_M: Final = -2000.0
HIGHEST_M: Final = 11_000.0


def geopotential_altitude(geometric: ArrayLike) -> Floats:
    """Geopotential altitude [m] from geometric altitude [m] (ISO 2533:1975, eq. 8)."""
    z = np.asarray(geometric, dtype=np.float64)
    return np.asarray(EARTH_RADIUS_M * z / (EARTH_RADIUS_M + z))


def pressure_at_geopotential(altitude: ArrayLike) -> Floats:
    """Pressure of the standard atmosphere in its lowest layer (ISO 2533:1975, eq. 12).

    Parameters
    ----------
    altitude
        Geopotential altitude [m], any shape.

    Returns
    -------
    ndarray
        Pressure [kPa], same shape; NaN below -2 km and above 11 km, where the layer ends.
    """
    height = np.asarray(altitude, dtype=np.float64)
    inside = (height >= LOWEST_M) & (height <= HIGHEST_M)
    ratio = 1.0 + LAPSE_K_PER_M * np.where(inside, height, np.nan) / SEA_LEVEL_K
    return np.asarray(SEA_LEVEL_KPA * ratio ** (-GRAVITY / (GAS_CONSTANT * LAPSE_K_PER_M)))


def barometric_pressure(altitude: float) -> float:
    """Standard pressure [kPa] at a place's altitude above the sea [m]; NaN outside the layer."""
    return float(pressure_at_geopotential(geopotential_altitude(altitude)))
