"""`dead_travel_cold`: travel at the cold end that changes nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import OwnerWords, figure
from analysis.measurement import Measurement

if TYPE_CHECKING:
    from analysis.context import Context


@figure(
    "dead_travel_cold",
    "%",
    order=60,
    label="Dead travel, cold end",
    bad="high",
    heat="high",
    better="lower",
    repeat="lever sweeps in smaller steps",
    owner=OwnerWords(
        "At its cold end {value} of the temperature lever's travel does nothing", "%", rank=60
    ),
    least=0.0,
    most=100.0,
)
def dead_travel_cold(ctx: Context) -> Measurement:
    """Lever position at which the settled curve has covered 2.5 % of its span.

    Equation
    --------
    D_c = x(θ = 0.025), θ in shares of its own span, settled; x: temp_lever
    θ = (T_outlet − T_inlet_air) / (T_coolant_in − T_inlet_air)

    Not measured
    ------------
    As for effective_travel.

    Source
    ------
    The contract's definition, read off a model of backlash, curve, lags and clock fitted to all
    that the lever did.

    Uncertainty
    -----------
    That of the fit with its correlated residual, lags and the clock of the events among its
    unknowns; wider where an end was not seen to be flat or the steps were coarse.
    """
    return ctx.lever_study.cold
