"""`response_time`: how fast the outlet responds to a step of the lever."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import OwnerWords, figure
from analysis.lever.steps import steps as lever_steps
from analysis.measurement import Measurement

if TYPE_CHECKING:
    from analysis.context import Context


@figure(
    "response_time",
    "s",
    order=90,
    label="Response to a lever step",
    bad="high",
    heat="high",
    repeat="lever steps",
    log=True,
    owner=OwnerWords("The air follows the temperature lever within {value}", "seconds", rank=100),
    least=0.0,
)
def response_time(ctx: Context) -> Measurement:
    """Median time to 63 % of the outlet's answer over lever steps of at least 20 % of travel.

    Equation
    --------
    T_outlet(t) = T_1 + (T_0 − T_1) · exp(−(t − t_0) / τ)
    τ: the 63 % time of a step of temp_lever; the median over steps

    Not measured
    ------------
    Without a step of at least 20 % of travel with the engine warm, the blower unchanged and a dwell
    that shows where the outlet goes; and as for effective_travel.

    Source
    ------
    The contract's definition: the time constant's 63 % of a first-order response.

    Uncertainty
    -----------
    Of every step's own fit against their scatter, of taking the response as an exponential (8 %
    of the time, 15 % with a water valve), and of the events' clock.
    """
    return lever_steps.response_time(ctx.aligned, ctx.lever_study)
