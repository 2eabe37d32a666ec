"""Sensors other than thermocouples: platinum resistance, thermistors, scaled and pressure signals.

All functions are vectorized, and outside a formula's range the answer is NaN.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from ingest.arrays import Floats

PLATINUM_A: Final = 3.9083e-3
PLATINUM_B: Final = -5.775e-7
PLATINUM_C: Final = -4.183e-12
"""Coefficients of IEC 60751:2008, 4.2; `PLATINUM_C` below 0 °C only."""

PLATINUM_LOW: Final = -200.0
PLATINUM_HIGH: Final = 850.0

ZERO_CELSIUS: Final = 273.15
THERMISTOR_REFERENCE: Final = 25.0
"""Temperature at which a thermistor's nominal resistance is given, °C."""

THERMISTOR_LOW: Final = -80.0
THERMISTOR_HIGH: Final = 300.0
"""No thermistor is made for less or more, °C; a broken wire or a short reads far outside."""

SCALE_MARGIN: Final = 0.10
"""How far a signal may lie outside the two points of its scale, as a share of the span between
them: zero drift and noise, not a broken wire (0 V on a 0.5 V to 4.5 V transducer is 0.125 out)."""

Reference = Literal["vacuum", "gauge", "absolute"]


def platinum_resistance(temperature: ArrayLike, r0: float = 100.0) -> Floats:
    """Resistance of a platinum thermometer (IEC 60751:2008, eq. 1 and 2).

    Parameters
    ----------
    temperature
        Temperature [°C], any shape.
    r0
        Resistance at 0 °C [ohm].

    Returns
    -------
    ndarray
        Resistance [ohm], same shape; NaN outside -200 °C to 850 °C.
    """
    t = np.asarray(temperature, dtype=np.float64)
    t = np.where((t >= PLATINUM_LOW) & (t <= PLATINUM_HIGH), t, np.nan)
    below = np.where(t < 0.0, PLATINUM_C * (t - 100.0) * t * t * t, 0.0)
    return np.asarray(r0 * (1.0 + PLATINUM_A * t + PLATINUM_B * t * t + below))


def platinum_temperature(resistance: ArrayLike, r0: float = 100.0) -> Floats:
    """Temperature of a platinum thermometer: the exact inverse of `platinum_resistance`.

    From 0 °C up it is the root of the quadratic; below, Newton's method started there.

    Parameters
    ----------
    resistance
        Resistance [ohm], any shape.
    r0
        Resistance at 0 °C [ohm].

    Returns
    -------
    ndarray
        Temperature [°C], same shape; NaN outside -200 °C to 850 °C.
    """
    ratio = np.asarray(resistance, dtype=np.float64) / r0
    ends = platinum_resistance([PLATINUM_LOW, PLATINUM_HIGH], 1.0)
    ratio = np.where((ratio >= ends[0]) & (ratio <= ends[1]), ratio, np.nan)
    root = np.sqrt(PLATINUM_A**2 - 4.0 * PLATINUM_B * (1.0 - ratio))
    t = np.asarray((root - PLATINUM_A) / (2.0 * PLATINUM_B))
    cold = ratio < 1.0
    if cold.any():
        x, wanted = t[cold], ratio[cold]
        for _ in range(4):
            square = x * x  # a cube by ** takes fifty times as long
            value = 1.0 + PLATINUM_A * x + PLATINUM_B * square
            value += PLATINUM_C * (x - 100.0) * x * square
            slope = PLATINUM_A + 2.0 * PLATINUM_B * x + PLATINUM_C * (4.0 * x - 300.0) * square
            x = x - (value - wanted) / slope
        t[cold] = x
    return t


