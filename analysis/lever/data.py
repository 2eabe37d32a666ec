"""What is known of the lever and of the outlet's response, ready for a fit."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.lever.path import MIN_STEP_PCT, LeverPath, NotMeasurable
from analysis.lever.response import MIN_BLOCKS, Response
from analysis.signal.blocks import run_means
from ingest.arrays import Floats
from ingest.values import dataclass

MAX_SAMPLES: Final = 320
"""More samples than this are averaged further: the cost of the fit grows with their number, its
response hardly gets better."""

NEAR_BEFORE_S: Final = 4.0
NEAR_AFTER_S: Final = 10.0
"""Around a move the samples are kept as they are: their onset shows the clock's offset."""

FAR_BLOCKS: Final = 4

BEFORE_S: Final = 90.0
AFTER_S: Final = 240.0
"""Time kept before the first and after the last move of a stretch."""


@dataclass(frozen=True)
class LeverData:
    """The outlet's response to the lever while nothing else was moved and the engine was warm.

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


def gather(response: Response, path: LeverPath) -> LeverData:
    """Outlet samples of the control state in which the lever was moved most.

    Parameters
    ----------
    response
        From `outlet_response`.
    path
        The lever's positions.

    Raises
    ------
    NotMeasurable
        With the reason.
    """
    time = response.time
    lever = path.at(time)
    usable = response.usable & ~np.isnan(lever)
    if not response.usable.any():
        raise NotMeasurable(
            "there is no time with the engine warm, the blower on and every reading there"
        )
    if not usable.any():
        raise NotMeasurable(
            "the lever's position is not known for any time with the engine warm and the blower on"
        )
    chosen = _most_moved(_stretches(response.state, usable), lever)
    if not chosen:
        moved = np.unique(path.lever).size > 1
        when = " with the engine warm and the blower and mode unchanged" if moved else ""
        raise NotMeasurable(f"the lever was not moved{when}")
    keep: list[NDArray[np.intp]] = []
    for start, stop in chosen:
        # a move at the very last reading is seen in that reading
        moved = path.moves[(path.moves > time[start]) & (path.moves <= time[stop - 1])]
        inside = (time[start:stop] > moved[0] - BEFORE_S) & (time[start:stop] < moved[-1] + AFTER_S)
        keep.append(start + np.flatnonzero(inside))
    times, values, weights, starts = _thinned(time, response.value, path.moves, keep)
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
    share /= max(1.0, count / MAX_SAMPLES)
    times, values, sizes, starts = [], [], [], [0]
    for part in keep:
        group = np.floor(np.cumsum(share[part]) - share[part[0]] + 1e-9)
        first = np.flatnonzero(np.diff(group, prepend=-1.0))
        times.append(run_means(first, time[part]))
        values.append(run_means(first, value[part]))
        sizes.append(np.diff(first, append=part.size).astype(float))
        starts.append(starts[-1] + first.size)
    weights = np.concatenate(sizes)
    weights /= weights.mean()
    return np.concatenate(times), np.concatenate(values), weights, np.array(starts[:-1])


def _stretches(
    state: Floats, usable: NDArray[np.bool_]
) -> dict[tuple[float, ...], list[tuple[int, int]]]:
    """Stretches of usable samples with every other control unchanged, by those controls."""
    edge = np.any(np.diff(state, axis=1) != 0.0, axis=0) | (np.diff(usable) != 0)
    bounds = [0, *(np.flatnonzero(edge) + 1).tolist(), usable.size]
    found: dict[tuple[float, ...], list[tuple[int, int]]] = {}
    for start, stop in pairwise(bounds):
        if usable[start] and stop - start >= MIN_BLOCKS:
            found.setdefault(tuple(state[:, start].tolist()), []).append((start, stop))
    return found


def _most_moved(
    stretches: dict[tuple[float, ...], list[tuple[int, int]]], lever: Floats
) -> list[tuple[int, int]]:
    """Stretches with moves, of the control state whose moves cover most of the slot."""
    best: list[tuple[int, int]] = []
    most = 0.0
    for spans in stretches.values():
        moving = [(i, j) for i, j in spans if np.ptp(lever[i:j]) > MIN_STEP_PCT]
        if not moving:
            continue
        places = np.concatenate([lever[i:j] for i, j in moving])
        visited = np.unique(np.round(places / 2.0)).size
        score = float(np.ptp(places)) * math.sqrt(visited)
        if score > most:
            best, most = moving, score
    return best
