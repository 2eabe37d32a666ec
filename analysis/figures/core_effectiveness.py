"""`core_effectiveness`: what share of the coolant's heat the air takes up at full hot."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.figures import OwnerWords, figure
from analysis.measurement import Measurement
from analysis.timeline.levels import inlet_for, level_of, with_note
from ingest.saying import say

if TYPE_CHECKING:
    from analysis.context import Context

MIN_SPAN_K: Final = 10.0
"""With the coolant less than this above the inlet air the ratio says nothing."""


# Too good is too little air.
@figure(
    "core_effectiveness",
    "–",
    order=120,
    label="Core effectiveness",
    bad="both",
    heat="low",
    better="higher",
    owner=OwnerWords(
        "The heater hands on {value} of the warmth that the engine offers it", "share", rank=120
    ),
    least=0.0,
)
def core_effectiveness(ctx: Context) -> Measurement:
    """Steady (outlet - inlet air) / (coolant in - inlet air) at the hot end.

    Linearized about the window's means (JCGM 100:2008, 5.1.3): what outlet, inlet air and
    coolant share, in numerator and denominator, is counted once and with its sign.

    Equation
    --------
    ε = mean(T_outlet − T_inlet_air) / mean(T_coolant_in − T_inlet_air)

    Not measured
    ------------
    Without a stretch in which the lever was hot, blower and mode unchanged and the outlet steady
    with a warm engine; without outlet, coolant_in or inlet air (ambient stands in for it without
    recirculation); where the coolant is hardly warmer than the air.

    Source
    ------
    Effectiveness of a heat exchanger with the air as the smaller capacity rate (W. M. Kays and
    A. L. London, Compact Heat Exchangers; from memory).

    Uncertainty
    -----------
    Linearized about the window's means (JCGM 100:2008, 5.1.3), parts by source with their
    signs.
    """
    inlet, why = inlet_for(ctx, ctx.hot)
    if inlet is None:
        return Measurement.missing("–", why)
    if not ctx.has("coolant_in"):
        return Measurement.missing("–", "coolant in was not logged")
    window = ctx.hot.chosen
    assert window is not None  # noqa: S101 - inlet_for has said so
    part = slice(window.start, window.stop)
    outlet, air, coolant = (ctx.values(p)[part] for p in ("outlet", inlet, "coolant_in"))
    together = ~np.isnan(outlet + air + coolant)
    if not together.any():
        return Measurement.missing("–", "coolant in has no reading in the steady window")
    span = float((coolant[together] - air[together]).mean())
    if span < MIN_SPAN_K:
        return Measurement.missing(
            "–", say("the coolant was only {span:.0f K} above the inlet air", span=span)
        )
    ratio = float((outlet[together] - air[together]).mean()) / span
    terms = {"outlet": 1.0, "coolant_in": -ratio, inlet: ratio - 1.0}
    linear = level_of(ctx, ctx.hot, terms)
    if linear.value is None:
        return replace(linear, unit="–")
    effectiveness = linear.scaled(1.0 / span, "–")
    return with_note(
        replace(
            effectiveness,
            value=ratio + effectiveness.known(),
            note=linear.note,
            window=linear.window,
        ),
        why,
    )
