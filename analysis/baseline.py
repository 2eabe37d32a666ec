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

from analysis.causes.evidence import Evidence, Usual, evidence_of
from analysis.causes.knowledge import knowledge
from analysis.causes.running import NOT_KNOWN, Running
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


NO_RUN: Final = Evidence({}, {}, None)
"""Stands for the family's usual conditions."""

MIN_SPAN_K: Final = 20.0
"""Warm coolant is never counted as less than this above the outside air."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """Outside air and setting of a family's good cars, and the coolant they reach.

    Parameters
    ----------
    coolant_degC
        Of the family when warm, °C.
    air_degC
        The good cars' mean outside air, °C; None where none of them has one.
    running
        The good cars' mean setting.
    idled
        Share of them that idled.
    """

    coolant_degC: float  # noqa: N815 - unit in the name
    air_degC: float | None  # noqa: N815 - unit in the name
    running: Running = NOT_KNOWN
    idled: float = 0.0

    @classmethod
    def of(cls, cars: Sequence[Evidence]) -> Conditions:
        """Of a family's good cars."""
        airs = [car.air_degC for car in cars if car.air_degC is not None]
        mean = sum(airs) / len(airs) if airs else None
        usual = Usual.of(cars)
        return cls(usual.plateau_degC, mean, usual.running, usual.idled)

    def factor(self, air: float | None) -> float:
        """How much more the same heater gives in this outside air than in the good cars' mean."""
        if air is None or self.air_degC is None:
            return 1.0
        here, usual = (max(self.coolant_degC - at, MIN_SPAN_K) for at in (air, self.air_degC))
        return here / usual

    def times(self, name: str, air: float | None, running: Running | None = None) -> float:
        """A sound heater's figure in this air and at this setting, as a multiple of the usual.

        At the good cars' own setting where none is given.
        """
        scale = knowledge().figures.get(name)
        if scale is None:
            return 1.0
        times = 1.0 if running is None else running.times(self.running, scale)
        return times * (self.factor(air) if scale.span else 1.0)

    def unsure(self, name: str, run: Evidence, mean: float) -> float:
        """How far a sound car's figure may differ for the run's setting alone (k = 1)."""
        scale = knowledge().figures.get(name)
        if scale is None:
            return 0.0
        return math.hypot(
            run.running.unsure(self.running, scale) * mean,
            run.running.apart(self.running, scale),
            scale.idle_u * (run.idled - self.idled),
        )


def follows_the_run(name: str) -> bool:
    """Whether a family's limit on a figure is set at the run's own outside air or setting."""
    scale = knowledge().figures.get(name)
    return scale is not None and (scale.span or scale.airflow != 0.0 or scale.pump != 0.0)


def grows_with_cold(name: str) -> bool:
    """Whether a figure grows with coolant minus outside air."""
    scale = knowledge().figures.get(name)
    return scale is not None and scale.span


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
    """
    limits: dict[str, Limit] = {}
    for name, spread in found.items():
        limit = tolerance_limit(name, spread, default.get(name), usual, run)
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
        return baseline_limits(found, default, self.count(family, heater), usual, run)
