"""What is known of the lever and of the outlet's answer, ready for a fit.

Readings are averaged in blocks of about a second at their own mean times: the common grid puts
every reading at the middle of its bin, half a second of which matters to a blend-air heater.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.grid import controls_on, max_gap
from analysis.uncertainty import Floats
from ingest.points import MODES
from ingest.run import Run

BLOCK_S: Final = 1.0
LEVER_BLOCK_S: Final = 0.5
MOST_SAMPLES: Final = 320
"""More samples than this are averaged further: the cost of the fit grows with their number, its
answer hardly gets better."""

NEAR_BEFORE_S: Final = 4.0
NEAR_AFTER_S: Final = 10.0
"""Around a move the samples are kept as they are: the onset of the answer tells the clock."""

FAR_BLOCKS: Final = 4

WARM_SHARE: Final = 0.8
"""Warm: the coolant (or else the hot outlet) has covered this share of its rise above the air."""

LEAST_RISE_K: Final = 15.0
"""Coolant less warm than this above the air heats nothing worth fitting."""

BEFORE_S: Final = 90.0
AFTER_S: Final = 240.0
"""Time kept before the first and after the last move of a stretch."""

LEAST_STEP_PCT: Final = 0.3
"""Changes of a logged lever below this are noise."""

LEAST_BLOCKS: Final = 10

HELD: Final = ("blower", "air_door", "defrost", "vacuum_isolated")
"""Controls with a number that must not change during a stretch, besides the mode."""


class NotMeasurable(Exception):  # noqa: N818 - the state of a figure, not an error of the program
    """A figure cannot be had; the message is a sentence for a technician."""


@dataclass(frozen=True)
class LeverPath:
    """The lever's positions in order of time.

    Parameters
    ----------
    moves, lever
        Times, s from engine start, and positions from then on, %; shape (k,).
    logged
        Whether the position is a channel of the log rather than noted by hand.
    """

    moves: Floats
    lever: Floats
    logged: bool

    def shifted(self, seconds: float) -> LeverPath:
        """The same path with every move later by some seconds."""
        return replace(self, moves=self.moves + seconds)

    def at(self, time: Floats) -> Floats:
        """Positions in force at given times; NaN before the first is known."""
        place = np.searchsorted(self.moves, time, side="right") - 1
        return np.where(place >= 0, self.lever[np.maximum(place, 0)], np.nan)


@dataclass(frozen=True)
class Answer:
    """The outlet over the whole run, in blocks of about a second.

    Parameters
    ----------
    time
        Mean time of each block, s from engine start, shape (n,).
    value
        Mix fraction, or outlet rise in K where no coolant is logged, shape (n,).
    state
        Controls that must not change, shape (controls, n).
    usable
        Where the engine was warm, the blower on and every reading there, shape (n,).
    rise_k
        What a change of `value` by 1 is in K.
    normalized
        Whether `value` is the mix fraction.
    notes
        What a reader of the figures must know.
    """

    time: Floats
    value: Floats
    state: Floats
    usable: NDArray[np.bool_]
    rise_k: float
    normalized: bool
    notes: tuple[str, ...]


@dataclass(frozen=True)
class LeverData:
    """The outlet's answer to the lever while nothing else was moved and the engine was warm.

    Parameters
    ----------
    time
        Mean time of each sample, s from engine start, shape (n,).
    value
        Mix fraction, or outlet rise in K where no coolant is logged, shape (n,).
    weight
        Share of the record each sample stands for, about 1, shape (n,).
    starts
        First sample of each stretch.
    path
        Where the lever was.
    """

    time: Floats
    value: Floats
    weight: Floats
    starts: NDArray[np.intp]
    path: LeverPath

    @property
    def positions(self) -> Floats:
        """Lever positions during the samples, shape (n,)."""
        return self.path.at(self.time)


def lever_path(run: Run) -> LeverPath:
    """Where the lever was: the logged channel where there is one, else the noted events.

    Raises
    ------
    NotMeasurable
        Where neither is there.
    """
    if run.has("temp_lever"):
        return _logged_path(*run.series("temp_lever"))
    names = run.controls["control"].to_numpy()
    mine = names == "temp_lever"
    times = run.controls["time_s"].to_numpy()[mine].astype(float)
    values = run.controls["value"].to_numpy()[mine].astype(float)
    known = ~np.isnan(values)
    times, values = times[known], values[known]
    if not times.size:
        raise NotMeasurable("the position of the temperature lever was neither logged nor noted")
    changed = np.diff(values, prepend=np.nan) != 0
    return LeverPath(times[changed], values[changed], logged=False)


def _logged_path(time: Floats, value: Floats) -> LeverPath:
    """Turn a logged position into moves: what does not exceed its noise is one position."""
    when, position = blocks(time, value, LEVER_BLOCK_S)[1:]
    noise = 1.4826 * float(np.median(np.abs(np.diff(position)))) if position.size > 2 else 0.0
    threshold = max(LEAST_STEP_PCT, 3.0 * noise)
    starts = [0]
    held = float(position[0])
    # What is held depends on what was held before; half-second blocks keep this short.
    for index, here in enumerate(position.tolist()):
        if abs(here - held) > threshold:
            starts.append(index)
            held = here
    first = np.array(starts)
    counts = np.diff(first, append=position.size)
    levels = np.add.reduceat(position, first) / counts
    half = 0.5 * float(np.median(np.diff(when))) if when.size > 1 else 0.0
    return LeverPath(when[first] - half, levels, logged=True)


def blocks(time: Floats, value: Floats, step: float) -> tuple[NDArray[np.intp], Floats, Floats]:
    """Average samples in bins of `step` seconds.

    Returns
    -------
    tuple
        First sample, mean time and mean value of every bin that holds one.
    """
    bins = np.floor(time / step)
    first = np.flatnonzero(np.diff(bins, prepend=bins[0] - 1.0)) if time.size else np.zeros(0, int)
    if first.size == time.size:
        return first, time, value
    counts = np.diff(first, append=time.size)
    return first, np.add.reduceat(time, first) / counts, np.add.reduceat(value, first) / counts


def gather(answer: Answer, path: LeverPath) -> LeverData:
    """Outlet samples of the control state in which the lever was moved most.

    Parameters
    ----------
    answer
        From `outlet_answer`.
    path
        The lever's positions.

    Raises
    ------
    NotMeasurable
        With the reason.
    """
    time = answer.time
    lever = path.at(time)
    usable = answer.usable & ~np.isnan(lever)
    if not usable.any():
        raise NotMeasurable(
            "the lever's position is not known for any time with the engine warm and the blower on"
        )
    chosen = _most_moved(_stretches(answer.state, usable), lever)
    if not chosen:
        raise NotMeasurable(
            "the lever was not moved with the engine warm and the blower and mode unchanged"
        )
    keep: list[NDArray[np.intp]] = []
    for start, stop in chosen:
        moved = path.moves[(path.moves > time[start]) & (path.moves < time[stop - 1])]
        inside = (time[start:stop] > moved[0] - BEFORE_S) & (time[start:stop] < moved[-1] + AFTER_S)
        keep.append(start + np.flatnonzero(inside))
    times, values, weights, starts = _thinned(time, answer.value, path.moves, keep)
    return LeverData(times, values, weights, starts, path)


def _thinned(
    time: Floats, value: Floats, moves: Floats, keep: list[NDArray[np.intp]]
) -> tuple[Floats, Floats, Floats, NDArray[np.intp]]:
    """Average samples far from any move, and where there are still too many the others too."""
    before = np.searchsorted(moves, time, side="right")
    padded = np.concatenate(([-np.inf], moves, [np.inf]))
    near = (time - padded[before] < NEAR_AFTER_S) | (padded[before + 1] - time < NEAR_BEFORE_S)
    share = np.where(near, 1.0, 1.0 / FAR_BLOCKS)
    count = sum(float(share[part].sum()) for part in keep)
    share /= max(1.0, count / MOST_SAMPLES)
    times, values, sizes, starts = [], [], [], [0]
    for part in keep:
        group = np.floor(np.cumsum(share[part]) - share[part[0]] + 1e-9)
        first = np.flatnonzero(np.diff(group, prepend=-1.0))
        number = np.diff(first, append=part.size)
        times.append(np.add.reduceat(time[part], first) / number)
        values.append(np.add.reduceat(value[part], first) / number)
        sizes.append(number.astype(float))
        starts.append(starts[-1] + first.size)
    weights = np.concatenate(sizes)
    weights /= weights.mean()
    return np.concatenate(times), np.concatenate(values), weights, np.array(starts[:-1])


def outlet_answer(run: Run, shift: float = 0.0) -> Answer:
    """The outlet as mix fraction or rise, and where it may be used.

    Parameters
    ----------
    run
        The run.
    shift
        Seconds by which the noted events are later than they say.

    Raises
    ------
    NotMeasurable
        Where the outlet was not logged, or the air entering is not known, or nothing was warm.
    """
    if not run.has("outlet"):
        raise NotMeasurable("the outlet was not logged")
    _, time, outlet = blocks(*run.series("outlet"), BLOCK_S)
    notes: list[str] = []
    air = _air(run, time, notes)
    state, usable = _controls(run, time - shift)
    rise = outlet - air
    usable &= ~np.isnan(rise)
    coolant = next((point for point in ("coolant_in", "engine_coolant") if run.has(point)), None)
    value, rise_k, normalized = rise, 1.0, False
    if coolant is None:
        notes.append("coolant not logged: the outlet's own span is used")
        warm = _warm_by_outlet(rise, usable)
    else:
        excess = at_times(run, coolant, time) - air
        warm, typical = _warm_by_coolant(excess)
        if _follows_lever(excess, rise, warm & usable):
            notes.append("the coolant at the heater cools when the lever is closed: own span used")
            warm = _warm_by_outlet(rise, usable)
        else:
            if coolant == "engine_coolant":
                notes.append("engine_coolant stands in for coolant_in")
            value = rise / np.where(warm, excess, np.nan)
            rise_k, normalized = typical, True
    return Answer(time, value, state, usable & warm, rise_k, normalized, tuple(notes))


def _controls(run: Run, noted: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Controls that must not change, and whether air comes out that is heated by a running engine.

    Raises
    ------
    NotMeasurable
        Where the air was recirculated all the time and what enters is not logged.
    """
    controls, mode = controls_on(run.controls, noted)
    rows = [mode.astype(float)]
    held = [controls[name] for name in HELD if name in controls]
    rows += [np.where(np.isnan(each), -1.0, each) for each in held]
    usable = mode != MODES.index("off")
    for name in ("blower", "engine"):
        if name in controls:
            usable &= controls[name] != 0.0
    if not run.has("inlet_air"):
        recirculated = mode == MODES.index("recirculate")
        if usable.any() and recirculated[usable].all():
            raise NotMeasurable(
                "the air was recirculated and the air entering the heater was not logged"
            )
        usable &= ~recirculated
    return np.vstack(rows), usable


