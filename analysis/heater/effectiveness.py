"""Effectiveness of a heat exchanger from its number of transfer units, and back.

Effectiveness is the heat exchanged over the most that could be: ``Q / (C_min * (T_hot_in -
T_cold_in))``. ``NTU = UA / C_min`` and ``ratio = C_min / C_max``, the heat capacity rates of the
two streams. A heater core is a single-pass cross-flow exchanger; fins and tubes keep both streams
unmixed.

References
----------
.. [1] B. S. Baclic, A simplified formula for cross-flow heat exchanger effectiveness, J. Heat
   Transfer 100 (1978) 746, eq. 3 (both streams unmixed, exact; Bessel functions).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from ingest.arrays import Floats

ALMOST_ZERO: Final = 1e-9
"""Ratios below this give the limit of one stream at constant temperature to 1e-9 or better."""


def effectiveness_from_ntu(ntu: ArrayLike, ratio: ArrayLike) -> Floats:
    """Effectiveness of an exchanger.

    Parameters
    ----------
    ntu
        Number of transfer units, >= 0, [-].
    ratio
        Smaller over larger heat capacity rate, 0 to 1, [-]. 0 stands for a stream that changes
        its temperature not at all; the effectiveness is then ``1 - exp(-NTU)``.

    Returns
    -------
    ndarray
        Effectiveness, 0 to 1, broadcast shape of `ntu` and `ratio`; NaN where an input is NaN.

    Raises
    ------
    ValueError
        Where `ntu` is negative or `ratio` outside 0 to 1.
    """
    n, c = _checked(ntu, ratio)
    if np.any(n < 0):
        raise ValueError("a number of transfer units is 0 or more")
    safe = np.where(c < ALMOST_ZERO, 0.5, c)
    general = _cross(n, safe)
    result: Floats = np.where(c < ALMOST_ZERO, -np.expm1(-n), general)
    return result


def ntu_from_effectiveness(effectiveness: ArrayLike, ratio: ArrayLike) -> Floats:
    """Number of transfer units an exchanger must have for its effectiveness.

    Parameters
    ----------
    effectiveness
        0 to 1, [-].
    ratio
        Smaller over larger heat capacity rate, 0 to 1, [-].

    Returns
    -------
    ndarray
        NTU; NaN where no exchanger reaches that effectiveness with an NTU up to `LARGEST_NTU`.

    Raises
    ------
    ValueError
        Where `effectiveness` is negative or `ratio` outside 0 to 1.
    """
    wanted, c = _checked(effectiveness, ratio)
    if np.any(wanted < 0):
        raise ValueError("an effectiveness is 0 or more")
    reachable = wanted < 1.0
    wanted = np.where(reachable, wanted, 0.0)
    # One stream at constant temperature needs the fewest units, so this starts at or below the
    # root; effectiveness is concave in NTU, so Newton's steps never pass it.
    ntu = -np.log1p(-wanted)
    for _ in range(MAX_STEPS):
        h = 1e-4 * (1e-3 + ntu)
        here, ahead = (effectiveness_from_ntu(at, c) for at in (ntu, ntu + h))
        slope = np.maximum((ahead - here) / h, SMALLEST_SLOPE)
        step = (wanted - here) / slope
        ntu = np.clip(ntu + step, 0.0, LARGEST_NTU)
        if np.all(np.abs(step) <= CLOSE_ENOUGH * (1.0 + ntu)):
            break
    result: Floats = np.where(reachable & (ntu < LARGEST_NTU), ntu, np.nan)
    return result


LARGEST_NTU: Final = 100.0
"""Largest NTU the inverse looks for: there even equal capacity rates are within 6 % of all."""

MAX_STEPS: Final = 60
CLOSE_ENOUGH: Final = 1e-12
SMALLEST_SLOPE: Final = 1e-12


def _checked(first: ArrayLike, ratio: ArrayLike) -> tuple[Floats, Floats]:
    values, c = np.broadcast_arrays(
        np.asarray(first, dtype=np.float64), np.asarray(ratio, dtype=np.float64)
    )
    if np.any((c < 0) | (c > 1)):
        raise ValueError("a ratio of capacity rates lies between 0 and 1")
    return values, c


def _cross(n: Floats, c: Floats) -> Floats:
    """Both unmixed, the series of [1]; scaled Bessel functions keep large NTU finite."""
    from scipy.special import ive

    root = np.sqrt(c)
    z = 2.0 * n * root
    # z never exceeds n (1 + c), so that this scale never overflows
    scale = np.exp(z - n * (1.0 + c))
    largest = float(np.max(z, initial=0.0, where=~np.isnan(z)))
    # beyond its argument a Bessel function falls faster than any power
    orders = np.arange(2, int(largest + 10.0 * np.cbrt(largest + 1.0)) + 25)
    terms = root[..., np.newaxis] ** orders * ive(orders, z[..., np.newaxis])
    series = ive(0, z) + root * ive(1, z) - (1.0 - c) / c * terms.sum(axis=-1)
    result: Floats = 1.0 - scale * series
    return result
