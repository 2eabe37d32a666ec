"""Outlet and outside air that look exchanged: a warm heater's outlet below the air outside."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.heat import difference_uncertainty, rise, warm_air_expected
from analysis.quality.view import FRESH_AIR, Hit, View
from analysis.signal.order_statistics import median
from ingest.findings import finding

SWAPPED: Final = finding(
    "swapped",
    "outlet reads {below:.0f K} below {point} with a warm engine, and {point}"
    " warms with the coolant: the two channels are exchanged; neither is believed.",
    do="Exchange the two channels in run.toml, or their plugs at the logger, and analyze again.",
    forbids=True,
    doubts_sensor=True,
)
LOOKS_SWAPPED: Final = SWAPPED.also(
    "outlet reads {below:.0f K} below {point} with a warm engine: the two channels look"
    " exchanged, or one of the sensors is wrong.",
    forbids=False,
)

MIN_S: Final = 60.0
BELOW_K: Final = 3.0
"""So far below the air outside, with their uncertainty on top, no heater's outlet is."""

FOLLOWS_K: Final = 12.0
STEADY_K: Final = 10.0
"""Exchanged for certain: the air outside rises so much with the heat, the outlet moves no more."""


@detector("swapped", order=48)
def detect(view: View) -> Iterator[Hit]:
    """Find an outlet that stays cold while the air outside warms with the coolant."""
    for point, off in _below(view):
        if rise(view, point) < FOLLOWS_K or rise(view, "outlet") >= STEADY_K:
            continue
        for each in ("outlet", point):
            rows = ~np.isnan(view.values(each))
            begin, end = view.seconds(rows)
            yield Hit(
                SWAPPED.found(each, begin, end, below=-off, point=point, evidence={"apart_K": off}),
                rows,
            )
        return


@detector("below_air", order=90)
def detect_below(view: View) -> Iterator[Hit]:
    """Find any other outlet below the air that enters a warm heater; it is kept."""
    for point, off in _below(view):
        yield Hit(LOOKS_SWAPPED.found("outlet", below=-off, point=point, evidence={"apart_K": off}))
        return


def _below(view: View) -> Iterator[tuple[str, float]]:
    """Find air outside that the outlet is below where it should be warm, and by how much."""
    expected = warm_air_expected(view)
    if expected is None or not view.present("outlet"):
        return
    outlet = view.means("outlet")
    for point in view.present(*FRESH_AIR):
        apart = (outlet - view.means(point))[expected]
        apart = apart[~np.isnan(apart)]
        if apart.size * view.width < MIN_S:
            continue
        off = median(apart)
        if off < -BELOW_K and off < -BELOW_K - 2.0 * difference_uncertainty(view, "outlet", point):
            yield point, off
