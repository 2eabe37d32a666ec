"""Means in bins of time, for logs too large to hold."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Floats
from ingest.values import dataclass

FINEST_S: Final = 0.1
MAX_BINS: Final = 250_000


@dataclass(frozen=True)
class _Block:
    index: NDArray[np.int64]
    rows: Floats
    time: Floats
    sums: Floats
    counts: Floats

    def merged(self, index: NDArray[np.int64]) -> _Block:
        """The block with the bins that now have one index put together."""
        block = self
        if np.any(np.diff(index) < 0):  # a chunk began slightly before the end of the last one
            order = np.argsort(index, kind="stable")
            index = index[order]
            block = _Block(
                index,
                self.rows[order],
                self.time[order],
                self.sums[:, order],
                self.counts[:, order],
            )
        starts = np.flatnonzero(np.diff(index, prepend=index[0] - 1))
        return _Block(
            index[starts],
            np.add.reduceat(block.rows, starts),
            np.add.reduceat(block.time, starts),
            np.add.reduceat(block.sums, starts, axis=1),
            np.add.reduceat(block.counts, starts, axis=1),
        )


class Bins:
    """Running means of several channels in bins of time.

    Bins start at `FINEST_S`; whenever there are more than `most`, their width is doubled, so that
    memory is bounded however long the log.

    Parameters
    ----------
    points
        The channels.
    most
        Bins to keep.
    """

    def __init__(self, points: Sequence[str], most: int = MAX_BINS) -> None:
        self.points = tuple(points)
        self.width = FINEST_S
        self.samples = 0
        self._most = most
        self._blocks: list[_Block] = []

    def add(self, time: Floats, readings: Mapping[str, Floats]) -> None:
        """Add samples.

        Parameters
        ----------
        time
            Shape (n,), s.
        readings
            By channel, shape (n,); NaN counts for nothing. A channel may be absent.
        """
        if time.size == 0:
            return
        self.samples += time.size
        nothing = np.full(time.size, np.nan)
        values = np.array([readings.get(point, nothing) for point in self.points])
        valid = np.isfinite(values)
        block = _Block(
            # 19.3 / 0.1 is a little less than 193
            np.floor(time / self.width + 1e-6).astype(np.int64),
            np.ones(time.size),
            time,
            np.where(valid, values, 0.0),
            valid.astype(np.float64),
        )
        self._blocks.append(block.merged(block.index))
        while sum(each.index.size for each in self._blocks) > self._most:
            self._join(halve=len(self._blocks) == 1)

    def _join(self, *, halve: bool) -> None:
        joined = _Block(
            np.concatenate([each.index for each in self._blocks]),
            np.concatenate([each.rows for each in self._blocks]),
            np.concatenate([each.time for each in self._blocks]),
            np.concatenate([each.sums for each in self._blocks], axis=1),
            np.concatenate([each.counts for each in self._blocks], axis=1),
        )
        self._blocks = [joined.merged(joined.index // 2 if halve else joined.index)]
        self.width *= 2.0 if halve else 1.0

    def means(self) -> tuple[Floats, dict[str, Floats]]:
        """Mean time of each bin's rows, and by channel the mean of its valid samples (else NaN)."""
        if not self._blocks:
            return np.zeros(0), {point: np.zeros(0) for point in self.points}
        self._join(halve=False)
        (block,) = self._blocks
        counts = np.where(block.counts > 0, block.counts, np.nan)
        means = block.sums / counts
        return block.time / block.rows, dict(zip(self.points, means, strict=True))
