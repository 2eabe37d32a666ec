"""The outlet's fluctuation in the steady window: how strong, how sure, and with what period.

The band is 8 to 120 s. The window is mirrored at its end before the Fourier transform (a discrete
cosine transform), so that a slow drift leaks far less into the band than by the jump between
last and first sample of a plain one. White noise of the sensor is read off above the band and
taken out of it; what a sensor with a known lag has damped is restored for the signal, not for
the noise, which arises after the sensor.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.signal.order_statistics import median
from analysis.uncertainty import mean_variance
from ingest.arrays import Floats
from ingest.values import dataclass

SHORTEST_S: Final = 8.0
LONGEST_S: Final = 120.0
"""The contract's band of periods, s."""

MIN_WINDOW_S: Final = 55.0
SLOWEST_SAMPLING_S: Final = 10.0
MIN_FILLED: Final = 0.7

FINEST_STEP_S: Final = 1.0
"""Faster readings are averaged to this: it is eight to the shortest period."""

LAG_U: Final = 0.1
"""Relative standard uncertainty of a stated time constant (common practice, no source)."""

FILTER_U: Final = 0.02
"""Two proper band filters differ by about this in the variance they pass."""

MIN_U_K: Final = 0.005
"""No fluctuation is known better than this."""

MIN_SWINGS: Final = 3.5
MIN_BIN: Final = 0.2
"""No frequency is known better than this share of one over the window's length (k = 1)."""

MIN_SHARE: Final = 0.4
"""Share of the band's power, noise taken out, that the strongest fluctuation must hold."""

FALSE_ALARM: Final = 0.002
LOG_SCATTER: Final = math.pi / math.sqrt(6.0)
"""Standard deviation of the logarithm of an exponential variate."""

EULER: Final = 0.5772156649015329


@dataclass(frozen=True, slots=True)
class Sampled:
    """Evenly spaced readings of a window.

    Parameters
    ----------
    step
        Spacing, s.
    values
        Readings less their straight line, shape (n,); short gaps are bridged.
    averaged
        Whether each is the mean of several readings.
    """

    step: float
    values: Floats
    averaged: bool

    @property
    def duration(self) -> float:
        """Length of the window, s."""
        return self.step * self.values.size


@dataclass(frozen=True, slots=True)
class Strength:
    """Standard deviation in the band, with noise taken out.

    Parameters
    ----------
    deviation
        K; 0 where the noise explains all that is seen.
    u
        Its standard uncertainty: ``deviation ± 2 u`` holds what the variance ± 2 u allows, so
        that it reaches down to 0 where the variance does (the root of a value near zero does not
        propagate linearly).
    noise
        Standard deviation of the noise taken out of the band, K.
    """

    deviation: float
    u: float
    noise: float


@dataclass(frozen=True, slots=True)
class Period:
    """Period of the strongest fluctuation, s, and its standard uncertainty."""

    seconds: float
    u: float


def sample(time: Floats, values: Floats) -> Sampled | str:
    """Put readings on an even spacing and take their straight line out.

    Parameters
    ----------
    time
        Strictly increasing times, s, shape (n,).
    values
        Valid readings, shape (n,).

    Returns
    -------
    Sampled or str
        Why they do not serve, where they do not.
    """
    length = float(time[-1] - time[0]) if time.size > 1 else 0.0
    if length < MIN_WINDOW_S:
        return f"fluctuation needs {MIN_WINDOW_S:.0f} s of steady outlet; there were {length:.0f}"
    step = max(FINEST_STEP_S, median(time[1:] - time[:-1]))
    if step > SLOWEST_SAMPLING_S:
        return f"the outlet was read every {step:.0f} s only: too seldom to see it fluctuate"
    place = np.floor((time - time[0]) / step + 0.5).astype(np.int64)
    size = int(place[-1]) + 1
    number = np.bincount(place, minlength=size)
    total = np.bincount(place, weights=values, minlength=size)
    known = np.flatnonzero(number)
    if known.size < MIN_FILLED * size:
        return "the outlet has too many gaps in the steady window to see it fluctuate"
    even = np.interp(np.arange(size), known, total[known] / number[known])
    index = np.arange(size) - (size - 1) / 2.0
    slope = float(index @ even) / float(index @ index)
    return Sampled(step, even - float(even.mean()) - slope * index, time.size > 1.5 * size)


