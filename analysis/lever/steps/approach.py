"""Where the responses to steps of the lever would settle, inferred from what was seen of them.

Every response is described as a level with a fast and a slow exponential approach, for each of a
series of pairs of time constants; the descriptions are averaged by their evidence. All responses of
a run are taken together, since each by itself is little work and much ceremony.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.uncertainty import effective_size
from ingest.arrays import Floats
from ingest.values import dataclass

FAST_S: Final = (0.7, 1.2, 2.0, 3.3, 5.5, 9.0, 15.0, 25.0, 40.0, 65.0)
SLOW_S: Final = (20.0, 50.0, 130.0)
SLOW_SHARE: Final = 0.2
"""Time constants tried for the approach, and the usual share of a second, slower one (k = 1)."""

ONSET: Final = 0.3
MIN_LATE: Final = 4
"""Share of the response that is its onset, and samples needed after it."""

FIRST_SCATTER: Final = 0.02
MIN_SCATTER: Final = 1e-3
"""Scatter about the approach at first, and at least, as a share of the response."""

_RATES: Final = 1.0 / np.array((*FAST_S, *SLOW_S, math.inf))[:, None]

_FAST, _SLOW = np.array(
    [
        (1 + fast, 1 + len(FAST_S) + slow)
        for fast, quick in enumerate(FAST_S)
        for slow, seconds in enumerate((*SLOW_S, math.inf))
        if seconds > 2.0 * quick
    ]
).T
"""A fast and a slow exponential (the last: none) for every pair tried, as rows of `_curves`; shape
(m,)."""


@dataclass(frozen=True, slots=True)
class Late:
    """A share of every response that comes late.

    Parameters
    ----------
    share, seconds
        How much, and its time constant, s.
    """

    share: float
    seconds: float


NOTHING_LATE: Final = Late(0.0, 60.0)


class Settled(NamedTuple):
    """Where a response settles, its standard uncertainty, and the scatter about the approach."""

    value: float
    u: float
    scatter: float


def settle_responses(
    records: Sequence[tuple[Floats, Floats]], late: Late = NOTHING_LATE
) -> list[Settled]:
    """Where responses settle: exponential approaches, weighted by how well they fit.

    Parameters
    ----------
    records
        Time since the step, s, and response so far, K, of each; shapes (n,).
    late
        What the whole record says of a share that comes late: a short hold does not show it.
    """
    if not records:
        return []
    elapsed, value, weight, swing, count = _together(records)
    curves = _curves(elapsed, late)
    weighted = curves * weight[:, None]
    gram = weighted @ curves.transpose(0, 2, 1)
    along = (weighted @ value[..., None])[..., 0]
    power = (weight * value**2).sum(axis=1)
    noise = (FIRST_SCATTER * swing) ** 2
    row = np.arange(len(records))
    for _ in range(2):
        found = _descriptions(gram, along, noise / (SLOW_SHARE * swing) ** 2)
        left = np.maximum(power[:, None] - found.explained, 1e-12)
        best = left.argmin(axis=1)
        rest = value - found.at(row, best, curves)
        inflation = [
            size / effective_size(each[:size])
            for size, each in zip(count.tolist(), rest, strict=True)
        ]
        noise = np.maximum(left[row, best] / count * inflation, (MIN_SCATTER * swing) ** 2)
    # evidence: a second approach that is not needed costs what it could have been
    merit = -0.5 * left / noise[:, None] - 0.5 * np.log(found.determinant)
    share = np.exp(merit - merit.max(axis=1)[:, None])
    share /= share.sum(axis=1)[:, None]
    level = found.amplitude[0]
    settled = (share * level).sum(axis=1)
    variance = (share * ((level - settled[:, None]) ** 2 + found.unit * noise[:, None])).sum(axis=1)
    scatter = (weight * rest**2).sum(axis=1) / count
    return [
        Settled(*each)
        for each in zip(
            settled.tolist(), np.sqrt(variance).tolist(), np.sqrt(scatter).tolist(), strict=True
        )
    ]


def _together(
    records: Sequence[tuple[Floats, Floats]],
) -> tuple[Floats, Floats, Floats, Floats, NDArray[np.intp]]:
    """Time, response and weight of all records after their onset, their swing and their sizes.

    Shapes (records, longest), the weight 0 where a record has ended, and (records,).
    """
    swings = [float(np.abs(value).max()) + 1e-9 for _, value in records]
    # the onset, delayed and rounded by whatever comes before the reading, says nothing of the end
    firsts = [
        min(int((np.abs(value) >= ONSET * swing).argmax()), value.size - MIN_LATE)
        for (_, value), swing in zip(records, swings, strict=True)
    ]
    sizes = [value.size - first for (_, value), first in zip(records, firsts, strict=True)]
    padded = np.zeros((3, len(records), max(sizes)))
    parts = zip(records, firsts, sizes, strict=True)
    for index, ((elapsed, value), first, size) in enumerate(parts):
        gap = elapsed[first:].copy()
        gap[1:] -= elapsed[first:-1]
        gap[0] -= elapsed[first - 1] if first else 0.0
        padded[0, index, :size] = elapsed[first:]
        padded[1, index, :size] = value[first:]
        padded[2, index, :size] = gap * (size / gap.sum())
    return padded[0], padded[1], padded[2], np.array(swings), np.array(sizes)


def _curves(elapsed: Floats, known: Late) -> Floats:
    """The level, every exponential tried, and nothing at all, shape (records, c, n)."""
    curves = np.empty((elapsed.shape[0], 1 + _RATES.size, elapsed.shape[1]))
    curves[:, 0] = 1.0 - known.share * np.exp(-elapsed / known.seconds)
    curves[:, 1:-1] = np.exp(-elapsed[:, None] * _RATES[:-1])
    curves[:, -1] = 0.0
    return curves


@dataclass(frozen=True, slots=True)
class _Descriptions:
    """Every pair of approaches fitted to every record; shapes (records, m).

    Parameters
    ----------
    amplitude
        Of the level, the fast and the slow approach, shape (3, records, m).
    explained
        Weighted sum of squares explained.
    determinant
        Of the normal equations.
    unit
        Variance of the level for a noise of 1.
    """

    amplitude: Floats
    explained: Floats
    determinant: Floats
    unit: Floats

    def at(self, row: NDArray[np.intp], chosen: NDArray[np.intp], curves: Floats) -> Floats:
        """One description of each record at its times, shape (records, n)."""
        level, fast, slow = self.amplitude[:, row, chosen, None]
        fitted: Floats = level * curves[:, 0]
        fitted += fast * curves[row, _FAST[chosen]] + slow * curves[row, _SLOW[chosen]]
        return fitted


def _descriptions(gram: Floats, along: Floats, ridge: Floats) -> _Descriptions:
    """Solve the normal equations of all descriptions: three unknowns have a closed form.

    Parameters
    ----------
    gram, along
        Products of all curves with each other, and with the response; shapes (records, c, c) and
        (records, c).
    ridge
        Prior precision of the slow approach, in units of the noise's, shape (records,).
    """
    level, fast, slow = gram[:, :1, 0] + 1e-9, gram[:, _FAST, _FAST] + 1e-9, gram[:, _SLOW, _SLOW]
    slow = slow + ridge[:, None]
    level_fast, level_slow, fast_slow = gram[:, 0, _FAST], gram[:, 0, _SLOW], gram[:, _FAST, _SLOW]
    # the adjugate of a symmetric matrix
    a, b, c = (
        fast * slow - fast_slow**2,
        level_slow * fast_slow - level_fast * slow,
        level_fast * fast_slow - level_slow * fast,
    )
    d, e = level * slow - level_slow**2, level_fast * level_slow - level * fast_slow
    f = level * fast - level_fast**2
    determinant = level * a + level_fast * b + level_slow * c
    x, y, z = along[:, :1], along[:, _FAST], along[:, _SLOW]
    amplitude = np.stack((a * x + b * y + c * z, b * x + d * y + e * z, c * x + e * y + f * z))
    amplitude /= determinant
    explained = amplitude[0] * x + amplitude[1] * y + amplitude[2] * z
    return _Descriptions(amplitude, explained, determinant, a / determinant)
