"""The coolant's course on a grid of its own, with what the engine and the heater did beside it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from analysis.signal.blocks import block_sums, known_block_means
from analysis.signal.order_statistics import median
from analysis.signal.smoothing import smooth as running_mean
from analysis.timeline.timeline import Timeline
from ingest.arrays import Bools, Floats
from ingest.points import MODES
from ingest.values import dataclass

STEP_S: Final = 2.0
"""Coolant is looked at in steps of at least this; it changes by less than 1 K in one."""

SMOOTH_S: Final = 10.0

DECIMALS: Final = 4
"""Smoothed readings are kept to this many decimals, °C: readings come in steps, so that many means
are alike but for the last digits of their sums, and which of them is the highest, or the first to
reach a level, must not hang on those."""

FLOW_LEVER_PCT: Final = 15.0
"""Below this lever position a water valve may shut off the flow past a sensor on its hose."""

TOUCHED_PCT: Final = 15.0
"""A lever moved by more than this, or a blower step, changes what the heater takes."""

WARM_ENOUGH_K: Final = 20.0
"""Coolant less than this above the outside air shows no share."""

SETTING_S: Final = 40.0

NEAR_K: Final = 10.0
COMES_BACK_S: Final = 120.0
"""So long after the heater was set back the coolant may still be on its way."""

MIN_S: Final = 60.0
MIN_READINGS: Final = 20

IDLE_RPM: Final = 1200.0
STANDING_M_S: Final = 3.0

BLOCK_LAG_S: Final = 40.0
"""The heat of the engine's work reaches the coolant through the block about this much later."""


@dataclass(frozen=True)
class Course:
    """The coolant's course, from its first reading to its last with the engine running.

    Parameters
    ----------
    step
        Spacing, s.
    time
        Evenly spaced times, s from engine start.
    value
        Readings, °C; NaN with the engine off, without flow past the sensor, or in a gap.
    smooth
        The same, smoothed and without NaN.
    noise
        Standard deviation of one value about the truth, K.
    load
        Index of the heat the engine gives, lagged as the coolant feels it; None if not known.
    idle
        Whether the car stood idling; None where it is not known.
    heater
        How far the heater was turned on, as a number that changes when a control does.
    """

    step: float
    time: Floats
    value: Floats
    smooth: Floats
    noise: float
    load: Floats | None
    idle: Bools | None
    heater: Floats

    def bins(self, seconds: float) -> int:
        """Steps in a time, one at least."""
        return max(1, round(seconds / self.step))


def flowing(timeline: Timeline, point: str) -> Bools:
    """Whether coolant ran past the sensor: the engine on and no valve shut before it."""
    seen = timeline.engine_on & (timeline.grid.time >= 0.0)
    if point != "engine_coolant" and timeline.run.setup.run.heater != "blend-air":
        seen = (
            seen & ~(timeline.lever < FLOW_LEVER_PCT) & (timeline.grid.mode != MODES.index("off"))
        )
    return seen


def course_of(timeline: Timeline, point: str) -> Course | None:
    """The course of one coolant temperature, or None where too little of it was logged."""
    grid = timeline.grid
    every = max(1, round(STEP_S / grid.step))
    value = np.where(flowing(timeline, point), timeline.values(point), np.nan)
    step = grid.step * every
    time = block_sums(grid.time, every) / every
    value = _thinned(value, every)
    valid = ~np.isnan(value)
    if valid.sum() * step < MIN_S or valid.sum() < MIN_READINGS:
        return None
    first, last = int(np.argmax(valid)), value.size - int(np.argmax(valid[::-1]))
    value, time = value[first:last], time[first:last]
    filled = np.interp(time, time[valid[first:last]], value[valid[first:last]])
    load, idle = _load(timeline, every)
    return Course(
        step,
        time,
        value,
        np.round(running_mean(filled, max(3, round(SMOOTH_S / step) | 1)), DECIMALS),
        _noise(timeline, point, value),
        None if load is None else load[first:last],
        None if idle is None else idle[first:last],
        _heater_setting(timeline, point, every)[first:last],
    )


def heater_as_before(course: Course) -> Course | None:
    """The course with the heater set as it was while the engine warmed; None if it never changed.

    A heater turned down takes less from the coolant, and a thermostat that opens in proportion lets
    it rise by some kelvin. Those times, and the while the coolant needs to come back, are taken out
    and bridged in a straight line.
    """
    near = int(np.argmax(course.smooth >= course.smooth.max() - NEAR_K))
    usual = median(course.heater[: near + 1])
    changed = np.abs(course.heater - usual) >= TOUCHED_PCT
    if not changed.any():
        return None
    back = course.bins(COMES_BACK_S)
    since = np.concatenate(([0], np.cumsum(changed)))
    place = np.arange(changed.size)
    alike = since[place + 1] - since[np.maximum(place + 1 - back, 0)] == 0
    if alike.sum() < MIN_READINGS:
        return None
    smooth = np.interp(course.time, course.time[alike], course.smooth[alike])
    last = int(np.flatnonzero(alike)[-1]) + 1
    return replace(
        course,
        time=course.time[:last],
        value=np.where(alike, course.value, np.nan)[:last],
        smooth=smooth[:last],
        load=None if course.load is None else course.load[:last],
        idle=None if course.idle is None else course.idle[:last],
        heater=np.where(alike, course.heater, usual)[:last],
    )


