"""The rise of the outlet after the engine start: lag taken out, and when it passes a level.

A first-order sensor of time constant tau reads x where the air is at x + tau dx/dt. Value and slope
come from one local quadratic fit (A. Savitzky and M. J. E. Golay, Anal. Chem. 36, 1964, 1627-1639),
so that taking the lag out does not blow up the noise.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np

from ingest.arrays import Floats
from ingest.values import dataclass

HALF_WIDTH_S: Final = 8.0
"""Half the width of the local fit, s: short against any warm-up, long against noise."""

STAY_S: Final = 30.0
"""A level counts as reached when it is held for this long, s."""


@dataclass(frozen=True, slots=True)
class Warming:
    """A smoothed rise with its sensor's lag taken out.

    Parameters
    ----------
    step
        Spacing, s.
    time
        Evenly spaced, s, shape (n,).
    rise
        Smoothed rise, K.
    u
        Standard uncertainty of a smoothed value from scatter, K.
    per_lag
        Change of `rise` per second of time constant, K/s.
    """

    step: float
    time: Floats
    rise: Floats
    u: float
    per_lag: Floats

    def reached(self, level: float) -> float | None:
        """When the rise first reaches a level and stays there for 30 s; None for never.

        Dips that scatter explains do not end the stay. Between samples it is interpolated.
        """
        stay = max(1, math.ceil(STAY_S / self.step))
        low = self.rise < level - 2.0 * self.u
        dips = np.concatenate(([0], np.cumsum(low)))
        # only where the record goes on for long enough
        begins = max(dips.size - stay, 0)
        held = (dips[stay:] == dips[:begins]) & (self.rise[:begins] >= level)
        if not held.any():
            return None
        first = int(np.argmax(held))
        if first == 0:
            return float(self.time[0])
        before, after = self.rise[first - 1 : first + 1]
        share = (level - before) / (after - before) if after > before else 1.0
        return float(self.time[first] - self.step * (1.0 - min(max(share, 0.0), 1.0)))


def smooth_rise(time: Floats, rise: Floats, lag: float) -> Warming | None:
    """Smooth an evenly sampled rise and take a first-order lag out of it.

    Parameters
    ----------
    time
        Evenly spaced, s, shape (n,).
    rise
        Shape (n,); NaN where there is no reading are bridged by a straight line.
    lag
        Time constant of the sensor, s.

    Returns
    -------
    Warming or None
        None where there are too few readings for a local fit.
    """
    step = float(time[1] - time[0]) if time.size > 1 else 1.0
    half = max(2, round(HALF_WIDTH_S / step))
    known = np.flatnonzero(~np.isnan(rise))
    if known.size < 4 * half:
        return None
    whole = known.size == rise.size
    filled = rise if whole else np.interp(np.arange(rise.size), known, rise[known])
    value_weight, slope_weight = _weights(half)
    # straight on at both ends, so that the fit has its full width there too
    start = 2.0 * filled[0] - filled[half:0:-1]
    end = 2.0 * filled[-1] - filled[-2 : -half - 2 : -1]
    padded = np.concatenate((start, filled, end))
    value = np.convolve(padded, value_weight[::-1], "valid")
    slope = np.convolve(padded, slope_weight[::-1], "valid") / step
    # successive differences see the scatter and not the slow rise
    steps = filled[1:] - filled[:-1]
    residual = steps[1:] - steps[:-1]
    scatter = math.sqrt(float(residual @ residual) / max(residual.size, 1) / 6.0)
    weight = value_weight + lag / step * slope_weight
    return Warming(
        step, time, value + lag * slope, scatter * math.sqrt(float(weight @ weight)), slope
    )


@lru_cache
def _weights(half: int) -> tuple[Floats, Floats]:
    """Weights that give value and slope (per sample) of a local quadratic fit at its center."""
    place = np.arange(-half, half + 1, dtype=float)
    design = np.stack((np.ones_like(place), place, place**2), axis=1)
    solution = np.linalg.pinv(design)
    return solution[0], solution[1]
