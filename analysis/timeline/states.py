"""What was going on, bin by bin: the engine on and warm, the lever at an end, air coming out."""

from __future__ import annotations

import math
from functools import cached_property
from itertools import pairwise
from typing import Final

import numpy as np

from analysis.signal.order_statistics import quantiles
from analysis.signal.smoothing import smooth
from analysis.timeline.grid import Grid, build_grid
from analysis.timeline.stops import stopped_with_the_car
from ingest.arrays import Bools, Floats
from ingest.points import MODES
from ingest.run import Run

HOT_END_PCT: Final = 97.0
COLD_END_PCT: Final = 3.0

LEVER_BACKLASH_PCT: Final = 1.5
"""A logged lever may read this much short of an end for its sensor's error."""

WARM_LEAST_C: Final = 35.0
"""No engine is warm below this, whatever its thermostat does."""

WARM_MARGIN_K: Final = 5.0
WARM_SHARE: Final = 0.1
"""Warm is within 5 K, or a tenth of the way it came, of the highest coolant temperature."""

HOTTEST_SHARE: Final = 0.15
"""Without a lever or a coolant reading, the outlet is hot within this share of its range."""

RUNNING_RPM: Final = 250.0
VOLTAGE_STEP_V: Final = 0.6
STILL_V: Final = 1.0

CONDITIONS: Final = ("blower", "air_door", "defrost")
"""Numeric controls that, with the mode, make one hold like another."""

LONGEST_GAP_S: Final = 120.0
"""A hold is not one hold any more where the outlet was not seen for longer than this."""


class States:
    """A run on its grid, and what was going on bin by bin; each state is found on first use.

    Parameters
    ----------
    run
        The run with invalid readings null and offsets corrected.
    """

    def __init__(self, run: Run) -> None:
        self.run = run

    @cached_property
    def grid(self) -> Grid:
        """The run on the common grid."""
        return build_grid(self.run)

    @cached_property
    def engine_on(self) -> Bools:
        """Whether the engine ran, bin by bin."""
        return engine_on(self.grid, self.stopped)

    @cached_property
    def stopped(self) -> Bools:
        """Whether the engine stood because the car did, as the outlet tells, bin by bin."""
        return stopped_with_the_car(self.grid)

    @cached_property
    def engine_warm(self) -> Bools:
        """Whether the engine was as warm as it got in this run, bin by bin."""
        return engine_warm(self.grid, self.engine_on, self.at_hot)

    @cached_property
    def blowing(self) -> Bools:
        """Whether air may have come out, bin by bin."""
        return blowing(self.grid)

    @cached_property
    def changes(self) -> Bools:
        """Bins at which a control other than the lever takes a new position."""
        return changes(self.grid)

    @cached_property
    def lever(self) -> Floats:
        """Position of the temperature lever, %; NaN where it is not known."""
        return lever_position(self.grid)

    @cached_property
    def at_hot(self) -> Bools:
        """Whether the lever was at the hot end, bin by bin."""
        return at_hot_end(self.grid, self.lever, self.rise)

    @cached_property
    def at_cold(self) -> Bools:
        """Whether the lever was at the cold end, bin by bin."""
        return at_cold_end(self.grid, self.lever)

    @cached_property
    def rise_reference(self) -> str | None:
        """The air temperature the outlet's rise is counted from: ambient, else inlet air."""
        return rise_reference(self.grid)

    @cached_property
    def rise(self) -> Floats:
        """Outlet less the reference air, K; the outlet itself where there is no reference."""
        outlet = self.values("outlet")
        reference = self.rise_reference
        return outlet if reference is None else outlet - self.values(reference)

    @cached_property
    def outlet_seen(self) -> Bools:
        """False within stretches too long without a reading of the outlet's rise."""
        return outlet_seen(self.grid, self.rise)

    def has(self, *points: str) -> bool:
        """Whether all these points have readings on the grid."""
        return self.grid.has(*points)

    def has_any(self, *points: str) -> bool:
        """Whether at least one of these points has readings on the grid."""
        return any(self.grid.has(point) for point in points)

    def values(self, point: str) -> Floats:
        """Grid readings of a point (NaN where there is none)."""
        return self.grid.value(point)

    def span(self, start: int, stop: int) -> tuple[float, float]:
        """From and to of the bins ``start:stop``, s from engine start."""
        half = self.grid.step / 2
        return float(self.grid.time[start] - half), float(self.grid.time[stop - 1] + half)

    def condition(self, place: int) -> tuple[float, ...]:
        """Positions of the controls besides the lever at a bin; -1 where not known."""
        return condition(self.grid, place)

    def recirculating(self, start: int, stop: int) -> bool:
        """Whether the mode was recirculate at any time in the bins ``start:stop``."""
        return bool(np.any(self.grid.mode[start:stop] == MODES.index("recirculate")))


