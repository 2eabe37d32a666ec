"""A measured value whose random and shared parts stay apart until the very end.

Only the random part averages down. A shared part is kept by its source with its signed
sensitivity, so that a difference of two values cancels what they share (JCGM 100:2008, 5.2,
correlated input quantities, written as one independent input for each common source).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import field, replace
from typing import Self

from ingest.values import dataclass


@dataclass(frozen=True, slots=True)
class Measurement:
    """A value with its uncertainty budget, or the reason why there is none.

    Parameters
    ----------
    value
        The estimate; None where it could not be had.
    unit
        Its unit, as the contract writes it.
    random
        Standard uncertainty from scatter, independent of every other measurement.
    shared
        Signed standard uncertainties by source; sources with one name are fully correlated.
    note
        Why there is no value, or what a reader must know of it.
    window
        From and to (s from engine start) of the readings used, where that makes sense.
    """

    value: float | None
    unit: str
    random: float = 0.0
    shared: Mapping[str, float] = field(default_factory=dict)
    note: str | None = None
    window: tuple[float, float] | None = None

    @classmethod
    def missing(cls, unit: str, why: str) -> Self:
        """A figure that could not be had; `why` is a sentence for a technician."""
        return cls(value=None, unit=unit, note=why)

    @property
    def u(self) -> float | None:
        """Combined standard uncertainty, k = 1 (JCGM 100:2008, eq. 10); None without a value."""
        if self.value is None:
            return None
        return math.hypot(self.random, *self.shared.values())

    def without(self, sources: Collection[str]) -> Measurement:
        """The same where the errors of some sources cancel."""
        if not sources:
            return self
        kept = {source: part for source, part in self.shared.items() if source not in sources}
        return replace(self, shared=kept)

    def known(self) -> float:
        """Return the value.

        Raises
        ------
        ValueError
            Where there is none.
        """
        if self.value is None:
            raise ValueError(self.note or "not measured")
        return self.value

    def scaled(self, factor: float, unit: str | None = None) -> Measurement:
        """Multiply by an exact factor."""
        return Measurement(
            self.known() * factor,
            unit or self.unit,
            abs(factor) * self.random,
            {source: factor * part for source, part in self.shared.items()},
        )

    def minus(self, other: Measurement) -> Measurement:
        """Difference; the shared parts of both cancel source by source."""
        return combine(self.known() - other.known(), self.unit, ((1.0, self), (-1.0, other)))

    def plus(self, other: Measurement) -> Measurement:
        """Sum; shared parts add source by source."""
        return combine(self.known() + other.known(), self.unit, ((1.0, self), (1.0, other)))


def combine(value: float, unit: str, terms: tuple[tuple[float, Measurement], ...]) -> Measurement:
    """Propagate a function of measurements linearly (JCGM 100:2008, 5.1.2 and 5.2.2).

    Parameters
    ----------
    value
        The function's value.
    unit
        Its unit.
    terms
        Sensitivity coefficient and input, one pair an input. Inputs' random parts are taken as
        independent of each other; shared parts are added by source with their signs.
    """
    shared: dict[str, float] = {}
    variance = 0.0
    for sensitivity, term in terms:
        variance += (sensitivity * term.random) ** 2
        for source, part in term.shared.items():
            shared[source] = shared.get(source, 0.0) + sensitivity * part
    return Measurement(value, unit, math.sqrt(variance), shared)
