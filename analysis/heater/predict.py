"""Where the outlet's rise will settle, predicted long before it has.

At full hot the rise of the outlet over the outside air is a fixed share `g` of the coolant's rise,
a little late (core, duct, sensors)::

    rise(t) = g * (coolant(t) - lag * d coolant/dt - air)

`g` and the lag are fitted to what was seen so far; the coolant goes on to where the engine holds
it: the thermostat's level, or, where that is lower, the heat balance its slowing shows. Neither is
known early. Their spread is carried through by drawing from it, and the interval is that of the
draws: wide while the engine is cold, narrow once the coolant is held.

The numbers of the spreads are round figures of the right order (common practice, no source).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.measurement import Measurement
from analysis.signal.smoothing import smooth
from analysis.timeline.states import alike, stretches
from analysis.uncertainty import shared_parts
from ingest.values import dataclass

if TYPE_CHECKING:
    from numpy.random import Generator
    from numpy.typing import NDArray

    from analysis.context import Context
    from ingest.arrays import Bools, Floats

DRAWS: Final = 2000
COVERED: Final = (2.5, 50.0, 97.5)
"""Percentiles of the interval and of its middle."""

SEEN_S: Final = 240.0
"""The share is fitted to so much of the latest time at full hot."""
MIN_SEEN_S: Final = 40.0
MIN_LIFT_K: Final = 8.0
"""Below this the coolant says nothing yet."""
RATE_S: Final = 60.0
RATE_SHARE: Final = 0.25
LONGEST_RATE_S: Final = 180.0
SETTLING_S: Final = 45.0
"""So long after the last change of a control, duct, core and sensors have followed."""
LIKE_S: Final = 30.0
SCATTER_K: Final = 0.3
OFFSET_K: Final = 1.5
"""What sensors may disagree by besides their stated tolerance."""

LAG_S: Final = (20.0, 10.0)
SHARE_U: Final = 0.035
"""Relative: the share depends on pump speed, battery voltage, ram air."""
MEASURED_U: Final = 0.02
"""Relative: a longer run may find another window."""
GROWTH_U: Final = 0.05
"""Relative, at a cold engine: a starved or cold-soaked core gives more later."""
AIR_U_K: Final = 1.0

HELD_C: Final = (85.0, 5.0)
"""Level at which sound thermostats hold the coolant."""
LOW_SHARE: Final = 0.1
LOW_C: Final = (35.0, 85.0)
"""Share and levels of thermostats that hold it lower, all alike probable."""
BALANCE_TAU_S: Final = (900.0, 0.7)
"""Time constant of an engine's heat balance and its spread (of the logarithm)."""
SLOWING_U: Final = 0.35
"""Standard uncertainty of the logarithm of a ratio of two rates of warming."""
RATE_FLOOR_K_S: Final = 0.008
LOAD_U: Final = 0.12
OVERSHOOT_K: Final = 4.0
RATE_U: Final = 0.25
"""Relative: load and speed change the rate of warming."""
PLATEAU_U_K: Final = 1.0
OUTLET_SHARE: Final = (0.75, 0.13)
"""Share `g` of any heater, where no coolant is logged to tell this one's."""


@dataclass(frozen=True, slots=True)
class _Now:
    """The stretch of full hot that the prediction stands on.

    Parameters
    ----------
    places
        Bins of it.
    air
        Reference air over the last of it, °C.
    """

    places: NDArray[np.intp]
    air: float


@dataclass(frozen=True, slots=True)
class Prediction(Measurement):
    """A value to come.

    Parameters
    ----------
    low, middle, high
        What it will be with 95 % probability, and its median; None where nothing can be said.
    """

    low: float | None = None
    middle: float | None = None
    high: float | None = None


