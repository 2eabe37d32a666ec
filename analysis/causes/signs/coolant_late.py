"""What the coolant did late in a run, when it had had the time to get warm.

A lightly loaded engine rests well below its thermostat in the cold, at its heat balance. How low it
rests tells nothing of the thermostat; that it stayed low tells something where sound cars, driven
alike, do not. Whether they do is learned from the family's good cars.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from analysis.coolant.plateau import COOLEST_C, SURELY_C
from analysis.signal.line import fit_line
from analysis.signal.order_statistics import quantiles
from ingest.arrays import Bools, Floats
from ingest.setup.model import has_no_thermostat

if TYPE_CHECKING:
    from analysis.measured import Measured
    from analysis.timeline.timeline import Timeline

LATE_S: Final = 900.0
"""The coolant counts as having had its time to warm after this long, s."""

MIN_LATE_S: Final = 60.0

EARLY_S: Final = 1200.0
MIN_EARLY_S: Final = 300.0
HARDLY_M_S: Final = 1.0
"""Slower than this on average in its first 20 min, a car idled: leaving the bay is no drive."""

BALANCE_K: Final = 15.0
"""How far below its thermostat a sound engine may rest in the cold though the car is driven, K: a
measured healthy car rested at 58 to 72 °C with a thermostat of 90 °C (tests/data/measured)."""

DRIVEN_M_S: Final = 8.0
"""Slower than this on the average a car is in a yard or a jam: no thermostat shows."""

REST_S: Final = 180.0
BEFORE_REST_S: Final = 120.0
MIN_RUNNING_S: Final = 300.0
RESTS_K_S: Final = 2.0 / 180.0
"""A coolant that changes by less than 2 K in 3 min, in a car that was on the road for 2 min before,
is at its balance there: it need not have run for as long as one that still climbs."""

CLIMBS_ON_S: Final = 300.0
"""A coolant that still climbs as the log ends may go on for about so long at its rate, s: the time
in which an engine comes to its balance (common practice, no source)."""

FAR_BELOW_M_S: Final = 12.0
FAR_BELOW_C: Final = 60.0
FAR_BELOW_K: Final = 11.5
"""A measured healthy car with a thrifty engine rested, heater on, 60 K above the air outside at
12 m/s and 78 K at 27 m/s (tests/data/measured): 15 K and more times the square root of the speed.
Less than three quarters of that takes more than a heater away, K / (m/s)^0.5."""


class Rest(NamedTuple):
    """A coolant at rest on the road: its level, °C, the car's mean speed, m/s, and the bins."""

    level: float
    speed: float
    place: slice


def coolant_warmed(timeline: Timeline) -> bool:
    """Whether an engine warmed the coolant at all: one that did not run shows no thermostat."""
    if has_no_thermostat(timeline.run.setup.run):
        return False
    for point in ("engine_coolant", "coolant_in"):
        if timeline.has(point):
            values = timeline.values(point)
            low, high = float(np.fmin.reduce(values)), float(np.fmax.reduce(values))
            return high > 45.0 or high - low > 15.0
    return False


def late_level(measured: Measured) -> tuple[float, float] | None:
    """Coolant temperature late in a run in which the thermostat was not seen to regulate, with u.

    A level below any thermostat says nothing but that it is low (`stayed_cool`), unless a sound
    thermostat had to show there; one a little above says little, and nothing where the car was not
    driven.
    """
    context = measured.context
    found = _late(measured)
    if found is None:
        return None
    point, time, values = found
    reached = quantiles(values, 0.9)[0]
    balance = reached < SURELY_C and not context.coolant.had_to_show
    if balance and (reached < COOLEST_C or not _driven(measured)):
        return None
    sensor = measured.run.sensors[point]
    shared = math.sqrt(sum(source.u**2 for source in sensor.errors))
    doubt = BALANCE_K if balance else 0.0
    # what still climbs as the log ends has reached nothing yet
    last = time >= time[-1] - REST_S
    rate = fit_line(time[last], values[last]).slope if last.sum() > 2 else 0.0
    return reached, math.hypot(shared, float(np.std(values)), doubt, max(rate, 0.0) * CLIMBS_ON_S)


