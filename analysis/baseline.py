"""Limits from good cars: what a family's own spread says a sound heater does.

For each figure a two-sided tolerance interval that holds 95 % of the family with 95 % confidence.
Its end is a limit only where it is bad to differ (`analysis.figures.Figure.bad`); on the other side
the default limit stays, if there is one. The two-sided factor is kept for one end too: a car is
judged by fifteen figures at once, and a good one should pass them all.

The interval is one of true values: the scatter that the measurements themselves put into the good
cars' figures is taken out, because the guard band of the verdict allows for measurement once
already. Systematic sensor errors are not taken out: one shop hangs the same sensors into every
car, so that they hardly scatter.

What the heat gives grows with coolant minus outside air: the good cars' figures of that kind are
brought to one outside air before they are compared, and the limit to the air of the car that is
judged. The coolant is the family's own when warm, not this run's: a car whose coolant stays cold
does not get a lower limit for it.

A family may be more alike than matters to anybody. The limit is never nearer to its mean than the
difference that the limits file calls harmless.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.causes.conditions import NO_RUN, Conditions, follows_the_run, grows_with_cold
from analysis.causes.evidence import Evidence, Usual, evidence_of, value_at
from analysis.causes.knowledge import knowledge
from analysis.figures import all_figures, bad_side, figures_by_name, spread_grows
from analysis.limits import Limit
from analysis.measurement import Measurement
from analysis.quality.on_hoses import NAME as CLIPS
from analysis.statistics.outliers import outliers
from analysis.statistics.tolerance import half_width
from analysis.verdict import GUARD
from ingest.saying import amount, difference_unit, joined, say
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.measured import Measured


FEWEST: Final = 5
"""Below this many good cars the factor is so large that the default limit says more."""

NOISE_SHARE: Final = 0.5
"""Most of the variance seen that is ever put down to measuring: a figure's random part also holds
what its model may be off by, which does not scatter from car to car."""

CANCELS: Final = (CLIPS,)
"""What the good cars' figures are off by alike, and the car's that is judged: their clips sit on
the same hoses under the same pads."""

FEW_REACH: Final = 2.0
"""Standard deviations of the next car's predictive distribution that a default limit yields to."""

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


def spreads(
    cars: Sequence[Mapping[str, Measurement]],
    times: Callable[[str, int], float] = lambda _, __: 1.0,
) -> dict[str, Spread]:
    """Spread of every figure that at least two of the good cars have.

    Parameters
    ----------
    cars
        Figures of each.
    times
        By a figure's name and a car's place, what its conditions multiplied the figure by.
    """
    found = {
        name: spread_of(
            name,
            [
                each.scaled(1.0 / times(name, place))
                for place, car in enumerate(cars)
                if (each := car.get(name)) is not None and each.value is not None
            ],
        )
        for name in figures_by_name()
    }
    return {name: spread for name, spread in found.items() if spread is not None}


def spreads_in(
    cars: Sequence[Mapping[str, Measurement]], evidence: Sequence[Evidence]
) -> tuple[dict[str, Spread], Conditions]:
    """Spreads of a family brought to one outside air and setting, and these."""
    usual = Conditions.of(evidence)

    def times(name: str, place: int) -> float:
        return usual.times(name, evidence[place].air_degC, evidence[place].running)

    return spreads(cars, times), usual


def tolerance_limit(
    name: str,
    spread: Spread,
    stands: Limit | None = None,
    usual: Conditions | None = None,
    run: Evidence = NO_RUN,
) -> Limit | None:
    """The family's 95/95 limit of a figure, in the figure's unit.

    Parameters
    ----------
    name
        The figure.
    spread
        Its spread among the family's good cars.
    stands
        The limit in force without a baseline: its other side stays, and it says what is harmless.
    usual
        Of the good cars; None where their spread was not brought to one outside air and setting.
    run
        Of the car that is judged: its outside air, where none is known the limit is that at the
        good cars' mean, and how its blower and engine ran.

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
    at, loosened = None, False
    if usual is not None and follows_the_run(name):
        air = run.air_degC
        mean, low, high = (each * usual.times(name, air) for each in (mean, low, high))
        setting = usual.times(name, air, run.running) / usual.times(name, air)
        wider = GUARD * usual.unsure(name, run, mean)
        own = low, high
        # a setting only ever loosens a limit: so well it is not known
        low, high = min(low, low * setting - wider), max(high, high * setting + wider)
        loosened = (side != "high" and low < own[0]) or (side != "low" and high > own[1])
        if grows_with_cold(name) and usual.air_degC is not None:
            at = usual.air_degC if air is None else air
    aside = f" ({spread.left_out} more left out as foreign to them)" if spread.left_out else ""
    basis: str = f"holds 95 % of the family with 95 % confidence, from {spread.n} good cars{aside}"
    if at is not None:
        basis = say("{basis}, at {at:.0f degC} outside", basis=basis, at=at)
    if loosened:
        basis = say(
            "{basis}; loosened, as blower, engine or car ran otherwise than in theirs", basis=basis
        )
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
        # the default's other side stays, unless the family's own good cars reach beyond it
        stays = stands.high if stands.high is not None and stands.high > high else None
        return Limit(low, stays, basis, stands.harmless, cancels=CANCELS)
    if side == "high":
        stays = stands.low if stands.low is not None and stands.low < low else None
        return Limit(stays, high, basis, stands.harmless, cancels=CANCELS)
    return Limit(low, high, basis, stands.harmless, cancels=CANCELS)


def baseline_limits(
    found: Mapping[str, Spread],
    default: Mapping[str, Limit],
    count: int,
    usual: Conditions | None = None,
    run: Evidence = NO_RUN,
    few: Callable[[str], Sequence[Evidence]] = lambda _: (),
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
    usual, run
        As `tolerance_limit` takes them.
    few
        By a figure's name, the good cars that have it, for `yielding`.
    """
    limits: dict[str, Limit] = {}
    for name, spread in found.items():
        limit = tolerance_limit(name, spread, default.get(name), usual, run)
        if limit is not None:
            limits[name] = limit
    why = f"default, for want of {FEWEST} good cars that differ ({count} in the baseline)"
    for name, stands in default.items():
        if name not in limits:
            given = replace(stands, basis=joined("; ", (stands.basis, why)))
            limits[name] = yielding(name, given, few(name), run)
    return limits


