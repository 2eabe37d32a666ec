"""`effective_travel`: the share of the lever's travel over which the temperature changes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import OwnerWords, figure
from analysis.measurement import Measurement

if TYPE_CHECKING:
    from analysis.context import Context


@figure(
    "effective_travel",
    "%",
    order=50,
    label="Lever travel that acts",
    bad="low",
    better="higher",
    repeat="lever sweeps in smaller steps",
    owner=OwnerWords("{value} of the temperature lever's travel has an effect", "%", rank=80),
    least=0.0,
    most=100.0,
)
def effective_travel(ctx: Context) -> Measurement:
    """Lever positions at 97.5 % less 2.5 % of the span of the settled curve, found by a fit.

    Equation
    --------
    W = x(θ = 0.975) − x(θ = 0.025), θ in shares of its own span, settled; x: temp_lever
    θ = (T_outlet − T_inlet_air) / (T_coolant_in − T_inlet_air)

    Not measured
    ------------
    Where the lever was moved through too few positions with the engine warm, only from end to end,
    or works backwards; where moving it changed the outlet by less than can be told from the
    outlet's own unrest; without outlet or lever.

    Source
    ------
    The contract's definition, read off a model of backlash, curve, lags and clock fitted to all
    that the lever did.

    Uncertainty
    -----------
    That of the fit with its correlated residual, lags and the clock of the events among its
    unknowns; wider where an end was not seen to be flat or the steps were coarse.
    """
    return ctx.lever_study.effective
