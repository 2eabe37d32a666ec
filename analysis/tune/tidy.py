"""A limit written with as many digits as it is sure of: what is printed is what is written."""

from __future__ import annotations

import math
from typing import Final, Literal

from ingest.saying import half_width, rounded, say

SAYS_NOTHING: Final = (
    "the labels do not say where it lies: its 95 % interval is as wide as all that was measured"
)


def tidy(
    limit: float, half_width: float | None, outward: Literal["low", "high"] | None = None
) -> float:
    """A limit with as many digits as it is sure of, and one more.

    Parameters
    ----------
    limit
        As calculated.
    half_width
        Of its interval; four significant digits where there is none.
    outward
        The side it limits: rounded away from good cars; None rounds to the nearest.
    """
    if limit == 0.0:
        return 0.0
    if half_width is None or half_width <= 0.0 or not math.isfinite(half_width):
        digits = 3 - math.floor(math.log10(abs(limit)))
    else:
        digits = 1 - math.floor(math.log10(half_width))
    if outward is None:
        return round(limit, digits) + 0.0
    step = 10.0**-digits
    # what is a step already stays one: a hair's breadth of rounding error counts as none
    near = round(limit / step)
    if abs(limit / step - near) > 1e-6:
        near = math.floor(limit / step) if outward == "low" else math.ceil(limit / step)
    return round(near * step, digits) + 0.0


def tells(interval: tuple[float, float], measured: tuple[float, float] | None) -> bool:
    """Whether an interval leaves any value out that was measured.

    Parameters
    ----------
    interval
        Of a limit.
    measured
        Least and greatest value of the labelled runs; None where there are none.
    """
    return measured is None or interval[0] > measured[0] or interval[1] < measured[1]


def interval_said(interval: tuple[float, float], measured: tuple[float, float] | None) -> str:
    """An interval as the basis of a limit names it (parameters as of `tells`)."""
    if not tells(interval, measured):
        return SAYS_NOTHING
    low, high = (rounded(end, half_width(interval), "") for end in interval)
    return say("95 % interval {low} to {high}", low=low, high=high)