def steinhart_hart_temperature(
    resistance: ArrayLike, coefficients: tuple[float, float, float]
) -> Floats:
    """Temperature of an NTC thermistor, ``1/T = A + B ln R + C (ln R)^3``.

    J. S. Steinhart and S. R. Hart, Deep-Sea Res. 15, 1968, 497.

    Parameters
    ----------
    resistance
        Resistance [ohm], any shape.
    coefficients
        A, B and C [1/K].

    Returns
    -------
    ndarray
        Temperature [°C], same shape; NaN for resistances of 0 or less and outside
        `THERMISTOR_LOW` to `THERMISTOR_HIGH`.
    """
    a, b, c = coefficients
    logarithm = _log(resistance)
    return _thermistor(a + (b + c * logarithm * logarithm) * logarithm)


def beta_temperature(resistance: ArrayLike, beta: float, r25: float) -> Floats:
    """Temperature of an NTC thermistor by its beta value, ``1/T = 1/T25 + ln(R/R25)/beta``.

    Parameters
    ----------
    resistance
        Resistance [ohm], any shape.
    beta
        Beta value [K].
    r25
        Resistance at 25 °C [ohm].

    Returns
    -------
    ndarray
        Temperature [°C], same shape; NaN as in `steinhart_hart_temperature`.
    """
    inverse_reference = 1.0 / (THERMISTOR_REFERENCE + ZERO_CELSIUS)
    return _thermistor(inverse_reference + (_log(resistance) - np.log(r25)) / beta)


def _log(resistance: ArrayLike) -> Floats:
    r = np.asarray(resistance, dtype=np.float64)
    return np.log(np.where(r > 0.0, r, np.nan))


def _thermistor(inverse_kelvin: Floats) -> Floats:
    positive = np.where(inverse_kelvin > 0.0, inverse_kelvin, np.nan)
    t = 1.0 / positive - ZERO_CELSIUS
    return np.where((t >= THERMISTOR_LOW) & (t <= THERMISTOR_HIGH), t, np.nan)


def scaled(
    raw: ArrayLike,
    from_: tuple[float, float],
    to: tuple[float, float],
    supply: ArrayLike | None = None,
    ratiometric_to: float | None = None,
) -> Floats:
    """Reading of a linear transducer.

    Parameters
    ----------
    raw
        Signal as logged, any shape.
    from_, to
        Two signals and the readings they stand for.
    supply
        Supply voltage of a ratiometric transducer, broadcasts to `raw`.
    ratiometric_to
        Supply voltage that `from_` belongs to; needed with `supply`.

    Returns
    -------
    ndarray
        Reading in the unit of `to`, same shape as `raw`; NaN where the signal lies further outside
        `from_` than `SCALE_MARGIN` of its span, or the supply is below a tenth of its nominal.
    """
    signal = np.asarray(raw, dtype=np.float64)
    if supply is not None and ratiometric_to is not None:
        volts = np.asarray(supply, dtype=np.float64)
        signal = signal * (ratiometric_to / np.where(volts > 0.1 * ratiometric_to, volts, np.nan))
    span = from_[1] - from_[0]
    share = (signal - from_[0]) / span
    inside = (share >= -SCALE_MARGIN) & (share <= 1.0 + SCALE_MARGIN)
    share = np.where(inside, share, np.nan)  # a wild number is let go before it overflows
    return np.asarray(to[0] + share * (to[1] - to[0]))


def vacuum(pressure: ArrayLike, reference: Reference, barometer: float | None = None) -> Floats:
    """Vacuum, positive below ambient, from a pressure reading.

    Parameters
    ----------
    pressure
        Reading [kPa], any shape.
    reference
        What it counts from. ``vacuum`` is kept; ``gauge`` changes its sign, since a gauge reads
        negative below ambient; ``absolute`` is subtracted from the barometer.
    barometer
        Ambient pressure [kPa]; needed for ``absolute``.

    Returns
    -------
    ndarray
        Vacuum [kPa]; negative where the pressure is above ambient.

    Raises
    ------
    ValueError
        For an absolute pressure without a barometer.
    """
    reading = np.asarray(pressure, dtype=np.float64)
    if reference == "vacuum":
        return reading
    if reference == "gauge":
        return -reading
    if barometer is None:
        raise ValueError("an absolute pressure needs the barometer to become a vacuum")
    return barometer - reading
