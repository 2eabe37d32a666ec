"""`coolant_drop`: how much the coolant cools down on its way through the heater."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import OwnerWords, figure
from analysis.measurement import Measurement
from analysis.timeline.levels import level_of

if TYPE_CHECKING:
    from analysis.context import Context


# Negative is a reversed flow: that is for the default limit to say.
@figure(
    "coolant_drop",
    "K",
    order=130,
    label="Coolant drop across the heater",
    bad="high",
    span_u=0.25,
    owner=OwnerWords(
        "The engine's hot water cools by {value} on its way through the heater", "warmer", rank=150
    ),
)
def coolant_drop(ctx: Context) -> Measurement:
    """Steady coolant_in less coolant_out at the hot end; negative where the hoses are reversed.

    Equation
    --------
    ΔT_cool = mean over window (T_coolant_in − T_coolant_out)

    Not measured
    ------------
    Without a stretch in which the lever was hot, blower and mode unchanged and the outlet steady
    with a warm engine (the drop itself where no outlet is logged); without either hose.

    Source
    ------
    The contract's definition.

    Uncertainty
    -----------
    Scatter in the window as bins that are correlated, drift in it, what other windows say, and
    the sensors' errors by source: what two sensors share cancels in their difference (JCGM
    100:2008, 5.2).
    """
    return level_of(ctx, ctx.hot_by_hoses, {"coolant_in": 1.0, "coolant_out": -1.0})