def strength(sampled: Sampled, *, lag: float = 0.0, resolution: float = 0.0) -> Strength:
    """Measure the fluctuation in the band.

    Parameters
    ----------
    sampled
        The window.
    lag
        Time constant of the sensor, s; 0 where it is not known.
    resolution
        Smallest step of the readings, K.
    """
    n = sampled.values.size
    spectrum = np.fft.rfft(np.concatenate((sampled.values, sampled.values[::-1])))
    frequency = np.arange(n + 1) / (2.0 * sampled.duration)
    power = 2.0 * (spectrum.real**2 + spectrum.imag**2) / (2.0 * n) ** 2
    band = (frequency >= 1.0 / LONGEST_S) & (frequency <= 1.0 / SHORTEST_S)
    lagged = (2.0 * math.pi * frequency * lag) ** 2
    boost = 1.0 + lagged
    if sampled.averaged:  # a mean over a step damps too, and there the noise is the same
        boost = boost / np.sinc(frequency * sampled.step) ** 2
    passed = np.where(band, spectrum * np.sqrt(boost), 0.0)
    seen = np.fft.irfft(passed, 2 * n)[:n] ** 2
    noise, u_noise = _noise(power[1:n], frequency[1:n])
    share = float(boost[band].sum())
    # what rounding does to a signal quieter than its step is not white, and is not known
    rounding = resolution**2 / 12.0 if noise * n < resolution**2 / 4.0 else 0.0
    variance = float(seen.mean()) - noise * share
    lag_part = 2.0 * LAG_U * float((power[band] * lagged[band]).sum())
    # a window of length T cannot tell frequencies apart that differ by less than 1 / T, and its
    # straight line took some of the slowest
    at_edge = np.abs(frequency - 1.0 / LONGEST_S) <= 1.0 / sampled.duration
    edge = float(power[at_edge].sum()) / 2.0 + FILTER_U * max(variance, 0.0)
    u = math.sqrt(
        mean_variance(seen)
        + (u_noise * share) ** 2
        + lag_part**2
        + rounding**2 / 3.0
        + edge**2
        + MIN_U_K**4
    )
    value = math.sqrt(max(variance, 0.0))
    low, high = math.sqrt(max(variance - 2.0 * u, 0.0)), math.sqrt(max(variance, 0.0) + 2.0 * u)
    return Strength(value, max(value - low, high - value) / 2.0, math.sqrt(noise * share))


def _noise(power: Floats, frequency: Floats) -> tuple[float, float]:
    """White noise in one ordinate, with its standard uncertainty, K².

    Above the band where the sampling reaches there; else anything from none to all of what is in
    the top of what it reaches, and ``± 2 u`` covers that range twice.
    """
    above = frequency > 1.0 / SHORTEST_S
    if int(above.sum()) >= 8:
        level = float(power[above].mean())
        near = above & (frequency <= 2.0 / SHORTEST_S)
        tilt = float(power[near].mean()) - level if near.any() else 0.0
        return level, math.hypot(level * math.sqrt(2.0 / int(above.sum())), tilt)
    top = float(power[frequency > 0.75 * frequency[-1]].mean())
    return top / 2.0, top / 2.0


