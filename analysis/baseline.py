"""Limits from good cars: what a family's own spread says a sound heater does.

For each figure a tolerance interval that holds 95 % of the family with 95 % confidence, one-sided
where only one side is bad (`analysis.limits.BAD_SIDE`). The interval is one of true values: the
scatter that the measurements themselves put into the good cars' figures is taken out, because the
guard band of the verdict allows for measurement once already. Systematic sensor errors are not
taken out: one shop hangs the same sensors into every car, so that they hardly scatter.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.limits import BAD_SIDE, Limit
from analysis.measurement import Measurement
from analysis.statistics.outliers import outliers
from analysis.statistics.tolerance import half_width

if TYPE_CHECKING:
    from analysis.pipeline import Measured

Floats = NDArray[np.float64]

FEWEST: Final = 5
"""Below this many good cars the factor is so large that the default limit says more."""

CARS_AN_OUTLIER: Final = 6
"""One good car in so many may turn out not to belong with the others."""

LOGARITHMIC: Final = frozenset({"warm_up_time", "response_time", "vacuum_decay"})
"""Positive rates and times, whose spread goes with their size."""


@dataclass(frozen=True, slots=True)
class Spread:
    """How one figure lies among the good cars of a family.

    Parameters
    ----------
    mean
        Of the logarithm where `log`, as everything here.
    n
        Cars behind it, outliers not counted.
    seen
        Standard deviation from car to car as it was seen.
    noise
        The part of it that comes from the scatter of measuring (root mean square).
    left_out
        Outliers put aside.
    log
        Whether mean and deviations are of the natural logarithm.
    """

    mean: float
    n: int
    seen: float
    noise: float
    left_out: int
    log: bool

    def half_width(self, side: str) -> float:
        """Distance from the mean to the tolerance limit of the true values."""
        return half_width(self.n, self.seen, self.noise, two_sided=side == "both")


def spread_of(name: str, measurements: Sequence[Measurement]) -> Spread | None:
    """Mean and scatter of a figure over good cars; None for fewer than two."""
    known = [each for each in measurements if each.value is not None]
    values = np.array([each.known() for each in known])
    random = np.array([each.random for each in known])
    usable = np.isfinite(values) & np.isfinite(random)
    values, random = values[usable], random[usable]
    if values.size < 2:
        return None
    log = name in LOGARITHMIC and bool(np.all(values > 3.0 * random)) and bool(np.all(values > 0))
    if log:
        values, random = np.log(values), random / values
    foreign = outliers(values, values.size // CARS_AN_OUTLIER)
    values, random = np.delete(values, foreign), np.delete(random, foreign)
    seen = float(values.std(ddof=1)) if np.ptp(values) > 0.0 else 0.0
    noise = math.sqrt(float(np.mean(random**2)))
    return Spread(float(values.mean()), values.size, seen, noise, foreign.size, log)


def spreads(cars: Sequence[Mapping[str, Measurement]]) -> dict[str, Spread]:
    """Spread of every figure that at least two of the good cars have."""
    found = {name: spread_of(name, [car[name] for car in cars if name in car]) for name in BAD_SIDE}
    return {name: spread for name, spread in found.items() if spread is not None}


def tolerance_limit(name: str, spread: Spread) -> Limit | None:
    """The family's 95/95 limit of a figure.

    None where no side of it is bad, where there are fewer than `FEWEST` cars, and where they do not
    differ at all: then the logger's steps hide the family's spread.
    """
    side = BAD_SIDE.get(name)
    if side is None or spread.n < FEWEST or spread.seen == 0.0:
        return None
    reach = spread.half_width(side)

    def bound(sign: float) -> float:
        edge = spread.mean + sign * reach
        return math.exp(edge) if spread.log else edge

    aside = f", {spread.left_out} more left out as foreign to them" if spread.left_out else ""
    sides = "two-sided" if side == "both" else "one-sided"
    return Limit(
        bound(-1.0) if side in ("low", "both") else None,
        bound(1.0) if side in ("high", "both") else None,
        f"{spread.n} good cars of the family{aside}: {sides} tolerance limit, 95 % of the family "
        "with 95 % confidence",
    )


def baseline_limits(cars: Sequence[Mapping[str, Measurement]]) -> dict[str, Limit]:
    """Tolerance limits by figure from the figures of good cars of one family.

    Figures for which the cars are too few or cannot be bad are absent.
    """
    limits = {name: tolerance_limit(name, spread) for name, spread in spreads(cars).items()}
    return {name: limit for name, limit in limits.items() if limit is not None}


@dataclass(frozen=True)
class Baseline:
    """Known-good cars, by family and heater layout.

    Parameters
    ----------
    good
        Their measured runs.
    """

    good: tuple[Measured, ...]

    @classmethod
    def of(cls, good: Sequence[Measured]) -> Baseline:
        """Collect good cars."""
        return cls(tuple(good))

    @cached_property
    def _groups(self) -> dict[tuple[str, str], tuple[Measured, ...]]:
        groups: dict[tuple[str, str], list[Measured]] = {}
        for car in self.good:
            about = car.run.setup.run
            if about.family:
                groups.setdefault((about.family, about.heater), []).append(car)
        return {key: tuple(cars) for key, cars in groups.items()}

    @cached_property
    def _own(self) -> dict[tuple[str, str], dict[str, Limit]]:
        return {
            key: baseline_limits([car.figures for car in cars])
            for key, cars in self._groups.items()
        }

    def cars(self, family: str | None, heater: str) -> tuple[Measured, ...]:
        """Good cars of the family with this heater layout; none where the family is not known."""
        return self._groups.get((family or "", heater), ())

    def limits(
        self, family: str | None, heater: str, default: Mapping[str, Limit]
    ) -> dict[str, Limit]:
        """Limits in force for a car: the family's own, else the default, which then says so."""
        cars = self.cars(family, heater)
        own = self._own.get((family or "", heater), {})
        why = f"default, for want of {FEWEST} good cars that differ ({len(cars)} in the baseline)"
        stand_in = {
            name: Limit(limit.low, limit.high, f"{limit.basis}; {why}")
            for name, limit in default.items()
            if name not in own
        }
        return {**stand_in, **own}
