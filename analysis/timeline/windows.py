"""When the lever was held at an end with the engine warm, and the outlet steady.

Found once on the grid and shared by every figure (through `Timeline`). A *hold* is a stretch in
which nobody touched a control; its settled tail is a *window*. A figure is measured in the longest
window; the other windows held under the same controls tell how well it repeats.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np

from analysis.signal.line import fit_line
from analysis.signal.smoothing import smooth
from analysis.signal.steady import Level, settle
from analysis.timeline.reasons import never_there, no_hold, no_outlet
from analysis.timeline.states import States, alike, condition, outlet_seen, stretches
from analysis.uncertainty import mean_random
from ingest.arrays import Bools, Floats
from ingest.saying import say
from ingest.values import dataclass


@dataclass(frozen=True, slots=True)
class End:
    """An end of the lever's travel, and what a hold there must offer.

    Parameters
    ----------
    name
        ``hot`` or ``cold``.
    least_s
        Shortest hold, s.
    extrapolate
        Whether a short hold's level is what it tends to. At the hot end the definition is a mean.
    sure_K
        A level known no better than this (k = 1), nor than `SURE_SHARE` of it, is not steady.
    least_K
        The outlet's rise cannot settle below this: air is not cooled below what enters.
    """

    name: str
    least_s: float
    extrapolate: bool
    sure_K: float  # noqa: N815 - the unit's symbol
    least_K: float | None  # noqa: N815


HOT: Final = End("hot", 60.0, extrapolate=False, sure_K=2.0, least_K=None)
COLD: Final = End("cold", 20.0, extrapolate=True, sure_K=3.0, least_K=0.0)

LATE_NOTE_S: Final = 3.0
"""What remains of a noted event's delay once the event clock is set right, s."""

MAX_HOLDS: Final = 8
"""Only the longest holds are looked at; a sweep back and forth makes many short ones."""

SURE_SHARE: Final = 0.08

SPEED_STEP: Final = {"road_speed": 3.0, "engine_speed": 300.0}
"""Changes of driving (m/s, rpm) that may move the outlet; a window is split where one does."""

HOSES: Final = ("coolant_in", "coolant_out")

CLIMB_S: Final = 60.0
CLIMB_K_MIN: Final = 2.0
"""A coolant that gains more than this in the last minute and all through the window that ends the
log is still warming up: the cycle of a thermostat swings, and a stuck one creeps."""

MIN_PLATEAU_S: Final = 60.0
MOVED_K: Final = 0.3


@dataclass(frozen=True, slots=True)
class Window:
    """The settled tail of a hold.

    Parameters
    ----------
    start, stop
        Bins of the settled tail, half open.
    hold_start
        First bin of the hold.
    level
        Where the outlet's rise (the outlet itself where no air temperature is logged) settled.
    condition
        Positions of the other controls, for telling like windows from unlike ones.
    recirculating
        Whether cabin air entered the heater.
    """

    start: int
    stop: int
    hold_start: int
    level: Level
    condition: tuple[float, ...]
    recirculating: bool

    @property
    def length(self) -> int:
        """Number of bins."""
        return self.stop - self.start


@dataclass(frozen=True, slots=True)
class Windows:
    """The windows of one end of the lever's travel.

    Parameters
    ----------
    chosen
        The longest steady window, or None.
    others
        Further steady windows under the same controls, longest first.
    why
        Where there is none: the reason, a sentence for a technician.
    """

    chosen: Window | None
    others: tuple[Window, ...] = ()
    why: str | None = None


@dataclass(frozen=True, slots=True)
class Followed:
    """The series whose steadiness makes a window.

    Parameters
    ----------
    name, values, seen
        In a technician's words; by bin, K; False within stretches too long without a reading.
    resolution, least_K
        Of the readings, K; it cannot settle below this.
    """

    name: str
    values: Floats
    seen: Bools
    resolution: float
    least_K: float | None = None  # noqa: N815 - the unit's symbol