def predict_steady_rise(ctx: Context) -> Prediction:
    """Steady outlet rise that a run leads to, with an honest interval of ± 2 `u`.

    Parameters
    ----------
    ctx
        The run so far.

    Returns
    -------
    Prediction
        K; without value where nothing can be said yet.
    """
    known = _known(ctx)
    if known is not None:
        return known
    now = _stretch(ctx)
    if isinstance(now, str):
        return Prediction.missing("K", now)
    rng = np.random.default_rng(1)
    point = next((each for each in ("engine_coolant", "coolant_in") if ctx.has(each)), None)
    draws = None
    if point is not None:
        draws = _from_coolant(ctx, now, point, rng)
    if draws is None:
        draws = _from_outlet(ctx, now, rng)
    low, middle, high = (float(each) for each in np.percentile(draws, COVERED))
    first, last = int(now.places[0]), int(now.places[-1])
    return Prediction(
        (low + high) / 2.0,
        "K",
        (high - low) / 4.0,
        note="predicted from the warm-up so far",
        window=ctx.span(first, last + 1),
        low=low,
        middle=middle,
        high=high,
    )


def _known(ctx: Context) -> Prediction | None:
    """The steady rise as measured, once the coolant is held; None before."""
    found = ctx.figure("steady_outlet_rise")
    coolant = ctx.has_any("engine_coolant", "coolant_in")
    if found.value is None or (coolant and ctx.figure("coolant_plateau").value is None):
        return None
    random = float(np.hypot(found.random, MEASURED_U * found.value))
    u = float(np.hypot(random, found.u or 0.0))
    low, high = found.value - 2.0 * u, found.value + 2.0 * u
    return Prediction(
        found.value,
        "K",
        random,
        found.shared,
        "measured already",
        found.window,
        low,
        found.value,
        high,
    )


def _stretch(ctx: Context) -> _Now | str:
    """The latest bins at full hot, or why there are none."""
    reference = ctx.rise_reference
    if not ctx.has("outlet"):
        return "the outlet temperature was not logged"
    if reference is None:
        return "neither ambient nor inlet air was logged with the outlet"
    usable = ctx.engine_on & ctx.blowing & ~np.isnan(ctx.rise)
    hot = usable & ctx.at_hot
    if not hot.any():
        return "the lever was not yet at the hot end with engine and blower running"
    places = _settled_holds(ctx, hot)
    places = places[-round(SEEN_S / ctx.grid.step) :]
    if places.size * ctx.grid.step < MIN_SEEN_S:
        return "too little time at full hot with blower and mode as they are now"
    air = ctx.values(reference)[places[-max(1, round(RATE_S / ctx.grid.step)) :]]
    return _Now(places, float(np.nanmean(air)))


def _settled_holds(ctx: Context, hot: Bools) -> NDArray[np.intp]:
    """Bins at full hot with the controls as they are in the last of them, duct and core settled."""
    settling = round(SETTLING_S / ctx.grid.step)
    new = ctx.changes
    found: list[NDArray[np.intp]] = []
    here: tuple[float, ...] | None = None
    for start, stop in sorted(stretches(hot, new), reverse=True):
        kept = np.arange(min(start + settling, stop), stop)
        if kept.size and (here is None or alike(ctx.condition(start), here)):
            here = here or ctx.condition(start)
            found.append(kept)
    return np.concatenate(found[::-1]) if found else np.zeros(0, dtype=np.intp)


