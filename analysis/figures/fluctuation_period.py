"""`fluctuation_period`: the rhythm of the outlet's strongest fluctuation."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import figure
from analysis.measurement import Measurement
from analysis.signal import fluctuation

if TYPE_CHECKING:
    from analysis.context import Context


# It tells causes apart; no period is good or bad.
@figure("fluctuation_period", "s", order=40, label="Period of the fluctuation")
def fluctuation_period(ctx: Context) -> Measurement:
    """Period of the strongest fluctuation of the outlet, where it stands above the noise.

    Equation
    --------
    P = 1 / f_max, f_max: frequency of the largest peak of S(f) / S_background(f)
    S: power of T_outlet, steady at the hot end

    Not measured
    ------------
    Where no peak stands out of the scatter by more than chance makes; without a steady window long
    and dense enough.

    Source
    ------
    The strongest peak of a tapered periodogram over a power-law background, told from chance as
    exponentially distributed ordinates.

    Uncertainty
    -----------
    Scatter of the rate of phase between parts of the window.
    """
    sampled = ctx.hot_samples
    if isinstance(sampled, str):
        return Measurement.missing("s", sampled)
    found = fluctuation.period(sampled)
    if found is None:
        return Measurement.missing(
            "s", "no rhythm stands out of the outlet's scatter in the steady window"
        )
    window = ctx.hot.chosen
    used = ctx.span(window.start, window.stop) if window else None
    return Measurement(found.seconds, "s", found.u, window=used)