def hot_windows(states: States) -> Windows:
    """Find the steady windows with the lever at the hot end and the engine warm."""
    return _unless_climbing(states, _outlet_windows(states, states.at_hot, HOT), "the outlet")


def _unless_climbing(states: States, found: Windows, name: str) -> Windows:
    """Windows of the hot end, unless the coolant still climbed when the log ended."""
    climb = _still_climbing(states, found.chosen)
    if climb is None:
        return found
    return Windows(
        None,
        why=say(
            "the coolant was still warming by {climb:.1f K/min} when the log ended: {name} was "
            "not steady yet",
            name=name,
            climb=climb,
        ),
    )


def hose_windows(states: States) -> Windows:
    """Find where the coolant's drop was steady at the hot end, in a run without an outlet."""
    drop = states.values("coolant_in") - states.values("coolant_out")
    resolution = max(states.run.sensors[point].resolution for point in HOSES)
    name = "the coolant's drop"
    followed = Followed(name, drop, outlet_seen(states.grid, drop), resolution)
    return _unless_climbing(states, _windows(states, states.at_hot, HOT, followed), name)


def _still_climbing(states: States, window: Window | None) -> float | None:
    """Rate of a coolant that climbs to the very end of the log as it does while warming, K/min."""
    point = next((each for each in ("engine_coolant", "coolant_in") if states.has(each)), None)
    if window is None or point is None:
        return None
    tail = states.values(point)[window.start :]
    ends_here = (tail.size - (window.stop - window.start)) * states.grid.step < CLIMB_S
    valid = np.flatnonzero(~np.isnan(tail))
    if not ends_here or valid.size * states.grid.step < CLIMB_S:
        return None
    last = valid[valid >= valid[-1] - round(CLIMB_S / states.grid.step)]
    # a coolant that swings climbs for a minute, too: one that warms up climbs all through
    rates = [
        60.0 * fit_line(states.grid.time[window.start + part], tail[part]).slope
        for part in (last, valid)
        if part.size > 1
    ]
    return min(rates) if min(rates) > CLIMB_K_MIN else None


def cold_windows(states: States) -> Windows:
    """Find the steady windows with the lever at the cold end and the engine warm."""
    found = _outlet_windows(states, states.at_cold, COLD)
    if found.chosen is None:
        return found
    for doubt in (_not_left_yet, _still_cooling, _rose_again):
        why = doubt(states, found.chosen)
        if why is not None:
            return Windows(None, why=why)
    return found


COOLED_S: Final = 600.0
"""A core behind a shut valve has given its heat away in this time, s (common practice, no
source)."""

COOLING_SHARE: Final = 0.15
COOLING_K: Final = 2.0
"""A rise that would lose more than this, and this share of itself, in `COOLED_S` is not settled."""


def _still_cooling(states: States, window: Window) -> str | None:
    """Why a hold is too short for the warm core behind a shut water valve; None where it is not."""
    if states.run.setup.run.heater == "blend-air":
        return None
    rise, step = states.rise[window.start : window.stop], states.grid.step
    valid = np.flatnonzero(~np.isnan(rise))
    if (window.stop - window.hold_start) * step >= COOLED_S:
        return None
    if valid.size < MIN_TREND:
        return "too few readings at cold to tell how a warm core cools; hold the lever there longer"
    rate = -fit_line(states.grid.time[window.start + valid], rise[valid]).slope
    lost = rate * COOLED_S
    if lost <= max(COOLING_K, COOLING_SHARE * window.level.value):
        return None
    return say(
        "the outlet was still cooling by {falls:.1f K/min} at cold: a shut water valve leaves a "
        "warm core; hold the lever there longer",
        falls=60.0 * rate,
    )


MIN_TREND: Final = 4  # a line through fewer readings says nothing of its slope

ROSE_K: Final = 8.0
ROSE_SHARE: Final = 0.3
"""A hold in which the outlet rises again by this much, and this share of the level, is not one."""


