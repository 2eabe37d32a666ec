"""`fluctuation_index`: how restless the outlet is at full hot, as a share of its rise."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from analysis.figures import OwnerWords, figure
from analysis.measurement import Measurement
from analysis.signal import fluctuation

if TYPE_CHECKING:
    from analysis.context import Context

WINDOW_PCT: Final = 0.2
"""Standard uncertainty, % of the rise, of where the steady window is said to begin and end: what it
makes in either direction (simulated cars, no source)."""


@figure(
    "fluctuation_index",
    "%",
    order=30,
    label="Outlet fluctuation",
    bad="high",
    heat="high",
    better="lower",
    owner=OwnerWords("The warm air comes and goes by {value}", "%", rank=110),
    least=0.0,
)
def fluctuation_index(ctx: Context) -> Measurement:
    """Standard deviation of the outlet in periods of 8-120 s over `steady_outlet_rise`.

    The sensor's noise is taken out in quadrature, and its lag where it is known. Near zero the
    interval is that of the variance, turned into one of its root: it then reaches down to zero.
    No heater is equally restless all the time, so that the choice of the window counts too.

    Equation
    --------
    F = 100 · √(s² − s_noise²) / steady_outlet_rise
    s²: variance of T_outlet in periods of 8 to 120 s

    Not measured
    ------------
    Without a steady rise, or with one of zero or less; where the steady window is too short for the
    longest period or read too seldom for the shortest.

    Source
    ------
    The contract's definition; the band by a discrete cosine transform, Parseval's theorem.

    Uncertainty
    -----------
    Of a variance with the few periods a window holds, of the noise taken out, of the rise, and
    of which window it was.
    """
    rise = ctx.figure("steady_outlet_rise")
    if rise.value is None:
        return Measurement.missing("%", rise.note or "steady_outlet_rise was not measured")
    if rise.value <= 0.0:
        return Measurement.missing("%", "the outlet is no warmer than the outside air")
    sampled = ctx.hot_samples
    if isinstance(sampled, str):
        return Measurement.missing("%", sampled)
    sensor = ctx.run.sensors["outlet"]
    found = fluctuation.strength(
        sampled, lag=sensor.time_constant or 0.0, resolution=sensor.resolution
    )
    value = 100.0 * found.deviation / rise.value
    from_rise = value * (rise.u or 0.0) / rise.value
    return Measurement(
        value,
        "%",
        math.hypot(100.0 * found.u / rise.value, from_rise, WINDOW_PCT),
        note=_note(sampled.step),
        window=rise.window,
    )


def _note(step: float) -> str | None:
    if step <= fluctuation.SHORTEST_S / 2.0:
        return None
    return f"read every {step:.0f} s: periods shorter than {2.0 * step:.0f} s were not seen"
