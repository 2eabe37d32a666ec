"""`lever_hysteresis`: the lever's backlash between opening and closing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import OwnerWords, figure
from analysis.measurement import Measurement

if TYPE_CHECKING:
    from analysis.context import Context


@figure(
    "lever_hysteresis",
    "%",
    order=70,
    label="Lever backlash",
    bad="high",
    better="lower",
    repeat="lever sweeps up and down",
    owner=OwnerWords("The temperature lever has {value} of play", "%", rank=90),
    least=0.0,
    most=100.0,
)
def lever_hysteresis(ctx: Context) -> Measurement:
    """Lever difference at the same settled temperature, opening against closing; lag taken out.

    Equation
    --------
    H = x_opening(θ) − x_closing(θ) at the same settled θ
    θ = (T_outlet − T_inlet_air) / (T_coolant_in − T_inlet_air)

    Not measured
    ------------
    Where the lever was swept one way only; where backlash and lag could not be told apart; and as
    for effective_travel.

    Source
    ------
    The contract's definition: mechanical backlash, one unknown of the model fitted to all that
    the lever did.

    Uncertainty
    -----------
    That of the fit, and what the lags leave between the sweeps that may pass for backlash.
    """
    return ctx.lever_study.hysteresis
