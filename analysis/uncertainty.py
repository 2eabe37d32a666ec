"""Standard uncertainties of means, and of anything by Monte Carlo.

Random scatter is averaged with its autocorrelation taken into account; a sensor's systematic
error sources are carried along unaveraged (see `analysis.measurement`).
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.measurement import Measurement
from ingest.arrays import Floats
from ingest.run import Sensor

LOWEST_ORDINATES: Final = 4
"""Periodogram ordinates taken for the spectrum at frequency zero."""

NEAR_LAGS: Final = 24
"""So many autocorrelations (an even number) are summed directly; they usually reach the cut."""

MIN_EFFECTIVE: Final = 2.0
"""A mean is never credited with fewer effective samples than this, nor with fewer than it shows."""


def effective_size(values: Floats) -> float:
    """Number of independent samples that carry as much about the mean as these correlated ones.

    ``n / (1 + 2 * sum of autocorrelations)``, the sum cut where the sum of two neighbouring
    autocorrelations first turns negative (Geyer, Statist. Sci. 7, 1992, 473, initial positive
    sequence).

    Parameters
    ----------
    values
        Evenly spaced samples, shape (n,), without NaN.

    Returns
    -------
    float
        Between 2 (or n, if less) and n.
    """
    n = values.size
    if n < 4:
        return float(max(n, 1))
    mean = float(values.sum()) / n
    centered = values - mean
    variance = float(centered @ centered) / n
    if variance <= (1e-12 * max(1.0, abs(mean))) ** 2:
        return float(n)
    pairs = _first_pairs(centered) / (n * variance)
    stop = _first_negative(pairs)
    if stop == 0 and 2 * pairs.size < n - 1:
        pairs = _all_pairs(centered) / (n * variance)
        stop = _first_negative(pairs)
    stop = stop or pairs.size
    inflation = max(1.0, 2.0 * float(pairs[:stop].sum()) - 1.0)
    return float(min(n, max(min(MIN_EFFECTIVE, n), n / inflation)))


def _first_pairs(centered: Floats) -> Floats:
    """Sums of two neighbouring autocovariances, times n, for lags below `NEAR_LAGS`."""
    n = centered.size
    lags = min(NEAR_LAGS, 2 * (n // 2))
    padded = np.zeros(n + lags - 1)
    padded[:n] = centered
    covariance = np.correlate(padded, centered)
    return np.asarray(covariance[0::2] + covariance[1::2])


def _all_pairs(centered: Floats) -> Floats:
    """The same for all lags, by the spectrum: many lags one by one would take too long."""
    n = centered.size
    spectrum = np.fft.rfft(centered, 1 << (2 * n - 1).bit_length())
    covariance = np.fft.irfft(spectrum.real**2 + spectrum.imag**2)[: 2 * (n // 2)]
    return np.asarray(covariance[0::2] + covariance[1::2])


def _first_negative(pairs: Floats) -> int:
    """Where the pairs first turn negative, 0 for nowhere: the first pair holds the variance."""
    return int((pairs <= 0.0).argmax())


def mean_variance(values: Floats) -> float:
    """Variance of the mean of evenly spaced, correlated samples, widened for how little it knows.

    The spectrum at frequency zero over the length of the record, the former estimated from the
    lowest periodogram ordinates (P. Heidelberger and P. D. Welch, Commun. ACM 24, 1981, 233-245;
    from memory). A fluctuation with a period well inside the record averages out and does not
    count; a slow one does. Few ordinates make few degrees of freedom: the result is the variance
    of Student's t (JCGM 101:2008, 6.4.9.4).

    Parameters
    ----------
    values
        Samples, shape (n,), without NaN; n of 2 at least.
    """
    n = values.size
    centered = values - float(values.sum()) / n
    if n < 2 * LOWEST_ORDINATES + 2:
        freedom = max(n - 1.0, 2.5)
        return float(centered @ centered) / ((n - 1) * n) * freedom / (freedom - 2.0)
    spectrum = np.fft.rfft(centered)[1 : LOWEST_ORDINATES + 1]
    power = float(np.vdot(spectrum, spectrum).real) / (LOWEST_ORDINATES * n**2)
    freedom = 2.0 * LOWEST_ORDINATES
    return power * freedom / (freedom - 2.0)


def mean_random(values: Floats, resolution: float = 0.0) -> float:
    """Standard uncertainty of the mean of evenly spaced samples from their own scatter.

    Rounding to `resolution` is added as a rectangular contribution (JCGM 100:2008, F.2.2.1); it
    averages down only where the scatter is larger than the step.
    """
    n = values.size
    if n == 0:
        return math.inf
    if n == 1:
        return resolution / math.sqrt(12.0)
    rounding = resolution**2 / 12.0
    centered = values - float(values.sum()) / n
    if float(centered @ centered) > n * (resolution / 2.0) ** 2:
        rounding /= effective_size(values)
    return math.sqrt(mean_variance(values) + rounding)


def shared_parts(sensor: Sensor, reading: float) -> dict[str, float]:
    """Signed systematic standard uncertainties of one sensor at a reading, by source."""
    parts: dict[str, float] = {}
    for source in sensor.errors:
        part = source.u + source.slope * (reading - source.at)
        parts[source.name] = parts.get(source.name, 0.0) + part
    return parts


def level(sensor: Sensor, values: Floats, window: tuple[float, float]) -> Measurement:
    """Mean of a sensor's evenly spaced readings in a window, with its uncertainty budget.

    Parameters
    ----------
    sensor
        The sensor, for its systematic errors and resolution.
    values
        Readings in the stored unit, shape (n,); NaN are left out.
    window
        From and to, s from engine start.
    """
    valid = values[~np.isnan(values)]
    if valid.size == 0:
        return Measurement.missing(sensor.quantity.unit, f"no valid reading of {sensor.point}")
    mean = float(valid.mean())
    return Measurement(
        mean,
        sensor.quantity.unit,
        mean_random(valid, sensor.resolution),
        shared_parts(sensor, mean),
        window=window,
    )
