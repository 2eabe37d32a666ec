"""`vacuum_decay`: how fast the vacuum is lost with its source shut off."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import figure
from analysis.vacuum.study import RATE_UNIT, decay

if TYPE_CHECKING:
    from analysis.context import Context
    from analysis.measurement import Measurement


@figure("vacuum_decay", RATE_UNIT, order=160, label="Loss of vacuum, source shut off")
def vacuum_decay(ctx: Context) -> Measurement:
    """Initial rate of loss with the source shut off, from a fit of the leak-down."""
    return decay(ctx.vacuum)