def _rose_again(states: States, window: Window) -> str | None:
    """Why a hold in which the outlet had been much lower before is none; None where it was not."""
    before = smooth(
        states.rise[window.hold_start : window.start], round(BEFORE_S / states.grid.step)
    )
    if before.size == 0 or np.isnan(before).all():
        return None
    rose = window.level.value - float(np.nanmin(before))
    if rose <= max(ROSE_K, ROSE_SHARE * window.level.value):
        return None
    return say(
        "the outlet rose by {rose:.0f K} again while the lever was noted at cold: a move was not "
        "noted, or something else opened; note every move",
        rose=rose,
    )


VALVE_S: Final = 180.0
"""Through a water valve an outlet has left its level after this long, s (common practice, no
source: the coolant in core and hoses must be exchanged or cool)."""

LEFT_SHARE: Final = 0.5

BEFORE_S: Final = 10.0


def _not_left_yet(states: States, window: Window) -> str | None:
    """Why a hold is too short to tell a valve that stays open from a slow one; None otherwise."""
    if states.run.setup.run.heater == "blend-air":
        return None
    step = states.grid.step
    held = (window.stop - window.hold_start) * step
    before = states.rise[max(0, window.hold_start - round(BEFORE_S / step)) : window.hold_start]
    before = before[~np.isnan(before)]
    if held >= VALVE_S or not before.size:
        return None
    warm = window.level.value > LEFT_SHARE * float(before.mean())
    if not warm or states.at_cold[max(0, window.hold_start - 1)]:
        return None
    return say(
        "the outlet was still as warm as before {held:.0f} s after the lever went to cold: through "
        "a water valve it may take minutes; hold the lever there longer",
        held=held,
    )


def _outlet_windows(states: States, at_end: Bools, end: End) -> Windows:
    if not states.has("outlet"):
        return Windows(None, why=no_outlet(states.run))
    least = None if states.rise_reference is None else end.least_K
    resolution = states.run.sensors["outlet"].resolution
    return _windows(
        states,
        at_end,
        end,
        Followed("the outlet", states.rise, states.outlet_seen, resolution, least),
    )


def _windows(states: States, at_end: Bools, end: End, followed: Followed) -> Windows:
    grid = states.grid
    if not at_end.any():
        return Windows(None, why=never_there(states, end.name))
    mask = at_end & states.engine_on & states.engine_warm & states.blowing & followed.seen
    holds = [_guarded(states, *hold) for hold in stretches(mask, states.changes)]
    long_enough = [h for h in holds if (h[1] - h[0]) * grid.step >= end.least_s][:MAX_HOLDS]
    if not long_enough:
        return Windows(
            None, why=no_hold(states, at_end, end.name, end.least_s, followed.seen, followed.name)
        )
    found = [window for hold in long_enough for window in _settled(states, *hold, end, followed)]
    steady = [
        window
        for window in found
        if window.level.random <= max(end.sure_K, SURE_SHARE * abs(window.level.value))
    ]
    if not steady:
        return Windows(None, why=_unsettled(states, found, end.name, followed.name))
    # cabin air drawn in again is not what the definitions mean: such a window is the last choice
    steady.sort(key=lambda window: (window.recirculating, -window.length))
    chosen = steady[0]
    same = (
        each
        for each in steady[1:]
        if alike(each.condition, chosen.condition) and _driven_alike(states, each, chosen)
    )
    return Windows(chosen, tuple(same))


def _guarded(states: States, start: int, stop: int) -> tuple[int, int]:
    """A hold without its last seconds: a hand that notes the next move may be late."""
    if states.has("temp_lever") or stop == states.grid.time.size:
        return start, stop
    return start, max(start, stop - round(LATE_NOTE_S / states.grid.step))


