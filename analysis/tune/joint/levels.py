"""Where good cars lie in a figure, by family and weather, so that one number sets all its limits.

A limit is a distance from the family's good cars: ``center + offset + width * distance`` on the
figure's score (larger is worse; see `analysis.tune.search.scores`). The offset is the family's,
drawn to the others as far as its cars are few (`analysis.statistics.pooling`); the width makes up
for what is not known of it. Each run is held against its family's *other* cars, as a new car is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.figures import spread_grows
from analysis.statistics.pooling import Pooled, pool
from analysis.tune.joint.table import Table
from analysis.tune.search.scores import Scale
from analysis.tune.weather import Slope, ambient_slope
from ingest.arrays import Bools, Floats

FEWEST: Final = 5
"""Good cars below which a figure is left alone."""

FARTHEST: Final = 4.0
"""Robust standard deviations from the middle to which values farther out are drawn."""


@dataclass(frozen=True)
class Level:
    """One figure's good cars.

    Parameters
    ----------
    scale
        From values to scores.
    slope
        What the weather does.
    pooled
        What the families do.
    offset, width
        By family of the table, shape (families,).
    floor
        Least distance a limit may have, because nearer ones are harmless, shape (families,).
    general_width
        Width for families that are not in the table.
    cars
        Good cars behind it.
    spread
        Standard deviation of good cars' distances, what lies far out drawn in.
    """

    scale: Scale
    slope: Slope
    pooled: Pooled
    offset: Floats
    width: Floats
    floor: Floats
    general_width: float
    cars: int
    spread: float

    def bounds(self, distance: float) -> Floats:
        """The limit of each family, as values of the figure, shape (families,)."""
        reach = self.pooled.center + self.offset + self.width * np.maximum(distance, self.floor)
        return np.array([self.scale.value(float(each)) for each in reach])

    def general(self, distance: float, harmless: float) -> float:
        """The limit for families not known here: as many widths away, in the wider spread."""
        center = self.scale.value(self.pooled.center)
        nearest = float(self.scale.score(np.array(center + self.scale.sign * harmless)))
        return self.scale.value(max(self.pooled.center + self.general_width * distance, nearest))


@dataclass(frozen=True)
class Distances:
    """Each run of a table as a distance from its family's other good cars.

    Parameters
    ----------
    distance
        NaN where not measured, shape (n,).
    u
        Standard uncertainty in the same unit, shape (n,).
    standing
        Distance of the bound in force, infinite where there is none, shape (n,).
    """

    distance: Floats
    u: Floats
    standing: Floats


def level_of(table: Table, at: int, side: str, harmless: Floats, train: Bools) -> Level | None:
    """Learn one figure's level; None with fewer than `FEWEST` good cars or all of them alike.

    Parameters
    ----------
    table
        Labelled runs.
    at
        Column of the figure.
    side
        ``low`` or ``high``, where it is bad.
    harmless
        Difference from the family's mean that is never bad, by family, shape (families,).
    train
        Runs to learn from, shape (n,).
    """
    value = table.value[:, at]
    used = train & ~table.bad & np.isfinite(value)
    car, first, own = np.unique(table.car[used], return_index=True, return_inverse=True)
    if car.size < FEWEST:
        return None
    log = spread_grows(table.names[at]) and bool((value[np.isfinite(value)] > 0.0).all())
    scale = Scale(1.0 if side == "high" else -1.0, log)
    count = np.bincount(own)
    score = np.bincount(own, scale.score(value[used])) / count
    ambient = np.bincount(own, table.ambient[used]) / count
    family = table.family[used][first]
    slope = ambient_slope(score, ambient, family)
    score = score - _weather(slope, ambient)
    names = np.array(table.families)
    pooled = pool(score, names[family], table.families)
    offset = np.array([pooled.families[name].mean for name in table.families])
    within = pooled.within
    if not within > 0.0:
        return None
    unsure = np.array([pooled.families[name].sd for name in table.families])
    usual = math.sqrt(within**2 + float((unsure[family] ** 2).mean()))
    width = np.hypot(within, unsure) / usual
    means = [scale.value(pooled.center + each) for each in offset]
    nearest = scale.score(np.array(means) + scale.sign * harmless)
    floor = (nearest - pooled.center - offset) / width
    away = (score - pooled.center - offset[family]) / width[family]
    spread = _spread(away)
    between = pooled.between if len(table.families) > 1 else 0.0
    return Level(scale, slope, pooled, offset, width, floor, math.hypot(within, between) / usual,
                 int(car.size), spread)  # fmt: skip


def _spread(away: Floats) -> float:
    """Standard deviation, with what lies far out drawn in: it may be a wrong label."""
    quartiles = float(np.quantile(away, 0.75) - np.quantile(away, 0.25)) / 1.349
    if quartiles == 0.0:
        return float(away.std(ddof=1))
    middle = float(np.median(away))
    reach = FARTHEST * quartiles
    return float(np.clip(away, middle - reach, middle + reach).std(ddof=1))


def distances(table: Table, at: int, level: Level, bound: Floats, train: Bools) -> Distances:
    """Hold every run against its family's good cars, those of its own car left out.

    Parameters
    ----------
    table, at
        As in `level_of`.
    level
        The figure's level.
    bound
        Bound in force on the bad side, infinite where open, shape (n,).
    train
        Runs the level was learned from, shape (n,).
    """
    value, scale = table.value[:, at], level.scale
    score = scale.score(value)
    adjusted = score - _weather(level.slope, table.ambient)
    width = level.width[table.family]
    base = level.pooled.center + _others(table, adjusted, level, train)
    u = table.u[:, at] / value if scale.log else table.u[:, at]
    with np.errstate(invalid="ignore", divide="ignore"):
        limit = scale.score(bound)
    # a bound that no logarithm has lies below all values
    limit = np.where(np.isnan(limit), -math.inf, limit)
    return Distances((adjusted - base) / width, u / width, (limit - base) / width)


def _weather(slope: Slope, ambient: Floats) -> Floats:
    if slope.per_k == 0.0:
        return np.zeros(ambient.size)
    away = np.where(np.isfinite(ambient), ambient - slope.reference, 0.0)
    return np.asarray(slope.per_k * away)


def _others(table: Table, adjusted: Floats, level: Level, train: Bools) -> Floats:
    """Offset of each run's family from the good cars that are not its own."""
    result = level.offset[table.family].copy()
    used = np.flatnonzero(train & ~table.bad & np.isfinite(adjusted))
    car, own = np.unique(table.car[used], return_inverse=True)
    mean = np.asarray(np.bincount(own, adjusted[used]) / np.bincount(own), dtype=np.float64)
    family = np.zeros(car.size, dtype=np.intp)
    family[own] = table.family[used]
    size = len(table.families)
    total: Floats = np.asarray(np.bincount(family, mean, size), dtype=np.float64)[family]
    count: Floats = np.bincount(family, minlength=size).astype(np.float64)[family]
    change = _drawn(level.pooled, total - mean, count - 1.0) - _drawn(level.pooled, total, count)
    place = np.searchsorted(car, table.car)
    place[place == car.size] = 0
    known = car[place] == table.car
    # a car may have come into another family's hands: only its own family knows it
    known &= family[place] == table.family
    result[known] += change[place[known]]
    return result


def _drawn(pooled: Pooled, total: Floats, count: Floats) -> Floats:
    """`Pooled.without` of many families at once."""
    if pooled.between == 0.0:
        return np.zeros(total.size)
    some = np.maximum(count, 1.0)
    share = pooled.between**2 / (pooled.between**2 + pooled.within**2 / some)
    return np.where(count > 0.0, share * (total / some - pooled.center), 0.0)
