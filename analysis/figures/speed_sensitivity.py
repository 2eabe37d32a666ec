"""`speed_sensitivity`: how the warmth at the feet changes with road speed."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.coolant.course import resolution_of
from analysis.figures import OwnerWords, figure
from analysis.measurement import Measurement
from analysis.signal.speed import SpeedStretch, fit_slope
from analysis.timeline.reasons import no_hold
from analysis.timeline.states import alike, stretches
from analysis.uncertainty import shared_parts

if TYPE_CHECKING:
    from analysis.context import Context

UNIT: Final = "K per 10 m/s"

SETTLE_S: Final = 60.0
"""Left out after a control was moved: the outlet's own answer is no answer to speed."""

MIN_HOLD_S: Final = 120.0
MAX_HOLDS: Final = 6

COARSE_K: Final = 0.5
"""A coolant temperature in steps of this or more hides what it does to the footwell."""

LAW_SHARE: Final = 0.1
"""A draft may grow with the square of the speed, or from some speed on: its slope is not sharper
than this share of itself (k = 1; common practice, no source)."""

DEFINITION_K: Final = 0.2
"""Nor than this, K per 10 m/s: engine speed and sun change with the road, too (k = 1)."""


@figure(
    "speed_sensitivity",
    UNIT,
    order=140,
    label="Footwell rise with road speed",
    bad="low",
    heat="low",
    better="higher",
    span_u=0.4,
    owner=OwnerWords(
        "For every {faster} faster it gets {value} colder at the feet", "warmer", rank=140, sign=-1
    ),
)
def speed_sensitivity(ctx: Context) -> Measurement:
    """Slope of the footwell's (else the outlet's) rise against road speed at the hot end.

    Equation
    --------
    S = 10 m/s · b in T_footwell − T_ambient = a + b · v + (all that is slower than driving)
    v: road_speed

    Not measured
    ------------
    Without road speed; without footwell and outlet; without outside air; where the speed hardly
    changed while the lever was hot and the engine warm.

    Source
    ------
    The contract's definition: least squares with everything slower than driving (a line and
    cosines in time) beside the speed.

    Uncertainty
    -----------
    That of the slope with a correlated residual and over the lags tried; what one slope leaves
    open where the draft grows otherwise than with speed; the speed sensor's scale.
    """
    if not ctx.has("road_speed"):
        return Measurement.missing(UNIT, "the road speed was not logged")
    point = next((each for each in ("footwell", "outlet") if ctx.has(each)), None)
    if point is None:
        return Measurement.missing(UNIT, "neither footwell nor outlet temperature was logged")
    air = ctx.reference_air(prefer="ambient")
    if air is None:
        return Measurement.missing(UNIT, "neither outside nor inlet air temperature was logged")
    holds = _holds(ctx)
    if air == "inlet_air":
        holds = [hold for hold in holds if not ctx.recirculating(*hold)]
        if not holds and ctx.recirculating(0, ctx.grid.time.size):
            return Measurement.missing(
                UNIT, "cabin air was drawn in again and the outside air was not logged"
            )
    if not holds:
        return Measurement.missing(
            UNIT,
            no_hold(ctx, ctx.at_hot, "hot", MIN_HOLD_S + SETTLE_S, ctx.outlet_seen, "the outlet"),
        )
    rise = ctx.values(point) - ctx.values(air)
    speed = ctx.values("road_speed")
    hot = _coolant(ctx)
    coolant = None if hot is None else ctx.values(hot) - ctx.values(air)
    cabin = ctx.values("cabin") - ctx.values(air) if ctx.has("cabin") else None
    found = fit_slope(
        [
            SpeedStretch(
                speed[a:b],
                rise[a:b],
                None if coolant is None else coolant[a:b],
                None if cabin is None else cabin[a:b],
            )
            for a, b in holds
        ],
        ctx.grid.step,
    )
    if found is None:
        return Measurement.missing(
            UNIT, "the road speed hardly changed while the lever was at the hot end, engine warm"
        )
    value = 10.0 * found.slope
    usual = float(np.nanmean(np.concatenate([np.abs(speed[a:b]) for a, b in holds])))
    shared = {
        source: value * part / max(usual, 1.0)
        for source, part in shared_parts(ctx.run.sensors["road_speed"], usual).items()
    }
    note = None if point == "footwell" else "from the outlet, the footwell was not logged"
    return Measurement(
        value,
        UNIT,
        math.hypot(10.0 * found.u, LAW_SHARE * value, DEFINITION_K),
        shared,
        note,
        ctx.span(min(start for start, _ in holds), max(stop for _, stop in holds)),
    )


def _coolant(ctx: Context) -> str | None:
    """The coolant temperature to go by: the engine's, unless the hose's is logged more finely.

    A supply cooler than the return (hoses changed over) follows the heater, not the engine.
    """
    logged = [point for point in ("engine_coolant", "coolant_in") if ctx.has(point)]
    if len(logged) == 2 and ctx.has("coolant_out"):
        drop = (ctx.values("coolant_in") - ctx.values("coolant_out"))[ctx.at_hot]
        if drop[~np.isnan(drop)].sum() < 0.0:
            return "engine_coolant"
    return min(logged, key=lambda point: resolution_of(ctx, point) >= COARSE_K, default=None)


def _holds(ctx: Context) -> list[tuple[int, int]]:
    """Stretches at the hot end under the controls of the longest one, less what settles."""
    grid = ctx.grid
    mask = ctx.at_hot & ctx.engine_on & ctx.engine_warm & ctx.blowing
    settle = round(SETTLE_S / grid.step)
    found = []
    for start, stop in stretches(mask, ctx.changes):
        # the engine becoming warm is no control moved: nothing has to settle then
        moved = start > 0 and not (ctx.at_hot[start - 1] and not ctx.engine_warm[start - 1])
        begin = start + settle if moved else start
        if (stop - begin) * grid.step >= MIN_HOLD_S:
            found.append((begin, stop))
    if not found:
        return []
    like = ctx.condition(found[0][0])
    return [hold for hold in found if alike(ctx.condition(hold[0]), like)][:MAX_HOLDS]
