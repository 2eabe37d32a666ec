"""The way from the door to the reading: first-order lags in series, with their derivatives.

Between two nodes in time the door stands still, so that a first-order lag has a closed form there;
the whole record is then one running sum (variation of constants), without a loop over samples.
The lag of the heater may depend on how far it is open: a water valve that lets little through
changes the core slowly, one that stands open changes it fast.
"""

from __future__ import annotations

from functools import cached_property
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Floats
from ingest.values import dataclass

LONGEST_CHUNK: Final = 600.0
"""Time constants in one running sum: e to this power is still inside double precision."""

MAX_AT_ONCE: Final = 60.0
"""Time constants between two nodes beyond which nothing is left of the past."""


@dataclass(frozen=True)
class Nodes:
    """Sample times and lever moves on one time axis.

    Parameters
    ----------
    gap
        Time since the node before, s, shape (m,); at the first node of a stretch 0.
    active
        Which lever position was in force just before each node, shape (m,).
    samples
        Nodes that are samples, shape (n,).
    starts
        Nodes at which a stretch begins and the past is forgotten.
    """

    gap: Floats
    active: NDArray[np.intp]
    samples: NDArray[np.intp]
    starts: NDArray[np.intp]


def make_nodes(time: Floats, starts: NDArray[np.intp], moves: Floats) -> Nodes:
    """Merge samples and lever moves.

    Parameters
    ----------
    time
        Sample times, s, increasing, shape (n,).
    starts
        First sample of each stretch, the first one 0.
    moves
        Times of the lever positions, s, increasing; the first before the first sample.
    """
    inside = moves[(moves > time[0]) & (moves < time[-1])]
    samples = np.arange(time.size) + np.searchsorted(inside, time, side="left")
    merged = np.empty(time.size + inside.size)
    merged[samples] = time
    merged[np.searchsorted(time, inside, side="right") + np.arange(inside.size)] = inside
    gap = np.empty(merged.size)
    gap[1:] = merged[1:] - merged[:-1]
    first = samples[starts]
    gap[first] = 0.0
    active = np.maximum(np.searchsorted(moves, merged, side="left") - 1, 0)
    return Nodes(gap, active, samples, first)


class Lag:
    """A first-order lag over the nodes.

    Parameters
    ----------
    nodes
        The time axis.
    rate
        1/time constant between each node and the one before, 1/s, shape (m,), or for all of them.
    """

    def __init__(self, nodes: Nodes, rate: Floats | float) -> None:
        spans = rate * nodes.gap
        np.minimum(spans, MAX_AT_ONCE, out=spans)
        self.spans = spans
        self.decay = np.exp(-spans)
        self.fresh: Floats = 1.0 - self.decay
        total = spans.cumsum()
        self.forget = nodes.starts.tolist()
        cuts = self.forget
        if total[-1] > LONGEST_CHUNK:
            levels = np.arange(LONGEST_CHUNK, total[-1], LONGEST_CHUNK)
            cuts = sorted({*cuts, *total.searchsorted(levels).tolist()})
        self.cuts = list(pairwise([*cuts, spans.size]))
        if len(self.cuts) > 1:
            firsts = [start for start, _ in self.cuts]
            before = np.concatenate(([0.0], total[[start - 1 for start in firsts[1:]]]))
            total -= np.repeat(before, [end - start for start, end in self.cuts])
        self.growth = np.exp(total)

    @cached_property
    def _between(self) -> tuple[Floats, Floats]:
        """Weights of a signal's value at a node and at the one before, straight between them."""
        mean = 1.0 - 0.5 * self.spans
        np.divide(self.fresh, self.spans, out=mean, where=self.spans > 1e-6)
        return 1.0 - mean, (mean - self.decay)[1:]

    def run(self, forcing: Floats, begin: Floats | None = None) -> Floats:
        """``y[j] = decay[j] * y[j-1] + forcing[j]`` along the last axis.

        Parameters
        ----------
        forcing
            Shape (..., m).
        begin
            State at the first node of every stretch, shape (..., number of stretches); 0 where
            None.
        """
        result: Floats = forcing * self.growth
        if len(self.cuts) == 1:  # as nearly always
            result[..., 0] = 0.0 if begin is None else begin[..., 0]
            result.cumsum(axis=-1, out=result)
            result /= self.growth
            return result
        stretch = -1
        state: Floats | float = 0.0
        for start, end in self.cuts:
            part = result[..., start:end]
            if start in self.forget:
                stretch += 1
                part[..., 0] = 0.0 if begin is None else begin[..., stretch]
            else:
                part[..., 0] += state
            part.cumsum(axis=-1, out=part)
            part /= self.growth[start:end]
            state = part[..., -1]
        return result

    def filter(self, values: Floats, begin: Floats | None = None) -> Floats:
        """The lag's response to a signal that is straight between nodes.

        Parameters
        ----------
        values
            Shape (..., m).
        begin
            As in `run`.
        """
        here, before = self._between
        forcing = here * values
        forcing[..., 1:] += before * values[..., :-1]
        return self.run(forcing, begin)