def engine_on(grid: Grid, stopped: Bools) -> Bools:
    """Whether the engine ran, bin by bin: engine speed, else events, else from time zero on.

    Without engine speed, less where it `stopped` with the car.
    """
    noted = grid.control("engine")
    running = np.where(np.isnan(noted), grid.time >= 0.0, noted > 0.5)
    running &= ~stopped
    speed = grid.value("engine_speed")
    return np.where(np.isnan(speed), running, speed > RUNNING_RPM)


def engine_warm(grid: Grid, on: Bools, at_hot: Bools) -> Bools:
    """Whether the engine was as warm as it got in this run, bin by bin.

    From `engine_coolant`, else `coolant_in`; without either the outlet itself has to say, and its
    steadiness decides. What `coolant_in` shows depends on its flow (shut off by a valve, or the
    cooler hose where they are reversed), so only the hot end counts, and an engine once warm is
    then taken to stay warm while it runs.
    """
    point = next((p for p in ("engine_coolant", "coolant_in") if grid.has(p)), None)
    source = smooth(grid.value(point or "outlet"), max(1, round(15.0 / grid.step)))
    seen = on & ~np.isnan(source)
    if point == "coolant_in" and (seen & at_hot).any():
        seen &= at_hot
    if not seen.any():
        return np.zeros(on.size, dtype=bool)
    values = source[seen]
    (highest,) = quantiles(values, 0.98)
    span = highest - float(values.min())
    if point is None:
        enough = highest - HOTTEST_SHARE * span
    else:
        enough = max(highest - max(WARM_MARGIN_K, WARM_SHARE * span), WARM_LEAST_C)
    reached = seen & (source >= enough)
    if not reached.any():
        return np.zeros(on.size, dtype=bool)
    after = np.arange(on.size) >= int(np.argmax(reached))
    if point == "engine_coolant":
        after &= np.isnan(source) | (source >= enough - 2.0 * WARM_MARGIN_K)
    return after & on


def rise_reference(grid: Grid) -> str | None:
    """The air the rise is counted from: `ambient`, else `inlet_air`; None where neither serves.

    A channel that is missing for most of the time the outlet is there does not serve.
    """
    outlet = ~np.isnan(grid.value("outlet"))
    for point in ("ambient", "inlet_air"):
        together = outlet & ~np.isnan(grid.value(point))
        if outlet.any() and 2 * int(together.sum()) >= int(outlet.sum()):
            return point
    return None


def lever_position(grid: Grid) -> Floats:
    """Lever position by bin; a logged one is freed of its noise."""
    position = grid.control("temp_lever")
    if grid.has("temp_lever"):
        return smooth(position, max(1, round(3.0 / grid.step)))
    return position


def lever_known(position: Floats) -> bool:
    """Whether the lever's position is known at any time."""
    return not bool(np.isnan(position).all())


def at_hot_end(grid: Grid, position: Floats, rise: Floats) -> Bools:
    """Whether the lever was at the hot end.

    Where its position is not known at all, it is taken to be there while the outlet was hottest.
    """
    if lever_known(position):
        backlash = LEVER_BACKLASH_PCT if grid.has("temp_lever") else 0.0
        return np.asarray(position >= HOT_END_PCT - backlash)
    if np.isnan(rise).all():
        return np.zeros(position.size, dtype=bool)
    width = max(1, round(60.0 / grid.step))
    level = smooth(rise, width)
    high = float(np.nanpercentile(level, 98))
    low = min(0.0, float(np.nanmin(level)))
    hottest = np.asarray(level >= high - HOTTEST_SHARE * (high - low))
    # the fall that ends such a stretch is not part of it
    edge = np.flatnonzero(hottest[:-1] & ~hottest[1:])
    for end in edge:
        hottest[max(0, end - width) : end + 1] = False
    return hottest


