"""`response_time`: how fast the outlet answers a step of the lever."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import figure
from analysis.lever.steps import steps as lever_steps
from analysis.measurement import Measurement

if TYPE_CHECKING:
    from analysis.context import Context


@figure("response_time", "s", order=90, label="Answer to a lever step")
def response_time(ctx: Context) -> Measurement:
    """Median time to 63 % of the outlet's answer over lever steps of at least 20 % of travel.

    Source
    ------
    The contract's definition: the time constant's 63 % of a first-order response.

    Uncertainty
    -----------
    Of every step's own fit against their scatter, of taking the response as an exponential (8 %
    of the time, 15 % with a water valve), and of the events' clock.
    """
    return lever_steps.response_time(ctx.run, ctx.lever_study, ctx.clock)