def _settled(states: States, start: int, stop: int, end: End, followed: Followed) -> list[Window]:
    """Settled tails of one hold: one, or several where a change of driving moved the outlet."""
    whole = _window(states, start, stop, end, followed)
    if whole is None:
        return []
    parts = _driven_apart(states, whole, followed.values)
    if not parts:
        return [whole]
    tails = (_window(states, *part, end, followed) for part in parts)
    return [tail for tail in tails if tail is not None]


def _window(states: States, start: int, stop: int, end: End, followed: Followed) -> Window | None:
    grid = states.grid
    level = settle(
        followed.values[start:stop],
        grid.step,
        resolution=followed.resolution,
        least_s=end.least_s,
        extrapolate=end.extrapolate,
        least=followed.least_K,
    )
    if level is None:
        return None
    return Window(
        start + level.start,
        start + level.stop,
        start,
        level,
        condition(grid, start),
        states.recirculating(start, stop),
    )


def _driven_apart(states: States, window: Window, values: Floats) -> list[tuple[int, int]]:
    """Stretches of steady driving within a window, where the outlet differs between them."""
    for point, step in SPEED_STEP.items():
        if not states.has(point):
            continue
        plateaus = _plateaus(states, point, step, window)
        if len(plateaus) > 1 and _moved(values, plateaus):
            return plateaus
    return []


def _driven_alike(states: States, one: Window, other: Window) -> bool:
    """Whether two windows saw the same driving; traffic that is not steady is like any."""
    for point, step in SPEED_STEP.items():
        if not states.has(point):
            continue
        speeds = []
        for window in (one, other):
            part = states.values(point)[window.start : window.stop]
            part = part[~np.isnan(part)]
            if not part.size:
                continue
            mean = float(part.sum()) / part.size
            away = part - mean
            if float(away @ away) < part.size * (step / 2.0) ** 2:
                speeds.append(mean)
        if len(speeds) == 2 and abs(speeds[0] - speeds[1]) > step:
            return False
    return True


def _plateaus(states: States, point: str, step: float, window: Window) -> list[tuple[int, int]]:
    speed = states.values(point)[window.start : window.stop]
    half = max(1, round(5.0 / states.grid.step))
    calm = smooth(speed, half)
    known = calm[~np.isnan(calm)]
    if calm.size <= 2 * half or known.size == 0 or known.max() - known.min() < step:
        return []
    change = np.zeros(calm.size)
    change[half:-half] = np.abs(calm[2 * half :] - calm[: -2 * half])
    still = np.nan_to_num(change) < step / 3.0
    least = MIN_PLATEAU_S / states.grid.step
    found = [s for s in stretches(still, np.zeros(still.size, dtype=bool)) if s[1] - s[0] >= least]
    return sorted((window.start + a, window.start + b) for a, b in found)


def _moved(values: Floats, plateaus: list[tuple[int, int]]) -> bool:
    """Whether the outlet's level differs between neighbouring plateaus beyond its scatter."""
    levels = []
    for start, stop in plateaus:
        part = values[start + (stop - start) // 3 : stop]
        part = part[~np.isnan(part)]
        if part.size >= 4:
            levels.append((float(part.mean()), mean_random(part)))
    return any(
        abs(a - b) > max(MOVED_K, 3.0 * np.hypot(ua, ub)) for (a, ua), (b, ub) in pairwise(levels)
    )


def _unsettled(states: States, found: list[Window], end: str, name: str) -> str:
    if not found:
        return f"{name} has too few readings with the lever at the {end} end"
    longest = max(found, key=lambda window: window.stop - window.hold_start)
    held = (longest.stop - longest.hold_start) * states.grid.step
    level = longest.level
    if abs(level.to_come) > level.random / 2.0:
        way = "rising" if level.to_come > 0 else "falling"
        seen = say("was still {way} by {rate:.1f K/min}", way=way, rate=abs(level.rate) * 60.0)
    else:
        seen = say("was too restless (known to {u:.1f K} only)", u=level.random)
    return say(
        "{name} {seen} after {held:.0f s} with the lever at the {end} end: hold it longer",
        name=name,
        seen=seen,
        held=held,
        end=end,
    )
