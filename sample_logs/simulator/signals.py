"""Small tools on noise-free signals, for the true values of figures."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from ingest.arrays import Floats
from sample_logs.simulator.schedule import STEP_S

Span = tuple[int, int]

SHORTEST_STEADY_S = 60.0
SMOOTHING_S = 61.0
TRANSIT_K = 0.4
"""A settled signal's mean stays this close to its last level, K, whatever it does by itself."""
DRIFT_K_S = 0.4 / 60.0
"""A cabin that still warms moves a settled outlet about this fast, K/s."""

BAND_S = (8.0, 120.0)
"""Periods that count as fluctuation, s."""


def spans(*keys: NDArray[np.generic]) -> list[Span]:
    """Stretches over which none of the keys changes, as index pairs (start, stop)."""
    changed = np.zeros(keys[0].size, dtype=bool)
    for key in keys:
        different = key[1:] != key[:-1]
        if np.issubdtype(key.dtype, np.floating):
            both_nan = np.isnan(key[1:].astype(float)) & np.isnan(key[:-1].astype(float))
            different &= ~both_nan
        changed[1:] |= different
    edges = [0, *np.flatnonzero(changed).tolist(), keys[0].size]
    return [(a, b) for a, b in pairwise(edges) if b > a]


def steady_part(signal: Floats, span: Span) -> Span | None:
    """The end of a span over which a signal has settled; None where that is too short.

    Settled means: its running mean (two passes of `SMOOTHING_S`, less in short spans) stays within
    `TRANSIT_K` of its last level, or within what its own fluctuation leaves of such a mean, and
    that level drifts by no more than `DRIFT_K_S`. The first pass of the mean is never settled.
    """
    start, stop = span
    if (stop - start) * STEP_S < SHORTEST_STEADY_S:
        return None
    part = signal[start:stop]
    width = int(min(SMOOTHING_S, (stop - start) * STEP_S / 5.0) / STEP_S)
    smooth = uniform_filter1d(uniform_filter1d(part, width), width)[width:-width]
    half = smooth[smooth.size // 2 :]
    count = np.arange(half.size)
    trend = np.polyfit(count, half, 1)
    around = part[-half.size :]
    own = 0.3 * float((around - around.mean()).std())
    if abs(float(trend[0])) > DRIFT_K_S * STEP_S and abs(float(trend[0])) * half.size > own:
        return None
    outside = np.flatnonzero(np.abs(smooth - half.mean()) > max(TRANSIT_K, own))
    begins = start + width + (int(outside[-1]) + 1 if outside.size else 0)
    return (begins, stop) if (stop - begins) * STEP_S >= SHORTEST_STEADY_S else None


def band_passed(signal: Floats) -> Floats:
    """The part of a signal with periods of `BAND_S`, its straight-line trend taken out first."""
    count = np.arange(signal.size)
    flat = signal - np.polyval(np.polyfit(count, signal, 1), count)
    spectrum = np.fft.rfft(flat)
    frequency = np.fft.rfftfreq(signal.size, STEP_S)
    outside = (frequency < 1.0 / BAND_S[1]) | (frequency > 1.0 / BAND_S[0])
    spectrum[outside] = 0.0
    return np.fft.irfft(spectrum, signal.size)


def strongest_period(signal: Floats) -> float | None:
    """Period of the strongest fluctuation, s; None where no period stands out.

    Standing out means that the band within a third of the strongest frequency holds more than
    half of the power.
    """
    size = 8 * signal.size
    spectrum = np.abs(np.fft.rfft(band_passed(signal) * np.hanning(signal.size), size)) ** 2
    frequency = np.fft.rfftfreq(size, STEP_S)
    peak = float(frequency[int(np.argmax(spectrum))])
    near = np.abs(frequency - peak) < peak / 3.0
    if peak <= 0.0 or spectrum[near].sum() < 0.5 * spectrum.sum():
        return None
    return 1.0 / peak


def first_crossing(position: Floats, rising: Floats, level: float) -> float:
    """Position where a rising curve first reaches a level, between samples by a straight line."""
    index = int(np.argmax(rising >= level))
    if index == 0:
        return float(position[0])
    below, above = float(rising[index - 1]), float(rising[index])
    share = (level - below) / (above - below)
    return float(position[index - 1] + share * (position[index] - position[index - 1]))