def period(sampled: Sampled) -> Period | None:
    """Period of the strongest fluctuation, where its peak stands above the background.

    The background is a power law through the tapered periodogram of the band, and the peak must
    exceed its upper bound as exponentially distributed ordinates would by chance once in five
    hundred windows, and hold most of what fluctuates. The frequency is the rate of the band-passed
    signal's phase; its scatter between parts of the window is the uncertainty.

    Returns
    -------
    Period or None
        None where no peak stands out, or too few swings were seen.
    """
    n = sampled.values.size
    spectrum = np.fft.rfft(sampled.values * np.hanning(n + 2)[1:-1])
    frequency = np.arange(spectrum.size) / sampled.duration
    power = spectrum.real**2 + spectrum.imag**2
    inside = (frequency >= 1.0 / LONGEST_S) & (frequency <= 1.0 / SHORTEST_S) & (power > 0.0)
    band = np.flatnonzero(inside)
    if band.size < 6:
        return None
    above = power[frequency > 1.0 / SHORTEST_S]
    floor = float(above.mean()) if above.size >= 8 else 0.0
    background = np.maximum(_background(np.log(frequency[band]), np.log(power[band])), floor)
    peak = int(np.argmax(power[band] - background))
    if power[band[peak]] < background[peak] * math.log(band.size / FALSE_ALARM):
        return None
    around = np.abs(frequency[band] - frequency[band[peak]]) <= frequency[band[peak]] / 3.0
    if (power[band[around]] - floor).sum() < MIN_SHARE * (power[band] - floor).sum():
        return None
    near = band[max(0, peak - 2) : peak + 3]
    center = float((frequency[near] * power[near]).sum() / power[near].sum())
    if center * sampled.duration < MIN_SWINGS:
        return None
    return _rate(sampled, center)


def _background(log_frequency: Floats, log_power: Floats) -> Floats:
    """Upper bound of a power law, flat or falling, through a periodogram without its peaks."""
    keep = np.ones(log_power.size, dtype=bool)
    bound = line = np.zeros(log_power.size)
    for _ in range(3):
        x, y = log_frequency[keep], log_power[keep]
        centered = x - x.mean()
        power = max(float(centered @ centered), 1e-12)
        slope = min(0.0, float(centered @ y) / power)
        away = log_frequency - float(x.mean())
        # the mean logarithm of an exponential variate lies Euler's constant below its mean's
        line = float(y.mean()) + slope * away + EULER
        bound = line + 2.0 * LOG_SCATTER * np.sqrt(1.0 / x.size + away**2 / power)
        out = log_power > line + 1.4
        wide = out | np.concatenate((out[1:], [False])) | np.concatenate(([False], out[:-1]))
        if int((~wide).sum()) < 4:
            break
        keep = ~wide
    return np.asarray(np.exp(bound))


def _rate(sampled: Sampled, center: float) -> Period | None:
    n = sampled.values.size
    frequency = np.fft.fftfreq(n, sampled.step)
    kept = (frequency > center / 1.5) & (frequency < center * 1.5)
    analytic = np.fft.ifft(np.where(kept, np.fft.fft(sampled.values), 0.0))
    edge = min(n // 8, round(0.5 / (center * sampled.step)))
    analytic = analytic[edge : n - edge]
    phase, weight = np.unwrap(np.angle(analytic)), np.abs(analytic) ** 2
    swings = center * sampled.step * phase.size
    parts = int(np.clip(swings / 2.0, 2, 8))
    pieces = zip(np.array_split(phase, parts), np.array_split(weight, parts), strict=True)
    rates = np.array([_slope(p, w) for p, w in pieces]) / (2.0 * math.pi * sampled.step)
    rate = _slope(phase, weight) / (2.0 * math.pi * sampled.step) if parts < 4 else rates.mean()
    if rate <= 0.0:
        return None
    u = math.hypot(math.sqrt(mean_variance(rates)), MIN_BIN / sampled.duration)
    return Period(1.0 / float(rate), u / float(rate) ** 2)


def _slope(values: Floats, weight: Floats) -> float:
    """Slope per sample of the weighted straight line through values."""
    index = np.arange(values.size, dtype=float)
    index -= float(weight @ index) / float(weight.sum())
    return float((weight * index) @ values) / float((weight * index) @ index)
