"""`footwell_deficit`: how much colder the footwell is than the air blown into it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import OwnerWords, figure
from analysis.measurement import Measurement
from analysis.timeline.levels import level_of

if TYPE_CHECKING:
    from analysis.context import Context


@figure(
    "footwell_deficit",
    "K",
    order=150,
    label="Outlet above footwell",
    bad="high",
    heat="high",
    better="lower",
    span_u=0.4,
    owner=OwnerWords(
        "At the feet it is {value} colder than at the heater's outlet", "warmer", rank=130
    ),
)
def footwell_deficit(ctx: Context) -> Measurement:
    """Outlet less footwell in the steady window at the hot end.

    The footwell goes on warming with the cabin: that drift is in the uncertainty, and windows at
    other times are not held against it.

    Equation
    --------
    ΔT_f = mean over window (T_outlet − T_footwell)

    Not measured
    ------------
    Without a stretch in which the lever was hot, blower and mode unchanged and the outlet steady
    with a warm engine; without footwell or outlet.

    Source
    ------
    The contract's definition.

    Uncertainty
    -----------
    Scatter and drift in the window and the sensors' errors by source; other windows are not
    compared.
    """
    return level_of(ctx, ctx.hot, {"outlet": 1.0, "footwell": -1.0}, compare=False)
