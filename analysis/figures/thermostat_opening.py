"""`thermostat_opening`: where the warming coolant's curve first breaks away."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from analysis.coolant.course import resolution_of
from analysis.figures import OwnerWords, figure
from analysis.measurement import Measurement
from analysis.uncertainty import shared_parts

if TYPE_CHECKING:
    from analysis.context import Context

UNIT: Final = "°C"

DEFINITION_K: Final = 1.0
"""How sharply the opening is defined, K (k = 1; JCGM 200:2012, 2.27): the wax follows the coolant
late, and the valve lifts off over some kelvin (common practice, no source)."""


@figure(
    "thermostat_opening",
    UNIT,
    order=110,
    label="Coolant as the thermostat opens",
    bad="low",
    better="higher",
    repeat="cold starts",
    owner=OwnerWords(
        "The engine starts to shed its warmth at {value}",
        "temperature",
        rank=40,
        kin="cars of this kind do at {range}",
        least="it should keep it up to {limit} at least",
    ),
)
def thermostat_opening(ctx: Context) -> Measurement:
    """Coolant temperature at the bend that the opening thermostat makes in the warming curve.

    Equation
    --------
    T_o = T_coolant(t_b), t_b: the bend of T_coolant(t) from free warming to a flow through
    the radiator; engine_coolant, else coolant_in

    Not measured
    ------------
    Where the coolant was warm from the start; where no bend is seen, as with a thermostat that
    never closes; without a coolant temperature; where the coolant is heated by something else than
    the engine.

    Source
    ------
    The contract's definition; the break fitted at every place and for three laws of opening,
    averaged by how well they fit (J. A. Hoeting et al., Statist. Sci. 14, 1999, 382; from
    memory).

    Uncertainty
    -----------
    Spread of the break over places and laws, rounding (rectangular), how sharply an opening is
    defined, and the sensor's errors.
    """
    study = ctx.coolant
    found = study.opening
    if study.point is None or found is None:
        return Measurement.missing(UNIT, study.why_no_opening or "no opening was seen")
    rounding = resolution_of(ctx, study.point) / math.sqrt(12.0)
    return Measurement(
        found.temperature,
        UNIT,
        math.hypot(found.u, rounding, DEFINITION_K),
        shared_parts(ctx.run.sensors[study.point], found.temperature),
        window=(float(study.time[found.start]), float(study.time[found.peak])),
    )
