"""`coolant_plateau`: the temperature the coolant is held at once the engine is warm."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.coolant.course import resolution_of
from analysis.coolant.study import CoolantStudy
from analysis.figures import OwnerWords, figure
from analysis.measurement import Measurement
from analysis.signal.blocks import known_block_means
from analysis.uncertainty import mean_random, shared_parts
from ingest.arrays import Floats

if TYPE_CHECKING:
    from analysis.context import Context

UNIT: Final = "°C"

BLOCK_S: Final = 120.0
MIN_BLOCKS: Final = 4

DEFINITION_K: Final = 0.7
"""How sharply "held" is defined, K (k = 1; JCGM 200:2012, 2.27): levels of measured cars differ by
about this with what one takes for the plateau (tests/data/measured)."""

LONG_S: Final = 240.0
"""A plateau shorter than this may still be settling from the overshoot before it."""


# Warmer than its family is no fault until it boils: that is for the default limit to say.
@figure(
    "coolant_plateau",
    UNIT,
    order=100,
    label="Coolant when warm",
    bad="low",
    better="higher",
    owner=OwnerWords(
        "The engine itself, which heats the heater, runs at {value}",
        "temperature",
        rank=30,
        kin="cars of this kind run at {range}",
    ),
)
def coolant_plateau(ctx: Context) -> Measurement:
    """Mean coolant temperature while the thermostat, or the heat balance, held it.

    Equation
    --------
    T_p = mean over plateau (T_coolant), engine_coolant, else coolant_in (the hotter hose where they
    are reversed)

    Not measured
    ------------
    Without a coolant temperature; where the coolant is heated by something else than the engine;
    where it never settled, or has too few readings with the engine running (of coolant_in: and with
    coolant flowing through the heater).

    Source
    ------
    The contract's definition.

    Uncertainty
    -----------
    Two-minute means, since drift with load and speed does not average out; what may be left of
    the overshoot and what the heater's own setting does (rectangular, JCGM 100:2008, 4.3.7);
    what "held" leaves open; the sensor's errors.
    """
    study = ctx.coolant
    if study.point is None or study.held is None:
        return Measurement.missing(UNIT, study.why_not_held or "the coolant never settled")
    start, stop = study.held
    values = study.value[start:stop]
    valid = values[~np.isnan(values)]
    if valid.size < 4:
        return Measurement.missing(UNIT, f"{study.point} has too few readings on its plateau")
    mean = float(valid.mean())
    scatter = mean_random(valid, resolution_of(ctx, study.point))
    return Measurement(
        mean,
        UNIT,
        math.hypot(
            scatter,
            _spread(values, study.step),
            _unsettled(study, mean),
            _heater(study, mean),
            DEFINITION_K,
        ),
        shared_parts(ctx.run.sensors[study.point], mean),
        study.remark,
        (float(study.time[start]), float(study.time[stop - 1])),
    )


def _spread(values: Floats, step: float) -> float:
    """Standard deviation of two-minute means: drift with load and speed does not average out."""
    width = max(1, min(round(BLOCK_S / step), values.size // MIN_BLOCKS))
    count = values.size // width
    if count < 2:
        return 0.0
    means, number = known_block_means(values, width)
    full = number * 2.0 >= width
    return float(means[full].std(ddof=1)) if full.sum() > 1 else 0.0


def _heater(study: CoolantStudy, mean: float) -> float:
    """What the heater's own setting does to the plateau (rectangular, JCGM 100:2008, 4.3.7).

    The plateau is taken with the heater set as it was; a valve that opens in proportion holds the
    coolant higher when the heater takes less.
    """
    return 0.0 if study.otherwise is None else abs(study.otherwise - mean) / math.sqrt(3.0)


def _unsettled(study: CoolantStudy, mean: float) -> float:
    """What may be left of the overshoot in a short plateau.

    The level lies between the mean of the settled part and that of all since the peak
    (rectangular, JCGM 100:2008, 4.3.7).
    """
    if study.opening is None or study.held is None:
        return 0.0
    start, stop = study.held
    if study.time[stop - 1] - study.time[start] >= LONG_S:
        return 0.0
    since_peak = float(np.nanmean(study.value[study.opening.peak : stop]))
    return abs(since_peak - mean) / math.sqrt(3.0)