def at_cold_end(grid: Grid, position: Floats) -> Bools:
    """Whether the lever was at the cold end; nowhere, where its position is not known."""
    backlash = LEVER_BACKLASH_PCT if grid.has("temp_lever") else 0.0
    return np.asarray(position <= COLD_END_PCT + backlash)


def blowing(grid: Grid) -> Bools:
    """Whether air may have come out: false only where blower or mode are known to be off."""
    mode_off = grid.mode == MODES.index("off")
    still = (grid.control("blower") == 0.0) | (grid.value("blower_voltage") < STILL_V) | mode_off
    return np.asarray(~still)


def changes(grid: Grid) -> Bools:
    """Bins at which a control other than the lever takes a new position."""
    changed = np.zeros(grid.time.size, dtype=bool)
    for name in (*CONDITIONS, "vacuum_isolated"):
        held = grid.controls.get(name)
        if held is not None:
            filled = np.where(np.isnan(held), -1.0, held)
            changed[1:] |= filled[1:] != filled[:-1]
    changed[1:] |= grid.mode[1:] != grid.mode[:-1]
    voltage = grid.values.get("blower_voltage")
    if voltage is not None:
        changed |= _voltage_steps(voltage, max(1, round(5.0 / grid.step)))
    return changed


def condition(grid: Grid, place: int) -> tuple[float, ...]:
    """Positions of the controls besides the lever at a bin; -1 where not known."""
    held = (float(grid.controls[name][place]) for name in CONDITIONS if name in grid.controls)
    return (*(-1.0 if math.isnan(each) else each for each in held), float(grid.mode[place]))


def alike(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    """Whether two conditions are the same as far as both are known."""
    return all(a == b or a < 0.0 or b < 0.0 for a, b in zip(one, other, strict=True))


def _voltage_steps(voltage: Floats, half: int) -> Bools:
    """Bins at which the blower's voltage moves from one level to another."""
    before = smooth(voltage, 2 * half)
    difference = np.zeros(voltage.size)
    if voltage.size > 2 * half:
        difference[half:-half] = np.abs(before[2 * half :] - before[: -2 * half])
    stepped = difference > VOLTAGE_STEP_V  # nowhere among what was not read
    if not stepped.any():
        return stepped
    # one mark a step, at its middle
    first = np.flatnonzero(stepped & ~np.concatenate(([False], stepped[:-1])))
    last = np.flatnonzero(stepped & ~np.concatenate((stepped[1:], [False])))
    marks = np.zeros(voltage.size, dtype=bool)
    marks[(first + last + 1) // 2] = True
    return marks


def stretches(mask: Bools, broken: Bools) -> list[tuple[int, int]]:
    """Runs of True, cut again before every bin of `broken`; half open, longest first."""
    edge = np.flatnonzero(
        np.concatenate(([mask[0]], (mask[1:] != mask[:-1]) | broken[1:], [True]))
        if mask.size
        else np.zeros(0, dtype=bool)
    )
    found = [(int(start), int(stop)) for start, stop in pairwise(edge) if mask[start]]
    return sorted(found, key=lambda pair: (pair[0] - pair[1], pair[0]))


def outlet_seen(grid: Grid, rise: Floats) -> Bools:
    """False within stretches too long without a reading of the outlet's rise."""
    missing = np.isnan(rise)
    seen = np.ones(missing.size, dtype=bool)
    if missing.any():
        for start, stop in stretches(missing, np.zeros(missing.size, dtype=bool)):
            at_edge = start == 0 or stop == missing.size
            if at_edge or (stop - start) * grid.step > LONGEST_GAP_S:
                seen[start:stop] = False
    return seen
