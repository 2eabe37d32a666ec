"""What the weather and the coolant of two days do to the figures of one car.

Figures that grow with coolant minus outside air (`analysis.figures.Figure.span_u`) are carried over
by the ratio of both days. The rise follows the difference closely; cold air is denser and takes
more from the coolant, a cabin has heat of its own, and a cold engine has further to go and warms
more slowly. How far the allowance may be off is our own estimate, wide enough for the simulated
cars at hand.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.figures import figures_by_name
from analysis.repair.verdict import lead_cause
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.pipeline import Analysis

USUAL_COOLANT_DEGC: Final = 85.0
"""Stands in where the coolant is not known or was itself at fault."""

SMALLEST_SPAN_K: Final = 20.0


@dataclass(frozen=True, slots=True)
class Weather:
    """Air and coolant of both runs, and what follows for the figures.

    Parameters
    ----------
    air_before, air_after
        Mean outside (else inlet) air of each run, °C; NaN where it was not logged.
    coolant_before, coolant_after
        Coolant counted with, °C.
    ratio
        Coolant minus air of the later run over that of the earlier; 1 where the air is not known.
    """

    air_before: float
    air_after: float
    coolant_before: float
    coolant_after: float
    ratio: float

    def scale(self, name: str) -> float:
        """Factor that carries an earlier figure over to the later day."""
        return 1.0 if figures_by_name()[name].span_u is None else self.ratio

    def uncertainty(self, name: str) -> float:
        """Relative standard uncertainty of that factor, as a share of the earlier figure."""
        return (figures_by_name()[name].span_u or 0.0) * abs(self.scale(name) - 1.0)


def weather_of(before: Analysis, after: Analysis) -> Weather:
    """Air and coolant of two runs."""
    air = [_air(each) for each in (before, after)]
    coolant = _coolant(before, after)
    spans = [warm - cold for warm, cold in zip(coolant, air, strict=True)]
    known = all(span >= SMALLEST_SPAN_K for span in spans)
    ratio = spans[1] / spans[0] if known else 1.0
    return Weather(air[0], air[1], coolant[0], coolant[1], ratio)


def _air(analysis: Analysis) -> float:
    for point in ("ambient", "inlet_air"):
        if analysis.context.has(point):
            values = analysis.context.values(point)
            if not np.all(np.isnan(values)):
                return float(np.nanmean(values))
    return math.nan


def _coolant(before: Analysis, after: Analysis) -> tuple[float, float]:
    """Coolant of both runs; the same usual value for both where it was part of what was wrong.

    A thermostat that was the fault, or a plateau outside its limits, must not be scaled away:
    only the air counts then.
    """
    plateaus = []
    for each in (before, after):
        measured = each.figures["coolant_plateau"]
        sound = each.judged["coolant_plateau"].verdict == "pass"
        at_fault = (lead_cause(each) or "").startswith("thermostat")
        if measured.value is None or not sound or at_fault:
            return USUAL_COOLANT_DEGC, USUAL_COOLANT_DEGC
        plateaus.append(measured.value)
    return plateaus[0], plateaus[1]
