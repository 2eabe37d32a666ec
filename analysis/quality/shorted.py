"""Thermocouples shorted at the logger: they read the temperature of the terminals."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.quality import detector
from analysis.quality.heat import fresh_air, hottest, rise, spread, warm_air_expected
from analysis.quality.view import COOLANTS, OUTLETS, Hit, View, middle
from ingest.findings import finding
from ingest.saying import say

SHORTED: Final = finding(
    "shorted",
    "{point} {why} while the coolant warms by {warmed:.0f K}: its"
    " wires touch before the tip. None of its readings are believed.",
    do="Look for a pinched or melted place in the thermocouple's wire; replace it.",
    forbids=True,
    doubts_sensor=True,
)

SAME_K: Final = 3.0
SAME_RANGE_K: Final = 2.0
"""So closely a shorted wire reads the cold junction's temperature, and so closely follows it ..."""

COOLANT_ROSE_K: Final = 25.0
"""... while the coolant warmed this much ..."""

APART_K: Final = 6.0
"""... and the cold junction is this far from the air outside, which a cold outlet reads too."""

FLAT_K: Final = 6.0
"""Where the cold junction is not logged: a temperature within these limits all the time, cold car
to warm, and `APART_K` off the air outside from the beginning."""

WARM_S: Final = 60.0


@detector("shorted", order=70)
def detect(view: View) -> Iterator[Hit]:
    """Find thermocouples that read their terminals."""
    for point in view.present(*OUTLETS, *COOLANTS):
        sensor = view.sensor(point)
        source = hottest(view, but=point)
        if sensor.kind != "thermocouple" or source is None:
            continue
        if rise(view, source) < COOLANT_ROSE_K:
            continue
        junction = sensor.cold_junction
        if junction is not None and view.present(junction):
            why = _reads_junction(view, point, junction)
        else:
            why = _reads_room(view, point)
        if why:
            rows = ~np.isnan(view.values(point))
            begin, end = view.seconds(rows)
            yield Hit(
                SHORTED.found(point, begin, end, point=point, why=why, warmed=rise(view, source)),
                rows,
            )


def _reads_junction(view: View, point: str, junction: str) -> str | None:
    """Whether a thermocouple follows its cold junction, which is apart from what it should read."""
    means = view.means(junction)
    low, high = spread(view.means(point) - means)
    if np.isnan(low) or high - low > SAME_RANGE_K or max(abs(low), abs(high)) > SAME_K:
        return None
    air = fresh_air(view, but=point)
    apart = air is not None and abs(middle(means) - air) >= APART_K
    expected = warm_air_expected(view, but=point)
    hot = expected is not None and float(expected.sum()) * view.width >= WARM_S
    return "reads its cold junction's temperature" if apart or hot else None


def _reads_room(view: View, point: str) -> str | None:
    """Whether a thermocouple reads one temperature from the cold car to the warm one."""
    means = view.means(point)
    low, high = spread(means, 1.0, 99.0)
    air = fresh_air(view, but=point)
    if air is None or np.isnan(low) or high - low > FLAT_K:
        return None
    known = means[~np.isnan(means)]
    others = [view.means(other) for other in view.present(*COOLANTS) if other != point]
    cold = [abs(float(other[~np.isnan(other)][0]) - air) < APART_K for other in others]
    if not any(cold) or abs(float(np.median(known[:10])) - air) < APART_K:
        return None
    return say(
        "reads {low:.0f degC} to {high:.0f degC}, the logger's own temperature,", low=low, high=high
    )
