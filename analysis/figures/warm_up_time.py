"""`warm_up_time`: how long the driver waits for heat."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.figures import OwnerWords, figure
from analysis.measurement import Measurement
from analysis.signal.smoothing import smooth
from analysis.signal.warming import Warming, smooth_rise
from analysis.timeline.levels import spoken, with_note
from analysis.timeline.states import RUNNING_RPM, alike, lever_known
from analysis.uncertainty import shared_parts
from ingest.saying import say
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.context import Context

SHARE: Final = 0.9
"""The level to reach, as a share of the steady rise."""

MIN_RISE_K: Final = 8.0
WARM_SHARE: Final = 0.5
COLD_SHARE: Final = 0.2
"""Share of its way to warm at which a run that starts there is no warm-up, or is noted."""

EARLY_S: Final = 60.0
EARLY_SHARE: Final = 0.25
"""What stood wrong only this early (s, or share of the warm-up) changes nothing yet."""

U_START_S: Final = 1.5
"""Standard uncertainty of an engine start that was noted by hand or taken as the first sample."""

U_SEEN_START_S: Final = 0.3
"""Standard uncertainty of an engine start seen in the engine speed, besides the sampling."""

CRANKING_S: Final = 10.0
LONGEST_GAP_S: Final = 30.0
LAG_U: Final = 0.1
"""Relative standard uncertainty of a stated time constant (common practice, no source)."""


UNKNOWN_LEVER: Final = 0.15
"""Relative standard uncertainty where nobody noted that the lever was at the hot end: moved there a
quarter of the warm-up after the start it makes the wait that much longer (rectangular)."""


@figure(
    "warm_up_time",
    "s",
    order=20,
    label="Warm-up time",
    bad="high",
    heat="high",
    better="lower",
    repeat="cold starts",
    log=True,
    span_u=0.45,
    driven_u=0.05,
    owner=OwnerWords(
        "Warm air arrived after {value}",
        "minutes",
        rank=20,
        kin="cars of this kind take {range}",
        most="it should take {limit} at most",
        always=True,
    ),
    least=0.0,
)
def warm_up_time(ctx: Context) -> Measurement:
    """From engine start until the rise reaches 90 % of its steady value and stays for 30 s.

    Equation
    --------
    t_w: ΔT(t) ≥ 0.90 · steady_outlet_rise for every t from t_w to t_w + 30 s
    ΔT = T_outlet − T_ambient

    Not measured
    ------------
    Without a steady rise or with one too small to warm up to; where the car started warm; where the
    lever was not hot, the blower off, the engine stopped or the mode another during the warm-up;
    where 90 % was never held for 30 s.

    Source
    ------
    The contract's definition. The sensor's lag is taken out of value and slope of a local
    quadratic fit (A. Savitzky and M. J. E. Golay, Anal. Chem. 36, 1964, 1627).

    Uncertainty
    -----------
    Of the engine start (seen in its speed, noted or taken as the first sample), of the crossing
    by the rise's scatter over its slope, and of the steady rise it is compared with.
    """
    steady = ctx.figure("steady_outlet_rise")
    if steady.value is None:
        return _missing(
            say("no steady rise to compare with: {why}", why=steady.note or "no reason given")
        )
    if steady.value < MIN_RISE_K:
        return _missing(
            say("the outlet rises by {rise:.0f K} only: it does not warm up", rise=steady.value)
        )
    start = _start(ctx)
    after = ctx.grid.time >= start.at
    outlet = ctx.run.sensors["outlet"]
    warming = smooth_rise(ctx.grid.time[after], ctx.rise[after], outlet.time_constant or 0.0)
    if warming is None:
        return _missing("the outlet has too few readings after the engine start")
    first = int(np.argmax(after))
    warmth, seen = _warmth(ctx, first, warming, steady.value)
    if warmth > WARM_SHARE:
        return _missing(say("the run started warm ({seen})", seen=seen))
    reached = warming.reached(SHARE * steady.value)
    if reached is None:
        return _missing("the outlet never held 90 % of its steady rise for 30 s")
    wrong = _hindered(ctx, first, ctx.grid.index(reached))
    if wrong:
        return _missing(wrong)
    found = _with_uncertainty(ctx, warming, steady, reached, start)
    if not lever_known(ctx.lever):
        found = with_note(
            replace(found, random=math.hypot(found.random, UNKNOWN_LEVER * found.known())),
            "the lever was not noted: taken to have been at the hot end from the start",
        )
    if warmth > COLD_SHARE:
        return with_note(
            found, say("not a cold start ({seen}): from cold it takes longer", seen=seen)
        )
    return with_note(found, start.note)


def _missing(why: str) -> Measurement:
    return Measurement.missing("s", why)


@dataclass(frozen=True, slots=True)
class _Start:
    """Engine start, s, with its standard uncertainty and what to note about it."""

    at: float
    u: float
    note: str = ""


def _start(ctx: Context) -> _Start:
    """When the engine started: seen in its speed, else as noted, else the first sample."""
    speed = ctx.grid.value("engine_speed")
    running = np.flatnonzero(speed > RUNNING_RPM)
    if running.size and running[0] > 0 and (speed[: running[0]] <= RUNNING_RPM).any():
        at = float(ctx.grid.time[running[0]] - ctx.grid.step / 2.0)
        return _Start(at, U_SEEN_START_S)
    if ctx.run.setup.run.engine_start is not None:
        return _Start(0.0, U_START_S)
    starts = [time for time, name, _, value in ctx.events if name == "engine" and value == 1.0]
    if starts:
        # time zero was set by this event; where its clock was put right since, it has moved
        offset = ctx.aligned.offset
        clock = offset.u if offset is not None else None
        return _Start(starts[0], math.hypot(U_START_S, clock or 0.0))
    return _Start(0.0, U_START_S, "engine start taken as the first sample of the log")


def _warmth(ctx: Context, first: int, warming: Warming, steady: float) -> tuple[float, str]:
    """Share of the way to warm at which the run started, and what shows it."""
    risen = float(warming.rise[0]) / steady
    found = (risen, say("outlet {rise:.0f K} up already", rise=float(warming.rise[0])))
    point = next((p for p in ("engine_coolant", "coolant_in") if ctx.has(p)), None)
    if point is None or ctx.rise_reference is None:
        return found
    values = smooth(ctx.values(point), max(1, round(15.0 / ctx.grid.step)))[first:]
    known = values[~np.isnan(values)]
    air = float(np.nanmean(ctx.values(ctx.rise_reference)))
    if known.size == 0 or known.max() <= air:
        return found
    share = float((known[0] - air) / (known.max() - air))
    seen = say("{point} at {level:.0f degC}", point=spoken(point), level=float(known[0]))
    return max(found, (share, seen))


def _hindered(ctx: Context, first: int, stop: int) -> str | None:
    """What stood otherwise during the warm-up than in the steady window, if anything did."""
    window = ctx.hot.chosen
    assert window is not None  # noqa: S101 - a steady rise was measured in it
    step = ctx.grid.step
    grace = max(EARLY_S / step, EARLY_SHARE * (stop - first))
    early = max(0, min(first + round(grace), stop - 1))
    part = slice(early, stop)
    if not ctx.engine_on[first + round(CRANKING_S / step) : stop].all():
        return "the engine stopped during the warm-up"
    if lever_known(ctx.lever) and not ctx.at_hot[part].all():
        return _lever_elsewhere(ctx, part)
    if not ctx.blowing[part].all():
        return "the blower was off during the warm-up"
    if not alike(ctx.condition(stop), window.condition):
        return "blower or mode stood otherwise in the warm-up than in the steady window"
    if not alike(ctx.condition(early), ctx.condition(stop)):
        return "blower or mode were changed during the warm-up"
    gap = np.isnan(ctx.rise[max(first, stop - round(LONGEST_GAP_S / step)) : stop])
    if gap.size and gap.all():
        return "the outlet was not read when it came up"
    return None


def _lever_elsewhere(ctx: Context, part: slice) -> str:
    """What the lever did during the warm-up, as far as it is known."""
    elsewhere = ~ctx.at_hot[part]
    where = ctx.lever[part][elsewhere]
    if np.isnan(where).all():
        first = ctx.grid.time[int(np.argmax(~np.isnan(ctx.lever)))]
        return say(
            "the lever's position was not known during the warm-up: it was first noted at "
            "{first:.0f s}",
            first=float(first),
        )
    return f"the lever stood at {np.nanmin(where):.0f} % during the warm-up, not at the hot end"


def _with_uncertainty(
    ctx: Context,
    warming: Warming,
    steady: Measurement,
    reached: float,
    start: _Start,
) -> Measurement:
    """Attach the uncertainty: whatever moves the rise or its level moves the crossing.

    The level is 90 % of the same sensors' reading, so nine tenths of their errors cancel.
    """
    level = SHARE * steady.known()
    place = min(ctx.grid.index(reached), ctx.grid.time.size - 1)
    shared = {source: -SHARE * part for source, part in steady.shared.items()}
    for point, sign in (("outlet", 1.0), (ctx.rise_reference, -1.0)):
        if point is None:
            continue
        near = ctx.values(point)[max(0, place - 5) : place + 5]
        seen = near[~np.isnan(near)]
        # only the part of an error that grows with the reading needs it, and that is small
        reading = float(seen.mean()) if seen.size else float(np.nanmedian(ctx.values(point)))
        for source, part in shared_parts(ctx.run.sensors[point], reading).items():
            shared[source] = shared.get(source, 0.0) + sign * part
    scatter = math.hypot(warming.u, SHARE * steady.random)
    u = math.sqrt(scatter**2 + sum(part**2 for part in shared.values()))
    slope = _slope_at(warming, reached, level, max(u, 0.005 * level))
    lag = ctx.run.sensors["outlet"].time_constant or 0.0
    crossing = min(int(np.searchsorted(warming.time, reached)), warming.time.size - 1)
    by_lag = LAG_U * lag * float(warming.per_lag[crossing]) / slope
    random = math.sqrt((scatter / slope) ** 2 + by_lag**2 + start.u**2 + ctx.grid.step**2 / 12.0)
    return Measurement(
        reached - start.at,
        "s",
        random,
        {source: part / slope for source, part in shared.items()},
        window=(start.at, reached),
    )


def _slope_at(warming: Warming, reached: float, level: float, u: float) -> float:
    """How fast the crossing moves with the level, K/s, seen over once and twice its uncertainty.

    A rise that comes up in swings crosses by leaps, and one that levels off crosses late: the
    flatter of the two chords counts.
    """
    slopes = []
    for times in (1.0, 2.0):
        sooner = warming.reached(level - times * u)
        later = warming.reached(level + times * u)
        if later is None:  # the rise hardly goes further: count what it does until the end
            later = max(float(warming.time[-1]), reached + warming.step)
        width = later - (reached if sooner is None else sooner)
        slopes.append(2.0 * times * u / max(width, warming.step))
    return min(slopes)