def yielding(name: str, stands: Limit, good: Sequence[Evidence], run: Evidence) -> Limit:
    """A default limit, moved out to where the family's few good cars reach.

    They are too few for a limit of their own, but enough to say that a default is not for them.

    Parameters
    ----------
    name
        The figure.
    stands
        Its default limit.
    good
        Of the good cars that have the figure, which their `figures` hold.
    run
        Of the car that is judged.
    """
    if not good:
        return stands
    scale = knowledge().figures.get(name)
    ends = np.array([car.figures[name][0] for car in good])
    if scale is not None:
        usual = Usual.learned(good)
        center = max(abs(usual.center[name]), 1e-9) if scale.scale == "relative" else 1.0
        reach = FEW_REACH * usual.spread[name] / center
        times = run.running.times(usual.running, scale)
        ends = value_at(usual, name, np.array([-reach, reach]), run.air_degC, times)
    low = None if stands.low is None else min(stands.low, float(ends.min()))
    high = None if stands.high is None else max(stands.high, float(ends.max()))
    if (low, high) == (stands.low, stands.high):
        return stands
    cars = "good car" if len(good) == 1 else f"{len(good)} good cars"
    moved = f"moved to where the family's {cars} with this figure may lie"
    return replace(stands, low=low, high=high, basis=joined("; ", (stands.basis, moved)))


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
    def _spreads(self) -> dict[tuple[str, str], tuple[dict[str, Spread], Conditions]]:
        return {
            key: spreads_in([car.figures for car in cars], self._evidence[key])
            for key, cars in self._groups.items()
        }

    @cached_property
    def _evidence(self) -> dict[tuple[str, str], tuple[Evidence, ...]]:
        return {key: tuple(evidence_of(car) for car in cars) for key, cars in self._groups.items()}

    def evidence(self, family: str | None, heater: str) -> tuple[Evidence, ...]:
        """What the family's good cars tell the causes; worked out once."""
        return self._evidence.get((family or "", heater), ())

    def cars(self, family: str | None, heater: str) -> tuple[Measured, ...]:
        """Good cars of the family with this heater layout; none where the family is not known."""
        return self._groups.get((family or "", heater), ())

    def figures(self, family: str | None, heater: str) -> tuple[Mapping[str, Measurement], ...]:
        """Figures of the family's good cars, in the order of their `evidence`."""
        return tuple(car.figures for car in self.cars(family, heater))

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
        self,
        family: str | None,
        heater: str,
        default: Mapping[str, Limit],
        run: Evidence = NO_RUN,
    ) -> dict[str, Limit]:
        """Limits in force for a car: the family's own, else the default, which then says so.

        Parameters
        ----------
        family, heater
            Of the car.
        default
            Limits in force without a baseline.
        run
            What the car's run tells: the limits are set at its outside air and setting, else at the
            good cars' mean; of a car that idled only good cars that did, too, tell how it warms up.
        """
        found, usual = self._spreads.get((family or "", heater), ({}, None))
        if run.idled and sum(each.idled for each in self.evidence(family, heater)) < FEWEST:
            # an idling engine gives half the heat or less (common practice, no source)
            known = figures_by_name()
            found = {name: each for name, each in found.items() if not known[name].driven_u}
        both = list(zip(self.figures(family, heater), self.evidence(family, heater), strict=True))

        def few(name: str) -> list[Evidence]:
            return [
                replace(told, figures={**told.figures, name: (each.known(), each.u or 0.0)})
                for figures, told in both
                if (each := figures.get(name)) is not None and each.value is not None
            ]

        return baseline_limits(found, default, len(both), usual, run, few)
