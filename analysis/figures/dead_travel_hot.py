"""`dead_travel_hot`: travel at the hot end that changes nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import OwnerWords, figure
from analysis.measurement import Measurement

if TYPE_CHECKING:
    from analysis.context import Context


@figure(
    "dead_travel_hot",
    "%",
    order=65,
    label="Dead travel, hot end",
    bad="high",
    better="lower",
    repeat="lever sweeps in smaller steps",
    owner=OwnerWords(
        "At its hot end {value} of the temperature lever's travel does nothing", "%", rank=70
    ),
    least=0.0,
    most=100.0,
)
def dead_travel_hot(ctx: Context) -> Measurement:
    """100 % less the lever position at which the settled curve has covered 97.5 % of its span.

    Equation
    --------
    D_h = 100 % − x(θ = 0.975), θ in shares of its own span, settled; x: temp_lever
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
    return ctx.lever_study.hot
