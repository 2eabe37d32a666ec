"""Where good cars lie in a figure, by family and weather, so that one number sets all its limits.

A limit is a distance from the family's good cars: ``center + offset + width * distance`` on the
figure's score (larger is worse; see `analysis.tune.search.scores`). The offset is the family's,
drawn to the others as far as its cars are few (`analysis.statistics.pooling`); the width makes up
for what is not known of it. Each run is held against its family's *other* cars, as a new car is.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.figures import spread_grows
from analysis.statistics.pooling import Pooled, pool
from analysis.tune.joint.table import Indices, Table
from analysis.tune.search.few import one_sided_factor
from analysis.tune.search.scores import Scale
from analysis.tune.weather import Slope, ambient_slope
from ingest.arrays import Bools, Floats
from ingest.values import dataclass

FEWEST: Final = 5
"""Good cars below which a figure is left alone."""

FAMILIES_FOR_OTHERS: Final = 5
"""Families with good cars from which it is told what other families do. How far families lie apart
is known no better from three of them than a standard deviation is from three values: the limit for
a fourth one could lie anywhere."""

FARTHEST: Final = 4.0
"""Robust standard deviations from the middle to which values farther out are drawn."""


@dataclass(frozen=True)
class GoodLevel:
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
        Least distance a limit may have, shape (families,): nearer ones are harmless; and none is
        stricter than the one in force and so near that good cars may reach it (`InForce.content`).
    ceiling
        Greatest distance, shape (families,): none is more lenient than the one in force and farther
        out than good cars reach. Infinite where nothing is in force.
    known
        Families with good cars of this figure, shape (families,).
    others
        Whether they tell about families without any (`FAMILIES_FOR_OTHERS`).
    moves
        Families whose limit the distance sets: those known, and if they tell about others those
        without good cars, unless their limit in force is one of their own; shape (families,).
    stands
        The limit in force on the bad side, infinite where open, by family, shape (families,).
    general_width, general_ends
        Width, and least and greatest distance, for families that are not in the table.
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
    ceiling: Floats
    known: Bools
    others: bool
    moves: Bools
    stands: Floats
    general_width: float
    general_ends: tuple[float, float]
    cars: int
    spread: float

    def bounds(self, distance: float) -> Floats:
        """The limit of each family, as values of the figure, shape (families,)."""
        away = np.maximum(np.minimum(distance, self.ceiling), self.floor)
        reach = self.pooled.center + self.offset + self.width * away
        own = np.array([self.scale.value(float(each)) for each in reach])
        rest = self.general(distance) if self.others else self.stands
        return np.where(self.known, own, np.where(self.moves, rest, self.stands))

    def general(self, distance: float) -> float:
        """The limit for families not known here: as many widths away, in the wider spread."""
        low, high = self.general_ends
        reach = self.general_width * max(min(distance, high), low)
        return self.scale.value(self.pooled.center + reach)


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


@dataclass(frozen=True)
class InForce:
    """What is in force of one figure, by family of the table.

    Parameters
    ----------
    bound
        The limit on the tuned side, infinite where open, shape (families,).
    own
        Whether it is the family's or its heater layout's own, not the one for all, shape
        (families,).
    harmless
        Difference from the family's mean that is never bad, shape (families,).
    for_all
        The limit of families without one of their own, infinite where open.
    content
        Share of the good cars that keep, with 95 % confidence, the distance to which a limit in
        force may be moved, to either side and no further. 0 where limits may lie anywhere.
    """

    bound: Floats
    own: Bools
    harmless: Floats
    for_all: float
    content: float


def level_of(table: Table, at: int, side: str, in_force: InForce, train: Bools) -> GoodLevel | None:
    """Learn one figure's level; None with fewer than `FEWEST` good cars or all of them alike.

    Parameters
    ----------
    table
        Labelled runs.
    at
        Column of the figure.
    side
        ``low`` or ``high``, where it is bad.
    in_force
        What is in force of it.
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
    # each against its family's other cars, as a new one is: its own car would draw the family to it
    base = pooled.center + offset[family] + _change(pooled, score, family)
    away = (score - base) / width[family]
    spread = _spread(away)
    between = pooled.between if len(table.families) > 1 else 0.0
    wider = math.hypot(within, between) / usual
    known = np.bincount(family, minlength=len(table.families)) > 0
    # runs without a family are judged by the limit for all, unless there are no others
    known &= (names != "") | (len(table.families) == 1)
    others = int(known.sum()) >= FAMILIES_FOR_OTHERS or table.families == ("",)
    moves = known | (others & ~in_force.own)
    safe = _safe(away, spread, car.size - int(known.sum()) + 1, in_force.content)
    ends = _ends(scale, pooled.center + offset, width, in_force.bound, in_force.harmless, safe)
    every = np.ones(1)
    of_all = in_force.for_all * every, float(in_force.harmless.min()) * every
    rest = _ends(scale, pooled.center * every, wider * every, *of_all, safe)
    floor, ceiling = np.where(known, ends, rest)
    return GoodLevel(
        scale, slope, pooled, offset, width, floor, ceiling, known, others, moves,
        in_force.bound, wider, (float(rest[0, 0]), float(rest[1, 0])), int(car.size), spread,
    )  # fmt: skip