def _heater_setting(timeline: Timeline, point: str, every: int) -> Floats:
    """How far the heater was turned on, as a number that changes when a control does.

    Where nobody noted the lever, the share of the coolant's heat that reached the outlet tells.
    """
    lever = timeline.lever
    if np.isnan(lever).all():
        lever = 100.0 * _share_given(timeline, point)
    setting = _known_before(lever) + TOUCHED_PCT * _known_before(timeline.grid.control("blower"))
    return setting[: setting.size // every * every : every]


def _share_given(timeline: Timeline, point: str) -> Floats:
    """Outlet over coolant, both above the outside air; all NaN where one of them is not logged."""
    air = next((each for each in ("ambient", "inlet_air") if timeline.has(each)), None)
    if air is None or not timeline.has("outlet"):
        return np.full(timeline.grid.time.size, np.nan)
    outside = timeline.values(air)
    warm = timeline.values(point) - outside
    warm[warm < WARM_ENOUGH_K] = np.nan
    share = (timeline.values("outlet") - outside) / warm
    known = ~np.isnan(share)
    if not known.any():
        return share
    # traffic makes it restless: only what stays for a while is a setting
    width = max(3, round(SETTING_S / timeline.grid.step) | 1)
    filled = np.interp(timeline.grid.time, timeline.grid.time[known], share[known])
    return running_mean(filled, width)


def _known_before(position: Floats) -> Floats:
    """Positions with the unknown ones taken to be as the nearest known; 0 where none is known."""
    known = np.flatnonzero(~np.isnan(position))
    if known.size == 0:
        return np.zeros(position.size)
    if known.size == position.size:
        return position
    return np.interp(np.arange(position.size), known, position[known])


def _thinned(values: Floats, every: int) -> Floats:
    """Means of `every` bins each, NaN left out."""
    if every == 1:
        return values
    means, number = known_block_means(values, every)
    return np.where(number > 0.0, means, np.nan)


def _load(timeline: Timeline, every: int) -> tuple[Floats | None, Bools | None]:
    """Index of the heat the engine gives, about 1 when idling, and whether it idled standing.

    Fuel goes with engine speed (friction) and with road speed (propulsion); the shares are those
    of a small car, 0.6 l/h at idle and five times that at 25 m/s (from memory).
    """
    speed, turns = timeline.has("road_speed"), timeline.has("engine_speed")
    if not speed and not turns:
        return None, None
    index = np.zeros(timeline.grid.time.size // every)
    idle = np.ones(index.size, dtype=bool)
    for point, scale, slow in (
        ("engine_speed", 1000.0, IDLE_RPM),
        ("road_speed", 12.0, STANDING_M_S),
    ):
        if timeline.has(point):
            part = _thinned(timeline.values(point), every)
            seen = ~np.isnan(part)
            if not seen.any():
                return None, None
            if not seen.all():
                place = np.arange(part.size)
                part = np.interp(place, place[seen], part[seen])
            index += part / scale
            idle &= part < slow
    if not turns:
        index += 1.0
    width = max(1, round(2.0 * BLOCK_LAG_S / (timeline.grid.step * every)))
    return _trailing_mean(index, width), idle


def _trailing_mean(values: Floats, width: int) -> Floats:
    """Mean over the last `width` samples, fewer at the beginning."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    stop = np.arange(1, values.size + 1)
    start = np.maximum(stop - width, 0)
    return np.asarray((total[stop] - total[start]) / (stop - start))


def _noise(timeline: Timeline, point: str, value: Floats) -> float:
    """Standard deviation of one reading about the truth, with its rounding, K."""
    valid = value[~np.isnan(value)]
    bend = np.abs(valid[2:] - 2.0 * valid[1:-1] + valid[:-2])
    scatter = 1.4826 * median(bend) / math.sqrt(6.0)
    return max(scatter, resolution_of(timeline, point) / math.sqrt(12.0), 0.05)


def resolution_of(timeline: Timeline, point: str) -> float:
    """Smallest step of a point's readings: as the sensor states it, else as seen in them."""
    stated = timeline.run.sensors[point].resolution
    if stated > 0.0:
        return stated
    steps = np.abs(np.diff(timeline.run.series(point)[1]))
    steps = steps[steps > 1e-9]
    return float(steps.min()) if steps.size else 0.0
