"""`cold_end_rise`: the heat that still comes out with the lever at the cold end."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import OwnerWords, figure
from analysis.measurement import Measurement
from analysis.timeline.levels import inlet_for, level_of, with_note

if TYPE_CHECKING:
    from analysis.context import Context


@figure(
    "cold_end_rise",
    "K",
    order=80,
    label="Outlet rise at the cold end",
    bad="high",
    better="lower",
    span_u=0.3,
    window="steady at the cold end",
    owner=OwnerWords(
        "With the lever at cold the air is still {value} warmer than outside", "warmer", rank=50
    ),
)
def cold_end_rise(ctx: Context) -> Measurement:
    """Settled outlet less inlet air with the lever at the cold end, engine warm, blower running.

    A hold too short to settle is extrapolated along its approach, with the uncertainty of that.

    Equation
    --------
    ΔT_c = mean over window (T_outlet − T_inlet_air), lever at 0 %

    Not measured
    ------------
    Without a hold at the cold end with the engine warm and the blower running; without outlet or
    without inlet air or what may stand in for it.

    Source
    ------
    The contract's definition.

    Uncertainty
    -----------
    Scatter in the window as bins that are correlated, drift in it, what other windows say, and
    the sensors' errors by source: what two sensors share cancels in their difference (JCGM
    100:2008, 5.2).
    """
    inlet, why = inlet_for(ctx, ctx.cold)
    if inlet is None:
        return Measurement.missing("K", why)
    rise = level_of(ctx, ctx.cold, {"outlet": 1.0, inlet: -1.0})
    return rise if rise.value is None else with_note(rise, why)
