"""`vacuum_decay`: how fast the vacuum is lost with its source shut off."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import OwnerWords, figure
from analysis.vacuum.study import RATE_UNIT, decay

if TYPE_CHECKING:
    from analysis.context import Context
    from analysis.measurement import Measurement


@figure(
    "vacuum_decay",
    RATE_UNIT,
    order=160,
    label="Loss of vacuum, source shut off",
    bad="high",
    better="lower",
    log=True,
    window="vacuum source shut off",
    owner=OwnerWords(
        "The suction that moves the heater's doors is lost at {value}", "kPa/min", rank=160
    ),
    least=0.0,
)
def vacuum_decay(ctx: Context) -> Measurement:
    """Initial rate of loss with the source shut off, from a fit of the leak-down.

    Equation
    --------
    p(t) = p_∞ + (p_0 − p_∞) · exp(−t / τ); rate = (p_0 − p_∞) / τ
    p: vacuum_source while vacuum_isolated

    Not measured
    ------------
    Without the source vacuum; where the source was never shut off (an event vacuum_isolated), or
    not long enough to see it fall.

    Source
    ------
    The contract's definition; a leak driven by what is left decays as an exponential to a
    floor.

    Uncertainty
    -----------
    That of the fitted initial rate with the gauge's scale; the mean of the leak-downs that
    agree with the first, weighted.
    """
    return decay(ctx.vacuum)
