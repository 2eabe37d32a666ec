"""`dead_travel_cold`: travel at the cold end that changes nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import OwnerWords, figure
from analysis.measurement import Measurement

if TYPE_CHECKING:
    from analysis.context import Context


@figure(
    "dead_travel_cold",
    "%",
    order=60,
    label="Dead travel, cold end",
    bad="high",
    heat="high",
    better="lower",
    repeat="lever sweeps in smaller steps",
    owner=OwnerWords(
        "At its cold end {value} of the temperature lever's travel does nothing", "%", rank=60
    ),
)
def dead_travel_cold(ctx: Context) -> Measurement:
    """Lever position at which the settled curve has covered 2.5 % of its span."""
    return ctx.lever_study.cold