def _from_coolant(ctx: Context, now: _Now, point: str, rng: Generator) -> Floats | None:
    """Draws of the settled rise from the coolant's; None where it says nothing."""
    width = max(1, round(15.0 / ctx.grid.step))
    coolant = smooth(ctx.values(point), width)
    rate = np.gradient(coolant, ctx.grid.step) if coolant.size > 1 else np.zeros_like(coolant)
    rate = smooth(rate, max(1, round(30.0 / ctx.grid.step)))
    places = now.places[~np.isnan(coolant[now.places]) & ~np.isnan(rate[now.places])]
    if places.size < 4:
        return None
    lift = coolant[places] - now.air
    places, lift = places[lift >= MIN_LIFT_K], lift[lift >= MIN_LIFT_K]
    if places.size * ctx.grid.step < MIN_SEEN_S:
        return None
    offset_u = float(np.hypot(OFFSET_K, _sensors(ctx, now.air).u or 0.0))
    fitted = _fit(ctx.rise[places], lift, rate[places], ctx.grid.step, offset_u)
    level = float(coolant[places[-1]])
    held = _held(ctx, point)
    if held is None:
        speed = _rate(ctx, coolant, places)
        slowing = _slowing(ctx, coolant, int(places[-1]), speed[0])
        target = _plateau(level, now.air, speed, slowing, rng)
    else:
        target = rng.normal(held.known(), np.hypot(held.u or 0.0, PLATEAU_U_K), DRAWS)
    cold = np.clip((target - level) / np.maximum(target - now.air, 10.0), 0.0, 1.0)
    u = np.hypot(SHARE_U, GROWTH_U * cold)
    share, offset = rng.multivariate_normal(*fitted, DRAWS).T
    share = share * (1.0 + u * rng.standard_normal(DRAWS))
    air = rng.normal(now.air, AIR_U_K, DRAWS)
    return np.asarray(share * (target - air) + offset)


def _fit(
    rise: Floats, lift: Floats, rate: Floats, step: float, offset_u: float
) -> tuple[Floats, Floats]:
    """Share of the coolant's rise that reaches the outlet, and the sensors' offset, K.

    Least squares on ``share * lift - late * rate + offset`` with normal priors on the lag
    (``late / share``) and the offset; scatter counts as one sample each `LIKE_S`.

    Returns
    -------
    tuple
        Means and covariance of share and offset.
    """
    share = max(float(lift @ rise) / float(lift @ lift), 0.02)
    table = np.column_stack([lift, -rate, np.ones_like(lift)])
    for _ in range(3):
        left = rise - share * (lift - LAG_S[0] * rate)
        left = left - left.mean()
        scatter = max(float(left.std()), SCATTER_K) ** 2 * max(1.0, LIKE_S / step)
        prior = np.array([0.0, 1.0 / max(share * LAG_S[1], 0.5) ** 2, 1.0 / offset_u**2])
        covariance = np.linalg.inv(table.T @ table / scatter + np.diag(prior))
        middle = np.array([0.0, share * LAG_S[0], 0.0])
        found = covariance @ (table.T @ rise / scatter + prior * middle)
        share = max(float(found[0]), 0.02)
    keep = np.array([0, 2])
    return found[keep], covariance[np.ix_(keep, keep)]


def _sensors(ctx: Context, air: float) -> Measurement:
    """What the sensors of outlet and air alone leave open in their difference."""
    reference = ctx.rise_reference
    shared = dict(shared_parts(ctx.run.sensors["outlet"], air))
    if reference is not None:
        for source, part in shared_parts(ctx.run.sensors[reference], air).items():
            shared[source] = shared.get(source, 0.0) - part
    return Measurement(0.0, "K", 0.0, shared)


def _held(ctx: Context, point: str) -> Measurement | None:
    """The plateau, where the coolant has reached it."""
    found = ctx.figure("coolant_plateau")
    if found.value is None or ctx.coolant.point != point:
        return None
    return found


def _rate(ctx: Context, coolant: Floats, places: NDArray[np.intp]) -> tuple[float, float]:
    """Latest rate of the coolant, K/s, and its standard uncertainty."""
    last = int(places[-1])
    ran = float(ctx.engine_on[: last + 1].sum()) * ctx.grid.step
    # traffic makes the coolant swing: the longer it has run, the longer a look it takes
    count = max(4, round(min(max(RATE_S, RATE_SHARE * ran), LONGEST_RATE_S) / ctx.grid.step))
    part = coolant[max(0, last - count) : last + 1]
    part = part[~np.isnan(part)]
    if part.size < 4:
        return 0.0, 0.05
    at = ctx.grid.step * np.arange(part.size)
    rate = float(np.polyfit(at, part, 1)[0])
    return rate, float(np.hypot(RATE_U * abs(rate), RATE_FLOOR_K_S))


