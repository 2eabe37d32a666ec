"""`thermostat_opening`: where the warming coolant's curve first breaks away."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from analysis.coolant.course import resolution_of
from analysis.figures import figure
from analysis.measurement import Measurement
from analysis.uncertainty import shared_parts

if TYPE_CHECKING:
    from analysis.context import Context

UNIT: Final = "°C"


@figure("thermostat_opening", UNIT, order=110, label="Coolant as the thermostat opens")
def thermostat_opening(ctx: Context) -> Measurement:
    """Coolant temperature at the bend that the opening thermostat makes in the warming curve.

    Source
    ------
    The contract's definition; the break fitted at every place and for three laws of opening,
    averaged by how well they fit (J. A. Hoeting et al., Statist. Sci. 14, 1999, 382; from
    memory).

    Uncertainty
    -----------
    Spread of the break over places and laws, rounding (rectangular), and the sensor's errors.
    """
    story = ctx.coolant
    found = story.opening
    if story.point is None or found is None:
        return Measurement.missing(UNIT, story.why_no_opening or "no opening was seen")
    rounding = resolution_of(ctx, story.point) / math.sqrt(12.0)
    return Measurement(
        found.temperature,
        UNIT,
        math.hypot(found.u, rounding),
        shared_parts(ctx.run.sensors[story.point], found.temperature),
        window=(float(story.time[found.start]), float(story.time[found.peak])),
        details={"time_s": found.time, "warming_rate": found.slope, "misfit": found.misfit},
    )
