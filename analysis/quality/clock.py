"""A logger whose clock or sampling rate drifts."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.view import Hit, View
from analysis.signal.order_statistics import median
from ingest.arrays import Floats
from ingest.findings import finding

CLOCK_DRIFT: Final = finding(
    "clock_drift",
    "Rows come every {early:.4g s} at the beginning and every {late:.4g s} at the end"
    " ({change:+.1%}): the logger's clock or rate drifts.",
    do="Check the logger's sampling rate and its battery; times of the figures are doubtful.",
)

ROWS: Final = 400
"""Intervals looked at, at either end of the log."""

EVEN: Final = 0.01
"""Only a log whose intervals are this even (median deviation over median) shows a drift ..."""

DRIFT: Final = 0.01
"""... and this is how much the interval must change from one end to the other."""


@detector("clock_drift", order=95)
def detect(view: View) -> Iterator[Hit]:
    """Find a sampling interval that changes from the beginning to the end of an even log."""
    steps = np.diff(view.time)
    if steps.size < 2 * ROWS:
        return
    (early, early_uneven), (late, late_uneven) = _usual(steps[:ROWS]), _usual(steps[-ROWS:])
    change = late / early - 1.0
    if max(early_uneven, late_uneven) > EVEN or abs(change) < DRIFT:
        return
    yield Hit(
        CLOCK_DRIFT.found(
            early=early, late=late, change=change, evidence={"early_s": early, "late_s": late}
        )
    )


def _usual(steps: Floats) -> tuple[float, float]:
    """Median interval and its median deviation over it."""
    usual = median(steps)
    return usual, median(np.abs(steps - usual)) / usual