def _plateau(
    level: float,
    air: float,
    speed: tuple[float, float],
    slowing: tuple[float, float] | None,
    rng: Generator,
) -> Floats:
    """Draws of the level at which the coolant will be held."""
    rate, u = speed
    usual = rng.normal(*HELD_C, DRAWS)
    low = rng.random(DRAWS) < LOW_SHARE
    thermostat = np.where(low, rng.uniform(*LOW_C, DRAWS), usual)
    tau = _taus(slowing, rng)
    rates = rate + u * rng.standard_normal(DRAWS)
    # heat balance is in proportion to the load, which is never the same for long
    load = np.exp(LOAD_U * rng.standard_normal(DRAWS))
    balance = air + (level + rates * tau - air) * load
    # a thermostat whose level the coolant has passed is not this one's
    kept = thermostat > level - OVERSHOOT_K
    if kept.sum() >= DRAWS // 20:
        thermostat = rng.choice(thermostat[kept], DRAWS)
    else:
        thermostat = level + rng.normal(0.0, OVERSHOOT_K, DRAWS)
    target = np.minimum(thermostat, np.maximum(balance, level - OVERSHOOT_K))
    return np.asarray(target + rng.normal(0.0, PLATEAU_U_K, DRAWS))


def _taus(slowing: tuple[float, float] | None, rng: Generator) -> Floats:
    """Draws of the heat balance's time constant, by how much the warming has slowed so far."""
    tau = BALANCE_TAU_S[0] * np.exp(BALANCE_TAU_S[1] * rng.standard_normal(DRAWS))
    if slowing is None:
        return np.asarray(tau)
    elapsed, logarithm = slowing
    miss = (elapsed / tau - logarithm) / SLOWING_U
    weight = np.exp(-0.5 * (miss**2 - float((miss**2).min())))
    return np.asarray(rng.choice(tau, DRAWS, p=weight / weight.sum()))


def _slowing(ctx: Context, coolant: Floats, last: int, rate: float) -> tuple[float, float] | None:
    """Time since an earlier part of the warming, s, and the logarithm of its rate over today's.

    An exponential approach slows by ``exp(-elapsed / tau)``.
    """
    running = np.flatnonzero(ctx.engine_on[: last + 1] & ~np.isnan(coolant[: last + 1]))
    if running.size * ctx.grid.step < 4.0 * RATE_S:
        return None
    first = int(running[0]) + round(RATE_S / ctx.grid.step)
    part = running[(running >= first) & (running <= (first + last) // 2)]
    if part.size < 8:
        return None
    before = float(np.polyfit(ctx.grid.time[part], coolant[part], 1)[0])
    elapsed = float(ctx.grid.time[last] - ctx.grid.time[part].mean()) - RATE_S / 2.0
    if before <= 0.0 or elapsed <= 0.0:
        return None
    return elapsed, float(np.log(before / max(rate, 0.05 * before)))


def _from_outlet(ctx: Context, now: _Now, rng: Generator) -> Floats:
    """Draws of the settled rise from the outlet alone: its own slowing, capped by usual heaters."""
    rise = smooth(ctx.rise, max(1, round(15.0 / ctx.grid.step)))
    level = float(rise[now.places[-1]])
    rate, u = _rate(ctx, rise, now.places)
    share = rng.normal(*OUTLET_SHARE, DRAWS)
    cap = share * (_plateau(now.air, now.air, (1.0, 0.0), None, rng) - now.air)
    cap = np.where(cap > level, cap, level + np.abs(rng.normal(0.0, 5.0, DRAWS)))
    tau = _taus(_slowing(ctx, rise, int(now.places[-1]), rate), rng)
    to_come = np.maximum((rate + u * rng.standard_normal(DRAWS)) * tau, -3.0)
    return np.asarray(np.minimum(level + to_come, cap))