def stayed_cool(measured: Measured, rest: Rest | None, *, driven: bool) -> bool | None:
    """Whether the coolant stayed below any thermostat; None where there was no time to tell.

    Parameters
    ----------
    measured
        The run.
    rest
        Its `rest_on_the_road`.
    driven
        Whether to tell of runs on the road, or of those in a yard or a jam: a car at idle in the
        cold may stay cool for good, so that each is compared with its like.
    """
    if measured.context.coolant.had_to_show or not coolant_warmed(measured.context):
        return None  # told by `no_opening` and by the level itself
    if rest is not None and rest.level < COOLEST_C:
        return True if driven else None
    found = _late(measured)
    if found is None or driven is not _driven(measured):
        return None
    return quantiles(found[2], 0.9)[0] < COOLEST_C


def rests_far_below(measured: Measured, rest: Rest | None) -> bool | None:
    """Whether the coolant rests lower on the road than any sound engine's; None where not known.

    Told only of a coolant that stayed below any thermostat on the road.
    """
    if stayed_cool(measured, rest, driven=True) is not True:
        return None
    context = measured.context
    air = next((each for each in ("ambient", "inlet_air") if context.has(each)), None)
    if rest is None or rest.speed < FAR_BELOW_M_S or air is None:
        return None
    outside = context.values(air)[rest.place]
    if np.isnan(outside).all():
        return None
    above = rest.level - float(np.nanmedian(outside))
    return bool(rest.level < FAR_BELOW_C and above < FAR_BELOW_K * math.sqrt(rest.speed))


def rest_on_the_road(measured: Measured) -> Rest | None:
    """The fastest three minutes in which the coolant rested while the car was driven."""
    context = measured.context
    point = context.coolant.point
    if point is None or not context.has("road_speed"):
        return None
    time, step = context.grid.time, context.grid.step
    rest, before = round(REST_S / step), round(BEFORE_REST_S / step)
    coolant, speed = context.values(point), context.values("road_speed")
    if float(np.fmax.reduce(coolant)) >= SURELY_C:
        return None  # as warm as a thermostat's: what it did late tells more
    first = max(int(np.searchsorted(time, MIN_RUNNING_S)), before)
    found: Rest | None = None
    for start in range(first, time.size - rest, max(1, rest // 6)):
        place = slice(start, start + rest)
        moving = speed[start - before : start + rest]
        known = ~np.isnan(coolant[place])
        if not context.engine_on[place].all() or known.mean() < 0.9 or np.isnan(moving).all():
            continue
        pace = float(np.nanmean(moving))
        if pace < max(DRIVEN_M_S, found.speed if found else 0.0):
            continue
        if abs(fit_line(time[place][known], coolant[place][known]).slope) < RESTS_K_S:
            found = Rest(quantiles(coolant[place][known], 0.9)[0], pace, place)
    return found


def warmed_standing(measured: Measured) -> bool:
    """Whether the car is known to have hardly moved while its engine had to warm up."""
    context = measured.context
    if not context.has("road_speed"):
        return False
    early = context.engine_on & (context.grid.time <= EARLY_S)
    speed = context.values("road_speed")[early]
    speed = speed[~np.isnan(speed)]
    return bool(speed.size * context.grid.step >= MIN_EARLY_S and speed.mean() < HARDLY_M_S)


def _late(measured: Measured) -> tuple[str, Floats, Floats] | None:
    """The point that tells of the coolant, and times and readings once it had its time."""
    context = measured.context
    if not coolant_warmed(context):
        return None
    late = _late_bins(measured)
    for point in ("engine_coolant", "coolant_in"):
        if context.has(point):
            known = late & ~np.isnan(context.values(point))
            if known.sum() * context.grid.step >= MIN_LATE_S:
                return point, context.grid.time[known], context.values(point)[known]
    return None


def _late_bins(measured: Measured) -> Bools:
    context = measured.context
    return np.asarray((context.grid.time > LATE_S) & context.engine_on)


def _driven(measured: Measured) -> bool:
    """Whether the car was on the road; where its speed is not logged nobody knows."""
    context = measured.context
    speed = (
        context.values("road_speed")[_late_bins(measured)] if context.has("road_speed") else None
    )
    if speed is None:
        return False
    speed = speed[~np.isnan(speed)]
    return bool(speed.size > 0 and float(speed.mean()) >= DRIVEN_M_S)
