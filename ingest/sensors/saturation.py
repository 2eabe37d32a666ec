"""Where water boils: the saturation temperature at a pressure (IAPWS-IF97, region 4).

IAPWS R7-97(2012), Revised Release on the IAPWS Industrial Formulation 1997 for the Thermodynamic
Properties of Water and Steam, section 8.2, backward equation (31), coefficients of Table 34.
"""

from __future__ import annotations

import math
from typing import Final

KELVIN: Final = 273.15
COEFFICIENTS: Final = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)
LOWEST_KPA: Final = 0.611213
HIGHEST_KPA: Final = 22_064.0


def saturation_temperature(pressure: float) -> float:
    """Saturation temperature of water.

    Parameters
    ----------
    pressure
        Absolute, kPa.

    Returns
    -------
    float
        °C; NaN outside 0.611213 kPa to 22.064 MPa, where the equation ends.
    """
    if not LOWEST_KPA <= pressure <= HIGHEST_KPA:
        return math.nan
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = COEFFICIENTS
    beta = math.sqrt(math.sqrt(pressure / 1000.0))
    e = beta**2 + n3 * beta + n6
    f = n1 * beta**2 + n4 * beta + n7
    g = n2 * beta**2 + n5 * beta + n8
    d = 2.0 * g / (-f - math.sqrt(f**2 - 4.0 * e * g))
    return (n10 + d - math.sqrt((n10 + d) ** 2 - 4.0 * (n9 + n10 * d))) / 2.0 - KELVIN
