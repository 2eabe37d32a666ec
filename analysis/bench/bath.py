"""A bath: what its temperature is, and when a sensor in it has come to rest."""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np

from ingest.arrays import Bools, Floats
from ingest.run import Run
from ingest.sensors.atmosphere import barometric_pressure
from ingest.sensors.saturation import saturation_temperature
from ingest.sensors.tolerances import BAROMETER_FROM_ALTITUDE, BAROMETER_READ
from ingest.sensors.units import UnknownUnit, conversion, split_number, value_with_unit
from ingest.values import dataclass

BIN_S: Final = 5.0
MIN_REST_S: Final = 60.0
"""A sensor is at rest where it stays so for a minute ..."""

MAX_SLOPE_K: Final = 0.2
"""... changing by no more than this within it, beyond what its scatter and rounding explain."""

SAME_BATH_K: Final = 1.0
"""Stretches at rest this close to each other are in the same bath."""

ICE_K: Final = 0.1
"""Half-width of the temperature of melting tap-water ice (common practice, no source; distilled
water in a vacuum flask does far better: ASTM E563)."""

BOIL_K: Final = 0.3
"""Half-width of how far water that boils gently in a pot is from its saturation temperature:
overheating, salts, depth (common practice, no source)."""

UNIFORM_K: Final = {"ice": 0.1, "boiling": 0.2, "comparison": 0.2, "pot": 0.5}
"""Half-width of the difference between two places of a stirred bath, where the set-up says nothing
(common practice, no source)."""

REPEAT_K: Final = 0.1
"""Half-width of how well a sensor put in again reads the same (common practice, no source)."""

Where = Literal["coldest", "hottest", "longest"]


@dataclass(frozen=True, slots=True)
class Bath:
    """What a bath's temperature is known to be.

    Parameters
    ----------
    temperature
        °C.
    u
        Its standard uncertainty, which all sensors in it share.
    """

    temperature: float
    u: float


def bath_of(run: Run) -> Bath | str:
    """The fixed point of a bench run, or why it is not known."""
    bench = run.setup.bench
    if bench is None or bench.reference != "boiling":
        return Bath(0.0, ICE_K / math.sqrt(3.0))
    about = run.setup.run
    try:
        if about.barometer is not None:
            pressure, half = value_with_unit(about.barometer, "pressure"), BAROMETER_READ
        elif about.altitude is not None:
            pressure = barometric_pressure(value_with_unit(about.altitude, "length"))
            half = BAROMETER_FROM_ALTITUDE
        else:
            return "where water boils hangs on the air's pressure: give [run] barometer or altitude"
    except UnknownUnit as error:
        return f"where water boils hangs on the air's pressure, which cannot be read: {error}"
    boils = saturation_temperature(pressure)
    if math.isnan(boils):
        return "where water boils hangs on the air's pressure, and [run] gives none that air has"
    above, below = (saturation_temperature(pressure + sign * half) for sign in (1.0, -1.0))
    return Bath(boils, math.hypot((above - below) / 2.0, BOIL_K) / math.sqrt(3.0))


def uniformity(run: Run) -> float:
    """Half-width of the difference between two places of the bath, K."""
    bench = run.setup.bench
    if bench is None or bench.uniformity is None:
        return UNIFORM_K[(bench and bench.reference) or "pot"]
    number, unit = split_number(bench.uniformity)
    return number * conversion(unit, "temperature").factor


@dataclass(frozen=True, slots=True)
class Binned:
    """Means over bins of `BIN_S`, the same bins for all sensors of a run.

    Parameters
    ----------
    start
        Time of the first bin's beginning, s.
    means
        Shape (bins,), NaN for an empty one.
    """

    start: float
    means: Floats

    def span(self, first: int, stop: int) -> tuple[float, float]:
        """From and to of the bins ``first:stop``, s."""
        return self.start + first * BIN_S, self.start + stop * BIN_S


def binned(run: Run, point: str) -> Binned:
    """A sensor's readings in the run's bins."""
    whole = run.readings["time_s"]
    start = float(whole[0])
    count = int((float(whole[-1]) - start) // BIN_S) + 1
    time, values = run.series(point)
    place = ((time - start) // BIN_S).astype(np.intp)
    number = np.bincount(place, minlength=count)
    total = np.bincount(place, values, minlength=count)
    with np.errstate(invalid="ignore"):
        return Binned(start, np.asarray(np.where(number > 0, total / number, np.nan)))


def at_rest(means: Floats, resolution: float) -> Bools:
    """Bins in which a sensor is at rest: all of every minute over which it does not move.

    Parameters
    ----------
    means
        As in `Binned`.
    resolution
        Step of the readings, K.
    """
    width = math.ceil(MIN_REST_S / BIN_S)
    rest = np.zeros(means.size, dtype=bool)
    if means.size < width:
        return rest
    windows = np.lib.stride_tricks.sliding_window_view(means, width)
    centered = np.arange(width) - (width - 1) / 2.0
    power = float(centered @ centered)
    slope = windows @ centered / power
    left = windows - windows.mean(axis=1, keepdims=True) - slope[:, None] * centered
    scatter = np.sqrt(np.einsum("ij,ij->i", left, left) / (width - 2) / power)
    allowed = MAX_SLOPE_K + resolution + 3.0 * scatter * width
    still = (np.abs(slope) * width <= allowed) & (np.abs(left).max(axis=1) <= SAME_BATH_K)
    for begin in np.flatnonzero(still).tolist():
        rest[begin : begin + width] = True
    return rest


def stretch(means: Floats, rest: Bools, where: Where) -> tuple[int, int] | None:
    """The stretch at rest that is meant, as bins ``first, stop``; None where there is none.

    Parameters
    ----------
    means, rest
        Of one sensor, shape (bins,).
    where
        In the coldest or hottest bath of the log, or simply the longest.
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([False], rest, [False])).astype(np.int8)))
    runs = list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
    if not runs:
        return None
    if where != "longest":
        levels = [float(np.median(means[first:stop])) for first, stop in runs]
        extreme = min(levels) if where == "coldest" else max(levels)
        runs = [
            run
            for run, level in zip(runs, levels, strict=True)
            if abs(level - extreme) <= SAME_BATH_K
        ]
    return max(runs, key=lambda run: run[1] - run[0])
