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
)
def effective_travel(ctx: Context) -> Measurement:
    """Lever positions at 97.5 % less 2.5 % of the span of the settled curve, found by a fit.

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
