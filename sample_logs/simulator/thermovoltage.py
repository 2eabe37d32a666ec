"""Thermocouple voltages for raw-millivolt logs, from a published library's reference functions.

`thermocouple-its90` evaluates the NIST ITS-90 functions one value at a time; a table of them every
0.1 K, read with a straight line between, is good to 0.01 uV, far below a logger's resolution.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from ingest.arrays import Floats

LOWEST_DEGC, HIGHEST_DEGC = -60.0, 260.0


def millivolts(letter: str, temperature: Floats) -> Floats:
    """Voltage against a reference junction at 0 °C, mV, shape (n,); NaN stays NaN.

    Raises
    ------
    ValueError
        Where a temperature lies outside the table.
    """
    grid, voltage = _table(letter)
    valid = temperature[~np.isnan(temperature)]
    if valid.size and (valid.min() < LOWEST_DEGC or valid.max() > HIGHEST_DEGC):
        msg = f"temperatures from {valid.min():.0f} to {valid.max():.0f} °C leave the table"
        raise ValueError(msg)
    return np.interp(temperature, grid, voltage)


@cache
def _table(letter: str) -> tuple[Floats, Floats]:
    # a development dependency: only who writes raw-millivolt logs needs it
    import thermocouple_its90

    grid = np.linspace(LOWEST_DEGC, HIGHEST_DEGC, round((HIGHEST_DEGC - LOWEST_DEGC) * 10) + 1)
    couple = thermocouple_its90.get(letter)
    return grid, np.array([couple.emf(float(each)) for each in grid])
