"""What a heater's numbers hang on besides the heater: how fast pump and car go, and how warm.

Every influence is a column that is zero at the conditions the result is stated for, with a prior
for how much it matters: the data decide where they can, and what they cannot show stays as
uncertain as it is. The numbers of the priors are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from analysis.heater.stretch import Stretch, held_over

if TYPE_CHECKING:
    from analysis.timeline.timeline import Timeline
    from ingest.arrays import Floats

PUMP_EXPONENT: Final = -0.8
"""A pump's flow goes nearly with its speed, so that the flow ratio goes with about this power."""

PUMP: Final = {"effectiveness": (-0.1, 0.1), "flow_ratio": (1.0, 0.35)}
"""Relative change of each for a relative change of that power of the engine speed by 1. The core's
answer to its flow is a small part of the flow's change; a starved core answers more."""

PER_10_M_S: Final = {"effectiveness": (0.0, 0.04), "flow_ratio": (0.0, 0.1)}
"""Relative change for each 10 m/s of road speed: ram air."""

ROAD_ALONE: Final = {"effectiveness": (0.03, 0.06), "flow_ratio": (-0.2, 0.25)}
"""The same where the engine speed, which goes with the road speed, was not logged."""

COLDNESS: Final = {"effectiveness": (0.0, 0.05), "flow_ratio": (0.0, 0.15)}
"""Relative change at a coolant as cold as the entering air: cold coolant is thick, cold ducts take
their share."""

COURSE_PER_1000_S: Final = {"effectiveness": (0.0, 0.02), "flow_ratio": (0.0, 0.03)}
"""Relative change in 1000 s: the car around the ducts warms up."""

SLOWEST_RPM: Final = 300.0


class Setting(NamedTuple):
    """What modulates a share, by bin, zero at the conditions the result is stated for."""

    columns: tuple[Floats, ...]
    priors: tuple[Mapping[str, tuple[float, float]], ...]


def setting_of(timeline: Timeline, stretch: Stretch) -> Setting:
    """Engine speed, road speed, warmth and time, each counted from the level's own mean."""
    level, time = stretch.level, timeline.grid.time
    columns: list[Floats] = []
    priors: list[Mapping[str, tuple[float, float]]] = []
    revs_known, speed_known = (_seen(timeline, point) for point in ("engine_speed", "road_speed"))
    if revs_known:
        revs = np.maximum(held_over(timeline.values("engine_speed")), SLOWEST_RPM)
        columns.append((revs / revs[level].mean()) ** PUMP_EXPONENT - 1.0)
        priors.append(PUMP)
    if speed_known:
        speed = held_over(timeline.values("road_speed")) / 10.0
        columns.append(speed - speed[level].mean())
        priors.append(PER_10_M_S if revs_known else ROAD_ALONE)
    coolant = held_over(timeline.values("coolant_in"))
    lead = coolant - held_over(timeline.values(stretch.air))
    warm, whole = float(coolant[level].mean()), max(float(lead[level].mean()), 10.0)
    columns.append((warm - coolant) / whole)
    priors.append(COLDNESS)
    columns.append((time - float(time[level].mean())) / 1000.0)
    priors.append(COURSE_PER_1000_S)
    return Setting(tuple(columns), tuple(priors))


def _seen(timeline: Timeline, point: str) -> bool:
    return timeline.has(point) and not bool(np.isnan(timeline.values(point)).all())