def _air(run: Run, time: Floats, notes: list[str]) -> Floats:
    for point in ("inlet_air", "ambient"):
        if run.has(point):
            if point == "ambient":
                notes.append("ambient stands in for inlet_air")
            return at_times(run, point, time)
    notes.append("the air entering the heater was not logged: taken as constant")
    return np.zeros(time.size)


def _warm_by_coolant(excess: Floats) -> tuple[NDArray[np.bool_], float]:
    """Where the coolant was about as much warmer than the air as it ever was, and how much.

    Raises
    ------
    NotMeasurable
        Where that was too little for any heater.
    """
    valid = excess[~np.isnan(excess)]
    level = float(np.quantile(valid, 0.9)) if valid.size else math.nan
    if not level >= LEAST_RISE_K:
        raise NotMeasurable(
            f"the coolant was never more than {LEAST_RISE_K:.0f} K warmer than the air: "
            "warm the engine up first"
        )
    warm = excess >= WARM_SHARE * level
    return warm, float(np.median(excess[warm]))


def _warm_by_outlet(rise: Floats, usable: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """From when the outlet has first been nearly as warm as it ever gets."""
    warm = np.zeros(rise.size, dtype=bool)
    if usable.any():
        low, high = np.quantile(rise[usable], [0.02, 0.95])
        reached = usable & (rise >= low + WARM_SHARE * (high - low))
        warm[int(np.argmax(reached)) :] = bool(reached.any())
    return warm


def _follows_lever(excess: Floats, rise: Floats, where: NDArray[np.bool_]) -> bool:
    """Whether the coolant sensor loses its heat with the flow: no reference for the outlet then.

    Downstream of a closed water valve the hose cools towards the air.
    """
    if where.sum() < LEAST_BLOCKS:
        return False
    level, answer = excess[where], rise[where]
    low, high = np.quantile(level, [0.05, 0.95])
    if high - low < 0.15 * high:
        return False
    spread = level.std() * answer.std()
    together = float(np.mean((level - level.mean()) * (answer - answer.mean())))
    return bool(together > 0.6 * spread)


def at_times(run: Run, point: str, at: Floats) -> Floats:
    """Readings of a point at given times, averaged over about a second; NaN across gaps."""
    raw, values = run.series(point)
    allowed = max_gap(raw)
    _, time, value = blocks(raw, values, BLOCK_S)
    result = np.interp(at, time, value)
    after = np.clip(np.searchsorted(time, at), 1, max(time.size - 1, 1))
    if time.size > 1:
        gap = time[after] - time[after - 1]
        result[(gap > allowed) & (at > time[after - 1]) & (at < time[after])] = np.nan
    result[(at < time[0] - allowed) | (at > time[-1] + allowed)] = np.nan
    return result


def _stretches(
    state: Floats, usable: NDArray[np.bool_]
) -> dict[tuple[float, ...], list[tuple[int, int]]]:
    """Stretches of usable samples with every other control unchanged, by those controls."""
    edge = np.any(np.diff(state, axis=1) != 0.0, axis=0) | (np.diff(usable) != 0)
    bounds = [0, *(np.flatnonzero(edge) + 1).tolist(), usable.size]
    found: dict[tuple[float, ...], list[tuple[int, int]]] = {}
    for start, stop in pairwise(bounds):
        if usable[start] and stop - start >= LEAST_BLOCKS:
            found.setdefault(tuple(state[:, start].tolist()), []).append((start, stop))
    return found


def _most_moved(
    stretches: dict[tuple[float, ...], list[tuple[int, int]]], lever: Floats
) -> list[tuple[int, int]]:
    """Stretches with moves, of the control state whose moves cover most of the slot."""
    best: list[tuple[int, int]] = []
    most = 0.0
    for spans in stretches.values():
        moving = [(i, j) for i, j in spans if np.ptp(lever[i:j]) > LEAST_STEP_PCT]
        if not moving:
            continue
        places = np.concatenate([lever[i:j] for i, j in moving])
        visited = np.unique(np.round(places / 2.0)).size
        score = float(np.ptp(places)) * math.sqrt(visited)
        if score > most:
            best, most = moving, score
    return best
