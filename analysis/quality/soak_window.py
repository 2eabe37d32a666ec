"""Where the car stood cold: every temperature sensor then reads one and the same temperature.

A car is taken to be cold-soaked where, before the engine starts (or in the first seconds after,
while its coolant has not moved), the temperatures are flat and agree within their sensors' limits,
coolant with air. Coolant as warm as the air is what tells a soaked car from one parked an hour ago.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from analysis.quality.view import COOLANTS, FRESH_AIR, View
from analysis.uncertainty import shared_parts
from ingest.values import dataclass

LONGEST_S: Final = 60.0
"""No more than this before the start is used: the sun moves on."""

AFTER_START_S: Final = 6.0
"""Where nothing was logged before the start: the first seconds after, no coolant moves in them."""

LATEST_START_S: Final = 5.0
"""A log that begins later than this after the start shows no soak."""

SHORTEST_BEFORE_S: Final = 4.0

MIN_READINGS: Final = 4
MIN_SENSORS: Final = 3
MIN_SHARE: Final = 0.6
"""... of the temperature sensors must agree."""

FLAT_K: Final = 0.3
"""A temperature that moves more than this within the window is not flat."""

MARGIN_K: Final = 0.8
"""How far a soaked car's parts may really differ, on top of the sensors' limits."""

UNEVEN_AIR_K: Final = 0.2
UNEVEN_COOLANT_K: Final = 0.3
"""Standard deviations of a soaked car's real temperatures about their mean (a judgment: a night in
still air leaves a few tenths of a kelvin, most in what has most mass)."""

GROUP_SIGMA: Final = 2.0
"""Coolant and air may differ by this many standard uncertainties of their difference."""

RUNNING_RPM: Final = 250.0


@dataclass(frozen=True)
class Soak:
    """A cold-soaked car's temperatures.

    Parameters
    ----------
    window
        From and to, s from engine start.
    temperature, u
        The car's temperature, °C: the sensors' mean, weighted by their limits and the real
        differences; and its standard uncertainty, K.
    means
        By point: mean in the window, °C.
    scatter
        By point: standard uncertainty of that mean from noise and rounding, K.
    limits
        By point: standard uncertainty from the sensor's systematic errors, K.
    agreeing, disagreeing
        Points that agree with the rest within their limits, and flat ones that do not.
    """

    window: tuple[float, float]
    temperature: float
    u: float
    means: Mapping[str, float]
    scatter: Mapping[str, float]
    limits: Mapping[str, float]
    agreeing: tuple[str, ...]
    disagreeing: tuple[str, ...]


def find_soak(view: View) -> Soak | None:
    """Look for a cold soak at the start of a run; None where the car was not soaked."""
    window = _window(view)
    points = view.temperatures()
    if window is None or len(points) < MIN_SENSORS:
        return None
    means: dict[str, float] = {}
    scatter: dict[str, float] = {}
    limits: dict[str, float] = {}
    for point in points:
        level = _level(view, point, window)
        if level is None:
            continue
        means[point], scatter[point] = level
        limits[point] = math.hypot(*shared_parts(view.sensor(point), level[0]).values(), 0.05)
    agreeing = _agreeing(means, limits)
    if not _is_soaked(agreeing, means, limits):
        return None
    temperature, u = _consensus(view, agreeing, means, limits)
    seconds = (float(view.time[window.start]), float(view.time[window.stop - 1]))
    others = tuple(point for point in means if point not in agreeing)
    return Soak(seconds, temperature, u, means, scatter, limits, agreeing, others)


def _window(view: View) -> slice | None:
    """Rows in which a soaked car would show it."""
    first = float(view.time[0])
    if first > LATEST_START_S:
        return None
    end = 0.0
    if "engine_speed" in view.run.sensors:
        running = view.values("engine_speed") > RUNNING_RPM
        begins = int(running.argmax())
        if running[begins]:
            end = min(end, float(view.time[begins]))
    if end - first < SHORTEST_BEFORE_S:
        begin, end = first, first + AFTER_START_S
    else:
        begin = max(first, end - LONGEST_S)
    start, stop = (int(np.searchsorted(view.time, at)) for at in (begin, end))
    return slice(start, stop) if stop - start >= MIN_READINGS else None


def _level(view: View, point: str, window: slice) -> tuple[float, float] | None:
    """Mean and its standard uncertainty; None where there are too few readings or they move."""
    values = view.values(point)[window]
    if not view.channel(point).whole:
        values = values[~np.isnan(values)]
    size = values.size
    if size < MIN_READINGS:
        return None
    half = size // 2
    resolution = view.sensor(point).resolution
    mean = float(values.sum()) / size
    centered = values - mean
    spread = math.sqrt(float(centered @ centered) / size)
    before = float(centered[:half].sum())
    after = float(centered[half:].sum())
    if abs(before / half - after / (size - half)) > FLAT_K + 2.0 * spread / math.sqrt(half):
        return None
    rounding = resolution / math.sqrt(12.0) if spread < resolution / 2.0 else 0.0
    # twice, since neighbouring readings of a slow sensor say the same
    return mean, math.hypot(2.0 * spread / math.sqrt(size), rounding)


def _agreeing(means: Mapping[str, float], limits: Mapping[str, float]) -> tuple[str, ...]:
    """The largest set of points that agree with one temperature within their limits."""
    best: tuple[str, ...] = ()
    closest = math.inf
    allowed = {point: math.sqrt(3.0) * limits[point] + MARGIN_K for point in means}
    for center in sorted(means.values()):
        near = tuple(point for point, mean in means.items() if abs(mean - center) <= allowed[point])
        apart = sum((means[point] - center) ** 2 for point in near)
        if (len(near), -apart) > (len(best), -closest):
            best, closest = near, apart
    return best


def _is_soaked(
    agreeing: tuple[str, ...], means: Mapping[str, float], limits: Mapping[str, float]
) -> bool:
    if len(agreeing) < max(MIN_SENSORS, MIN_SHARE * len(means)):
        return False
    coolants = [point for point in agreeing if point in COOLANTS]
    air = [point for point in agreeing if point not in COOLANTS]
    if not any(point in COOLANTS for point in means):
        # no coolant to ask: everything must agree, the air outside with the air inside
        fresh = [point for point in agreeing if point in FRESH_AIR]
        return len(agreeing) == len(means) and 0 < len(fresh) < len(agreeing)
    if not coolants or not air:
        return False
    (warm, warm_variance), (cool, cool_variance) = (
        _weighted(group, means, limits) for group in (coolants, air)
    )
    allowed = GROUP_SIGMA * math.sqrt(warm_variance + cool_variance) + MARGIN_K
    return abs(warm - cool) <= allowed


def uneven(point: str) -> float:
    """Standard deviation of a point's real temperature about a soaked car's mean, K."""
    return UNEVEN_COOLANT_K if point in COOLANTS else UNEVEN_AIR_K


def _weighted(
    points: Sequence[str], means: Mapping[str, float], limits: Mapping[str, float]
) -> tuple[float, float]:
    """Weighted mean of some points and its variance, their errors taken as independent."""
    weights = [1.0 / (limits[point] ** 2 + uneven(point) ** 2) for point in points]
    total = sum(weights)
    along = sum(weight * means[point] for weight, point in zip(weights, points, strict=True))
    return along / total, 1.0 / total


def _consensus(
    view: View, points: tuple[str, ...], means: Mapping[str, float], limits: Mapping[str, float]
) -> tuple[float, float]:
    """Weighted mean and its standard uncertainty; what sensors share does not average down."""
    mean, variance = _weighted(points, means, limits)
    shared: dict[str, float] = {}
    real = 0.0
    for point in points:
        weight = variance / (limits[point] ** 2 + uneven(point) ** 2)
        real += (weight * uneven(point)) ** 2
        for name, part in shared_parts(view.sensor(point), means[point]).items():
            shared[name] = shared.get(name, 0.0) + weight * part
    return mean, math.hypot(math.sqrt(real), *shared.values())
