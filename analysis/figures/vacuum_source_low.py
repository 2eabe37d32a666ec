"""`vacuum_source_low`: how low the source vacuum goes in ordinary running."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import OwnerWords, figure
from analysis.vacuum.study import LEVEL_UNIT, low_level

if TYPE_CHECKING:
    from analysis.context import Context
    from analysis.measurement import Measurement


@figure(
    "vacuum_source_low",
    LEVEL_UNIT,
    order=170,
    label="Lowest usual source vacuum",
    bad="low",
    better="higher",
    owner=OwnerWords("The suction that moves the heater's doors falls to {value}", "kPa", rank=170),
    least=0.0,
)
def vacuum_source_low(ctx: Context) -> Measurement:
    """5th percentile of the source vacuum, engine running.

    Equation
    --------
    p_5: 5 % of the readings of vacuum_source lie at or below it

    Not measured
    ------------
    Without a minute of source vacuum with the engine running, later than a minute after its start
    and without the source shut off.

    Source
    ------
    The contract's definition: an order statistic, so that a moment's dip does not count.

    Uncertainty
    -----------
    Half of what taking the gauge's noise out changes, rounding (rectangular), a percentile that
    may be one beside it, and the gauge's errors. It is this run's: how well a run stands for
    the car is for the family's spread to say.
    """
    return low_level(ctx)
