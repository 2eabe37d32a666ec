"""`coolant_plateau`: the temperature the coolant is held at once the engine is warm."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.coolant.course import resolution_of
from analysis.coolant.study import CoolantStory
from analysis.figures import figure
from analysis.measurement import Measurement
from analysis.uncertainty import mean_random, shared_parts
from ingest.arrays import Floats

if TYPE_CHECKING:
    from analysis.context import Context

UNIT: Final = "°C"

BLOCK_S: Final = 120.0
MIN_BLOCKS: Final = 4

LONG_S: Final = 240.0
"""A plateau shorter than this may still be settling from the overshoot before it."""


@figure("coolant_plateau", UNIT, order=100, label="Coolant when warm")
def coolant_plateau(ctx: Context) -> Measurement:
    """Mean coolant temperature while the thermostat, or the heat balance, held it.

    Source
    ------
    The contract's definition.

    Uncertainty
    -----------
    Two-minute means, since drift with load and speed does not average out; what may be left of
    the overshoot and what the heater's own setting does (rectangular, JCGM 100:2008, 4.3.7);
    the sensor's errors.
    """
    story = ctx.coolant
    if story.point is None or story.held is None:
        return Measurement.missing(UNIT, story.why_not_held or "the coolant never settled")
    start, stop = story.held
    values = story.value[start:stop]
    valid = values[~np.isnan(values)]
    if valid.size < 4:
        return Measurement.missing(UNIT, f"{story.point} has too few readings on its plateau")
    mean = float(valid.mean())
    scatter = mean_random(valid, resolution_of(ctx, story.point))
    return Measurement(
        mean,
        UNIT,
        math.hypot(
            scatter, _spread(values, story.step), _unsettled(story, mean), _heater(story, mean)
        ),
        shared_parts(ctx.run.sensors[story.point], mean),
        story.remark,
        (float(story.time[start]), float(story.time[stop - 1])),
        {"lowest": float(valid.min()), "highest": float(valid.max())},
    )


def _spread(values: Floats, step: float) -> float:
    """Standard deviation of two-minute means: drift with load and speed does not average out."""
    width = max(1, min(round(BLOCK_S / step), values.size // MIN_BLOCKS))
    count = values.size // width
    if count < 2:
        return 0.0
    square = values[: count * width].reshape(count, width)
    seen = ~np.isnan(square)
    number = seen.sum(axis=1)
    full = number * 2 >= width
    if full.sum() < 2:
        return 0.0
    means = np.where(seen, square, 0.0).sum(axis=1)[full] / number[full]
    return float(means.std(ddof=1))


def _heater(story: CoolantStory, mean: float) -> float:
    """What the heater's own setting does to the plateau (rectangular, JCGM 100:2008, 4.3.7).

    The plateau is taken with the heater set as it was; a valve that opens in proportion holds the
    coolant higher when the heater takes less.
    """
    return 0.0 if story.otherwise is None else abs(story.otherwise - mean) / math.sqrt(3.0)


def _unsettled(story: CoolantStory, mean: float) -> float:
    """What may be left of the overshoot in a short plateau.

    The level lies between the mean of the settled part and that of all since the peak
    (rectangular, JCGM 100:2008, 4.3.7).
    """
    if story.opening is None or story.held is None:
        return 0.0
    start, stop = story.held
    if story.time[stop - 1] - story.time[start] >= LONG_S:
        return 0.0
    since_peak = float(np.nanmean(story.value[story.opening.peak : stop]))
    return abs(since_peak - mean) / math.sqrt(3.0)
