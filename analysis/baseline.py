"""Limits from good cars: what a family's own spread says a sound heater does.

For each figure a two-sided tolerance interval that holds 95 % of the family with 95 % confidence.
Its end is a limit only where it is bad to differ (`analysis.figures.Figure.bad`); on the other side
the default limit stays, if there is one. The two-sided factor is kept for one end too: a car is
judged by fifteen figures at once, and a good one should pass them all.

The interval is one of true values: the scatter that the measurements themselves put into the good
cars' figures is taken out, because the guard band of the verdict allows for measurement once
already. Systematic sensor errors are not taken out: one shop hangs the same sensors into every
car, so that they hardly scatter.

A family may be more alike than matters to anybody. The limit is never nearer to its mean than the
difference that the limits file calls harmless.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.causes.evidence import Evidence, evidence_of
from analysis.figures import all_figures, bad_side, figures_by_name, spread_grows
from analysis.limits import Limit
from analysis.measurement import Measurement
from analysis.statistics.outliers import outliers
from analysis.statistics.tolerance import half_width
from ingest.saying import amount, difference_unit, joined, say

if TYPE_CHECKING:
    from analysis.measured import Measured


FEWEST: Final = 5
"""Below this many good cars the factor is so large that the default limit says more."""

NOISE_SHARE: Final = 0.5
"""Most of the variance seen that is ever put down to measuring: a figure's random part also holds
what its model may be off by, which does not scatter from car to car."""

MAX_OUTLIERS: Final = 1
"""The cars are known to be good: one may be a slip, two that differ show how wide the family is."""


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
        The part of it that is put down to the scatter of measuring.
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


def spread_of(name: str, measurements: Sequence[Measurement]) -> Spread | None:
    """Mean and scatter of a figure over good cars; None for fewer than two."""
    known = [each for each in measurements if each.value is not None]
    values = np.array([each.known() for each in known])
    random = np.array([each.random for each in known])
    usable = np.isfinite(values) & np.isfinite(random)
    values, random = values[usable], random[usable]
    if values.size < 2:
        return None
    log = spread_grows(name)
    log = log and bool(np.all(values > 3.0 * random)) and bool(np.all(values > 0))
    if log:
        values, random = np.log(values), random / values
    foreign = outliers(values, MAX_OUTLIERS)
    values, random = np.delete(values, foreign), np.delete(random, foreign)
    seen = float(values.std(ddof=1)) if np.ptp(values) > 0.0 else 0.0
    noise = math.sqrt(min(float(np.mean(random**2)), NOISE_SHARE * seen**2))
    return Spread(float(values.mean()), values.size, seen, noise, foreign.size, log)


def spreads(cars: Sequence[Mapping[str, Measurement]]) -> dict[str, Spread]:
    """Spread of every figure that at least two of the good cars have."""
    found = {
        name: spread_of(name, [car[name] for car in cars if name in car])
        for name in figures_by_name()
    }
    return {name: spread for name, spread in found.items() if spread is not None}


def tolerance_limit(name: str, spread: Spread, stands: Limit | None = None) -> Limit | None:
    """The family's 95/95 limit of a figure, in the figure's unit.

    Parameters
    ----------
    name
        The figure.
    spread
        Its spread among the family's good cars.
    stands
        The limit in force without a baseline: its other side stays, and it says what is harmless.

    Returns
    -------
    Limit or None
        None where no side of it is bad, where there are fewer than `FEWEST` cars, and where they
        do not differ at all: then the logger's steps hide the family's spread.
    """
    side = bad_side(name)
    if side is None or spread.n < FEWEST or spread.seen == 0.0:
        return None
    stands = stands or Limit(None, None, "")
    reach = half_width(spread.n, spread.seen, spread.noise)
    mean, low, high = spread.mean, spread.mean - reach, spread.mean + reach
    if spread.log:
        mean, low, high = math.exp(mean), math.exp(low), math.exp(high)
    aside = f" ({spread.left_out} more left out as foreign to them)" if spread.left_out else ""
    basis: str = f"holds 95 % of the family with 95 % confidence, from {spread.n} good cars{aside}"
    near = mean - low if side == "low" else high - mean
    if near < stands.harmless:
        unit = next((each.unit for each in all_figures() if each.name == name), "")
        basis = say(
            "{basis}; widened, as {harmless} from their mean is harmless",
            basis=basis,
            harmless=amount(stands.harmless, "g", difference_unit(unit)),
        )
    low, high = min(low, mean - stands.harmless), max(high, mean + stands.harmless)
    if side == "low":
        stays = stands.high if stands.high is not None and stands.high > low else None
        return Limit(low, stays, basis, stands.harmless)
    if side == "high":
        stays = stands.low if stands.low is not None and stands.low < high else None
        return Limit(stays, high, basis, stands.harmless)
    return Limit(low, high, basis, stands.harmless)


def baseline_limits(
    found: Mapping[str, Spread], default: Mapping[str, Limit], count: int
) -> dict[str, Limit]:
    """Limits in force for a family: its own, else the default, which then says why.

    Parameters
    ----------
    found
        Spread of each figure among the family's good cars.
    default
        Limits in force without a baseline; also says which differences are harmless.
    count
        Good cars of the family, to be named where they are too few.
    """
    limits: dict[str, Limit] = {}
    for name, spread in found.items():
        limit = tolerance_limit(name, spread, default.get(name))
        if limit is not None:
            limits[name] = limit
    why = f"default, for want of {FEWEST} good cars that differ ({count} in the baseline)"
    for name, stands in default.items():
        if name not in limits:
            limits[name] = replace(stands, basis=joined("; ", (stands.basis, why)))
    return limits


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
    def _spreads(self) -> dict[tuple[str, str], dict[str, Spread]]:
        return {key: spreads([car.figures for car in cars]) for key, cars in self._groups.items()}

    @cached_property
    def _evidence(self) -> dict[tuple[str, str], tuple[Evidence, ...]]:
        return {key: tuple(evidence_of(car) for car in cars) for key, cars in self._groups.items()}

    def evidence(self, family: str | None, heater: str) -> tuple[Evidence, ...]:
        """What the family's good cars tell the causes; worked out once."""
        return self._evidence.get((family or "", heater), ())

    def cars(self, family: str | None, heater: str) -> tuple[Measured, ...]:
        """Good cars of the family with this heater layout; none where the family is not known."""
        return self._groups.get((family or "", heater), ())

    def kin(
        self, family: str | None, heater: str, vehicle: str
    ) -> tuple[Mapping[str, Measurement], ...]:
        """Figures of the family's good cars other than this one; no car is its own measure."""
        return tuple(
            car.figures for car in self.cars(family, heater) if car.run.setup.run.vehicle != vehicle
        )

    def count(self, family: str | None, heater: str) -> int:
        """Good cars of the family with this heater layout."""
        return len(self.cars(family, heater))

    def limits(
        self, family: str | None, heater: str, default: Mapping[str, Limit]
    ) -> dict[str, Limit]:
        """Limits in force for a car: the family's own, else the default, which then says so."""
        found = self._spreads.get((family or "", heater), {})
        return baseline_limits(found, default, len(self.cars(family, heater)))
