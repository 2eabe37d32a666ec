"""Where to start the fit: a rough clock offset, time constant and curve, found without a guess.

The settled curve is taken as straight between the positions the lever stood at, and the backlash as
a constant difference between opening and closing. For a given time constant that is a linear
regression; moving the outlet against the noted moves changes only its right-hand side, so that
every clock offset is tried at the cost of one.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from analysis.lever.data import LeverData
from analysis.lever.fit.lag import Lag, Nodes
from analysis.lever.path import LeverPath, NotMeasurable
from analysis.signal.order_statistics import median
from ingest.arrays import Floats
from ingest.values import dataclass

TIME_CONSTANTS: Final = (2.0, 6.0, 16.0, 45.0)
"""Time constants tried, s: from a blend door to a water valve with a heavy core."""

FARTHEST_S: Final = 30.0
"""Clocks kept by hand are no further apart than this."""

USUAL_OFFSET_S: Final = 12.0
"""Standard deviation of an offset before anything is known of it."""

RIVAL: Final = 8.0
"""Offsets this much worse in log likelihood are still worth a fit of their own."""

APART_S: Final = 6.0
APART_SHARE: Final = 0.6
"""Offsets nearer to each other than this, or than this share of the usual time between two moves,
lead a fit to the same end."""

MAX_STARTS: Final = 4
MIN_TIMES: Final = 4
"""Fewer times than this show no course."""

MAX_TIMES: Final = 200
SHIFT_S: Final = 2.0

MAX_KNOTS: Final = 9
CORRELATED: Final = 5.0
"""Samples that carry the information of one, before the residual is known."""


@dataclass(frozen=True, slots=True)
class Start:
    """A rough description of the outlet's response to the lever.

    Parameters
    ----------
    clock
        Log time less event time, s.
    tau
        Time constant, s.
    a, b
        Where the curve begins and ends to rise, % of travel.
    change
        Change of the value from the coldest to the hottest position visited.
    backlash
        Change of the value between opening and closing.
    scatter
        Standard deviation of what is not explained.
    """

    clock: float
    tau: float
    a: float
    b: float
    change: float
    backlash: float
    scatter: float


def find_starts(data: LeverData, *, offsets: bool) -> list[Start]:
    """Try time constants and, where `offsets`, clock offsets; the best first.

    Only the longest stretch is used; before and after it the outlet is taken to stand still.

    Returns
    -------
    list of Start
        More than one where several clock offsets explain the record about as well: in a sweep of
        even steps a whole dwell more or less looks like more or less backlash.

    Raises
    ------
    NotMeasurable
        Where no stretch of readings is long enough to follow the lever in.
    """
    grid, responses, shifts = _shifted(data, FARTHEST_S if offsets else 0.0)
    power = np.einsum("ij,ij->j", responses, responses)
    knots = _knots(data.path, grid)
    shares = np.vstack((_hats(data.path.at(grid), knots), _side(data.path, grid)))
    penalty = 0.5 * (shifts / USUAL_OFFSET_S) ** 2
    step = float(grid[1] - grid[0])
    merits, levels, scatters = [], [], []
    for tau in TIME_CONSTANTS:
        lagged = _lagged(shares, step, tau)
        lagged -= lagged.mean(axis=1)[:, None]
        along = lagged @ responses
        square = lagged @ lagged.T
        square[np.diag_indices_from(square)] += 1e-6 * np.trace(square) + 1e-12
        weights = np.linalg.solve(square, along)
        backwards = weights[-1] * (weights[-2] - weights[0]) > 0.0
        if backwards.any():  # backlash cannot be negative: none, then
            without = np.linalg.solve(square[:-1, :-1], along[:-1])
            weights[:, backwards] = np.vstack((without, np.zeros(shifts.size)))[:, backwards]
        left = np.maximum(power - np.einsum("ij,ij->j", weights, along), 1e-12 * power + 1e-30)
        merits.append(0.5 * grid.size / CORRELATED * np.log(left) + penalty)
        levels.append(weights)
        scatters.append(np.sqrt(left / grid.size))
    table = np.vstack(merits)
    which = np.argmin(table, axis=0)
    merit = table[which, np.arange(shifts.size)]
    starts = []
    for index in _lowest(merit, shifts, _apart(data.path, grid)):
        weights = levels[which[index]][:, index]
        a, b = _ends(knots, weights[:-1])
        starts.append(
            Start(
                float(shifts[index]),
                TIME_CONSTANTS[which[index]],
                a,
                b,
                float(weights[-2] - weights[0]),
                2.0 * abs(float(weights[-1])),
                float(scatters[which[index]][index]),
            )
        )
    return starts


def _shifted(data: LeverData, farthest: float) -> tuple[Floats, Floats, Floats]:
    """Even times, the outlet at these times for every clock offset, and the offsets."""
    bounds = np.append(data.starts, data.time.size)
    length = data.time[bounds[1:] - 1] - data.time[bounds[:-1]]
    longest = int(np.argmax(length))
    time = data.time[bounds[longest] : bounds[longest + 1]]
    value = data.value[bounds[longest] : bounds[longest + 1]]
    step = max(1.0, float(length[longest]) / MAX_TIMES)
    grid = np.arange(time[0], time[-1], step, dtype=np.float64)
    if grid.size < MIN_TIMES:
        raise NotMeasurable("the outlet's readings are too far apart to follow the lever in")
    count = int(farthest / SHIFT_S)
    shifts = SHIFT_S * np.arange(-count, count + 1, dtype=np.float64)
    places = grid[:, None] + shifts
    responses = np.interp(places.ravel(), time, value).reshape(places.shape)
    responses -= responses.mean(axis=0)
    return grid, responses, shifts


def _apart(path: LeverPath, time: Floats) -> float:
    """How far apart two offsets must be to lead a fit to different ends, s."""
    moves = path.moves[(path.moves > time[0]) & (path.moves < time[-1])]
    dwell = median(np.diff(moves)) if moves.size > 1 else 0.0
    return max(APART_S, APART_SHARE * dwell)


def _lowest(merit: Floats, shifts: Floats, apart: float) -> list[int]:
    """The best offset, then others that stand apart from it and are nearly as good."""
    padded = np.concatenate(([np.inf], merit, [np.inf]))
    dips = np.flatnonzero((merit <= padded[:-2]) & (merit <= padded[2:]))
    dips = dips[np.argsort(merit[dips])]
    chosen = [int(dips[0])]
    for dip in dips[1:]:
        nearest = min(abs(shifts[dip] - shifts[other]) for other in chosen)
        if merit[dip] < merit[chosen[0]] + RIVAL and nearest >= apart:
            chosen.append(int(dip))
    return chosen[:MAX_STARTS]


def _knots(path: LeverPath, time: Floats) -> Floats:
    """Positions the lever stood at, thinned to a few."""
    places = np.unique(np.round(path.at(time)))
    if places.size > MAX_KNOTS:
        places = np.quantile(places, np.linspace(0.0, 1.0, MAX_KNOTS))
    return places


def _hats(lever: Floats, knots: Floats) -> Floats:
    """Shares of the knots in each position, shape (knots, n)."""
    return np.vstack([np.interp(lever, knots, unit) for unit in np.eye(knots.size)])


def _side(path: LeverPath, time: Floats) -> Floats:
    """1 after an opening move, -1 after a closing one, 0 at either end: its side of the play."""
    steps = np.sign(np.diff(path.lever, prepend=path.lever[0]))
    inner = (path.lever > path.lever.min()) & (path.lever < path.lever.max())
    place = np.searchsorted(path.moves, time, side="right") - 1
    return np.where(place >= 0, (steps * inner)[np.maximum(place, 0)], 0.0)


def _lagged(values: Floats, step: float, tau: float) -> Floats:
    size = values.shape[1]
    gap = np.full(size, step)
    gap[0] = 0.0
    index = np.arange(size)
    nodes = Nodes(gap, index, index, np.zeros(1, dtype=int))
    lag = Lag(nodes, 1.0 / tau)
    return lag.run(lag.fresh * values, values[:, :1])


def _ends(knots: Floats, levels: Floats) -> tuple[float, float]:
    """Ends of the straight line through the middle of the curve."""
    low, high = float(knots[0]), float(knots[-1])
    change = levels[-1] - levels[0]
    if change == 0.0 or knots.size < 3:
        return low, high
    covered = np.maximum.accumulate((levels - levels[0]) / change)
    first, last = np.interp([0.15, 0.85], covered, knots)
    width = (last - first) / 0.7
    return max(low, float(first - 0.15 * width)), min(high, float(last + 0.15 * width))
