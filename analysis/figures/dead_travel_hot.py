"""`dead_travel_hot`: travel at the hot end that changes nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import OwnerWords, figure
from analysis.measurement import Measurement

if TYPE_CHECKING:
    from analysis.context import Context


@figure(
    "dead_travel_hot",
    "%",
    order=65,
    label="Dead travel, hot end",
    bad="high",
    heat="high",
    better="lower",
    repeat="lever sweeps in smaller steps",
    owner=OwnerWords(
        "At its hot end {value} of the temperature lever's travel does nothing", "%", rank=70
    ),
)
def dead_travel_hot(ctx: Context) -> Measurement:
    """100 % less the lever position at which the settled curve has covered 97.5 % of its span."""
    return ctx.lever_study.hot
