"""Under which conditions a family's good cars were tested, and what others do to its figures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from analysis.causes.evidence import Evidence, Usual
from analysis.causes.knowledge import knowledge
from analysis.causes.running import NOT_KNOWN, Running
from ingest.values import dataclass

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
    return scale is not None and (
        scale.span or any((scale.airflow, scale.pump, scale.road_u, scale.uneven_u, scale.idle_u))
    )


def grows_with_cold(name: str) -> bool:
    """Whether a figure grows with coolant minus outside air."""
    scale = knowledge().figures.get(name)
    return scale is not None and scale.span
