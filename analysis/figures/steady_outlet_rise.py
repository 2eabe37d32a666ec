"""`steady_outlet_rise`: how far the heater lifts the air above the outside, settled at full hot."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from analysis.figures import OwnerWords, figure
from analysis.measurement import Measurement
from analysis.timeline.levels import COLD_CAR, COLD_CAR_NOTE, level_of, with_note
from analysis.timeline.states import HOTTEST_SHARE, lever_known

if TYPE_CHECKING:
    from analysis.context import Context


@figure(
    "steady_outlet_rise",
    "K",
    order=10,
    label="Steady outlet rise",
    bad="low",
    heat="low",
    better="higher",
    span_u=0.12,
    window="steady at the hot end",
    owner=OwnerWords(
        "At full hot the air from the heater is {value} warmer than the air outside",
        "warmer",
        rank=10,
        kin="in cars of this kind it is {range} warmer",
        least="it should be at least {limit} warmer",
        always=True,
    ),
)
def steady_outlet_rise(ctx: Context) -> Measurement:
    """Mean of outlet less ambient with the lever at the hot end and the outlet steady.

    Without `ambient`, `inlet_air` stands in for it, except where cabin air recirculates.

    Equation
    --------
    ΔT = mean over window (T_outlet − T_ambient)

    Not measured
    ------------
    Without a stretch in which the lever was hot, blower and mode unchanged and the outlet steady
    with a warm engine; without an outlet; without ambient, inlet air or a cold start to take it
    from; from inlet air while cabin air recirculates.

    Source
    ------
    The contract's definition; the trade's own complaint, in numbers (common practice, no
    source).

    Uncertainty
    -----------
    Scatter in the window as bins that are correlated, drift in it, what other windows say, and
    the sensors' errors by source: what two sensors share cancels in their difference (JCGM
    100:2008, 5.2).
    """
    window, reference = ctx.hot.chosen, ctx.rise_reference
    if window is None:
        return Measurement.missing("K", ctx.hot.why or "no steady window")
    if reference is None:
        return Measurement.missing("K", "neither ambient nor inlet air was logged with the outlet")
    if reference == "inlet_air" and window.recirculating:
        return Measurement.missing(
            "K", "ambient was not logged, and inlet air is cabin air while it recirculates"
        )
    rise = level_of(ctx, ctx.hot, {"outlet": 1.0, reference: -1.0})
    if rise.value is None:
        return rise
    if reference == "inlet_air":
        rise = with_note(rise, "from inlet air, because ambient was not logged")
    if window.recirculating:
        rise = with_note(rise, "with cabin air recirculating")
    if ctx.run.sensors[reference].kind == COLD_CAR:
        rise = with_note(rise, COLD_CAR_NOTE)
    if not lever_known(ctx.lever):
        # anything warmer than the band in which the outlet counts as hottest was not seen
        unseen = HOTTEST_SHARE * rise.known() / math.sqrt(12.0)
        rise = with_note(
            replace(rise, random=math.hypot(rise.random, unseen)),
            "the lever was not noted: taken as hot while the outlet was hottest",
        )
    return rise
