"""Thermocouples connected the wrong way round: they fall when what they touch warms."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.heat import WARM_C, fresh_air, hottest, rise, soak, spread
from analysis.quality.view import COOLANTS, INDOORS, OUTLETS, Hit, View, middle
from ingest.findings import finding
from ingest.saying import say

REVERSED: Final = finding(
    "reversed",
    "{point} {why}: its two wires are swapped. None of its readings are believed.",
    do="Exchange the thermocouple's two wires at the plug or the logger.",
    forbids=True,
    doubts_sensor=True,
)

COOLANT_ROSE_K: Final = 20.0
FELL_K: Final = 8.0
BELOW_AIR_K: Final = 8.0
"""A reversed sensor falls this much while the coolant warms, to this far below the air outside."""

FAR_BELOW_AIR_K: Final = 20.0
"""No coolant is ever this far below the air outside, and no outlet without air conditioning."""

FALLS_WITH: Final = -0.5
"""Correlation with the coolant's temperature below which it falls with it."""

MIRROR_K: Final = 2.5
"""At a cold soak it reads, this closely, as far above its cold junction as the car is below it."""

APART_K: Final = 6.0

WARM_S: Final = 60.0

MIN_BINS: Final = 20


@detector("reversed", order=72)
def detect(view: View) -> Iterator[Hit]:
    """Find thermocouples that mirror what they should read."""
    for point in view.temperatures():
        if view.sensor(point).kind != "thermocouple":
            continue
        why = _mirrors_soak(view, point) or _far_below(view, point) or _falls(view, point)
        if why:
            rows = ~np.isnan(view.values(point))
            begin, end = view.seconds(rows)
            yield Hit(
                REVERSED.found(point, begin, end, point=point, why=why),
                rows,
            )


def _mirrors_soak(view: View, point: str) -> str | None:
    """Whether a sensor that disagrees with the cold car is its mirror about the cold junction."""
    cold, junction = soak(view), view.sensor(point).cold_junction
    if cold is None or point not in cold.disagreeing or junction is None:
        return None
    if not view.present(junction):
        return None
    inside = (view.bin_time >= cold.window[0]) & (view.bin_time <= cold.window[1] + view.width)
    terminals = view.means(junction)[inside]
    center = middle(terminals)
    off = cold.means[point] - cold.temperature
    mirrored = abs(cold.means[point] + cold.temperature - 2.0 * center) <= MIRROR_K
    if not mirrored or abs(off) < APART_K:
        return None
    return say("reads {off:+.0f K} at the cold car, its mirror about the cold junction", off=off)


def _far_below(view: View, point: str) -> str | None:
    """Whether a heated point is below the air outside by what only a mirrored one can be."""
    cooled = view.run.setup.run.heater == "combined"
    if point not in (COOLANTS if cooled else (*COOLANTS, *OUTLETS)):
        return None
    source, air = hottest(view, but=point), fresh_air(view)
    if source is None or air is None:
        return None
    warm = view.means(source) > WARM_C
    level = middle(view.means(point)[warm])
    if warm.sum() * view.width < WARM_S or not level < air - FAR_BELOW_AIR_K:
        return None
    return say("reads {level:.0f degC}, far below the air outside, with a warm engine", level=level)


def _falls(view: View, point: str) -> str | None:
    """Whether a heated point falls as the coolant warms, from or to where it cannot be."""
    if point not in (*COOLANTS, *OUTLETS, *INDOORS):
        return None
    source, air, cold = hottest(view, but=point), fresh_air(view), soak(view)
    if source is None or rise(view, source) < COOLANT_ROSE_K:
        return None
    means, heat = view.means(point), view.means(source)
    doubted = cold is not None and point in cold.disagreeing
    if not doubted and (air is None or np.fmin.reduce(means) > air - BELOW_AIR_K):
        return None
    low, high = spread(means)
    both = ~np.isnan(means) & ~np.isnan(heat)
    if np.isnan(low) or high - low < FELL_K or both.sum() < MIN_BINS:
        return None
    if float(np.corrcoef(means[both], heat[both])[0, 1]) > FALLS_WITH:
        return None
    if doubted and cold is not None:
        off = cold.means[point] - cold.temperature
        return say("reads {off:+.0f K} at the cold car and falls as the coolant warms", off=off)
    if air is not None and low < air - BELOW_AIR_K:
        return say("falls to {low:.0f degC}, below the air outside, as the coolant warms", low=low)
    return None