def _safe(away: Floats, spread: float, cars: int, content: float) -> float:
    """Distance that the share `content` of good cars keeps, with 95 % confidence; NaN for none."""
    if content == 0.0:
        return math.nan
    return float(np.median(away)) + one_sided_factor(max(cars, 2), content) * spread


def _ends(
    scale: Scale, center: Floats, width: Floats, bound: Floats, harmless: Floats, safe: float
) -> Floats:
    """Least and greatest distances, shape (2, k); parameters as in `GoodLevel` and `InForce`."""
    means = np.array([scale.value(float(each)) for each in center])
    nearest = (scale.score(means + scale.sign * harmless) - center) / width
    with np.errstate(invalid="ignore", divide="ignore"):
        stands = (scale.score(bound) - center) / width
    # a bound that no logarithm has lies below all values
    stands = np.where(np.isnan(stands), -math.inf, stands)
    # without a distance to keep to (NaN) only what is harmless holds a limit off
    floor = np.fmax(nearest, np.minimum(safe, stands))
    ceiling = np.maximum(safe, stands)
    return np.array([floor, np.where(np.isnan(ceiling), math.inf, ceiling)])


def _spread(away: Floats) -> float:
    """Standard deviation, with what lies far out drawn in: it may be a wrong label."""
    quartiles = float(np.quantile(away, 0.75) - np.quantile(away, 0.25)) / 1.349
    if quartiles == 0.0:
        return float(away.std(ddof=1))
    middle = float(np.median(away))
    reach = FARTHEST * quartiles
    return float(np.clip(away, middle - reach, middle + reach).std(ddof=1))


def distances(table: Table, at: int, level: GoodLevel, bound: Floats, train: Bools) -> Distances:
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


def _others(table: Table, adjusted: Floats, level: GoodLevel, train: Bools) -> Floats:
    """Offset of each run's family from the good cars that are not its own."""
    result = level.offset[table.family].copy()
    used = np.flatnonzero(train & ~table.bad & np.isfinite(adjusted))
    car, own = np.unique(table.car[used], return_inverse=True)
    mean = np.asarray(np.bincount(own, adjusted[used]) / np.bincount(own), dtype=np.float64)
    family = np.zeros(car.size, dtype=np.intp)
    family[own] = table.family[used]
    change = _change(level.pooled, mean, family)
    place = np.searchsorted(car, table.car)
    place[place == car.size] = 0
    known = car[place] == table.car
    # a car may have come into another family's hands: only its own family knows it
    known &= family[place] == table.family
    result[known] += change[place[known]]
    return result


def _change(pooled: Pooled, score: Floats, family: Indices) -> Floats:
    """How each good car's family offset changes without the car itself, shape as `score`."""
    total: Floats = np.asarray(np.bincount(family, score), dtype=np.float64)[family]
    count: Floats = np.bincount(family).astype(np.float64)[family]
    return _drawn(pooled, total - score, count - 1.0) - _drawn(pooled, total, count)


def _drawn(pooled: Pooled, total: Floats, count: Floats) -> Floats:
    """`Pooled.without` of many families at once."""
    if pooled.between == 0.0:
        return np.zeros(total.size)
    some = np.maximum(count, 1.0)
    share = pooled.between**2 / (pooled.between**2 + pooled.within**2 / some)
    return np.where(count > 0.0, share * (total / some - pooled.center), 0.0)
