"""Smooth functions as straight lines over many equal cells: exact enough and very fast.

Written for arrays of a block's size that stay in the cache; the caller gives the buffers.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.arrays import Floats
from ingest.values import dataclass

Cells = NDArray[np.int64]

SHIFT: Final = 1.5 * 2.0**52
"""A float64 of this size has its units in the last bit: adding it rounds to a whole number, and
the difference of the bit patterns is that number. It takes half the time of a conversion."""

SHIFT_BITS: Final = int(np.float64(SHIFT).view(np.int64))


@dataclass(frozen=True, slots=True)
class Lines:
    """A function as straight lines: ``y = intercept[cell] + slope[cell] * x``.

    The cell of `x` is the whole number nearest to ``1 + (x - low) * per_unit``, so that both ends
    of the range are the middles of their cells. Cells 0 and -1 are guards that hold NaN.

    Parameters
    ----------
    low, high
        Range of the function.
    per_unit
        Cells a unit of `x`.
    intercept, slope
        One line a cell.
    """

    low: float
    high: float
    per_unit: float
    intercept: Floats
    slope: Floats

    @classmethod
    def of(cls, function: Callable[[Floats], Floats], low: float, high: float, cells: int) -> Lines:
        """Lines between knots of `function`, which takes and returns arrays of shape (n,).

        `cells` whole cells fit into the range; the first and the last are half outside.
        """
        width = (high - low) / cells
        knots = np.concatenate(([low], low + (np.arange(cells) + 0.5) * width, [high]))
        values = function(knots)
        slope = np.full(cells + 3, np.nan)
        intercept = np.full(cells + 3, np.nan)
        slope[1:-1] = np.diff(values) / np.diff(knots)
        intercept[1:-1] = values[:-1] - slope[1:-1] * knots[:-1]
        return cls(low, high, 1.0 / width, intercept, slope)

    def lower_edge(self, cell: int) -> float:
        """Smallest `x` of a cell."""
        return self.low + (cell - 1.5) / self.per_unit

    def look_up(self, x: Floats, y: Floats, spare: Floats, cell: Cells) -> None:
        """Evaluate at `x` into `y`.

        Parameters
        ----------
        x
            Arguments, shape (n,). NaN and values outside the range give NaN, but for the half cell
            next to the range, where the end's line is continued: callers who need it mask that.
        y
            Receives the answers, shape (n,); must not be `x`.
        spare, cell
            Overwritten, shape (n,).
        """
        np.subtract(x, self.low, out=spare)
        np.multiply(spare, self.per_unit, out=spare)
        np.add(spare, 1.0 + SHIFT, out=spare)
        np.subtract(spare.view(np.int64), SHIFT_BITS, out=cell)
        np.take(self.slope, cell, out=spare, mode="clip")
        np.take(self.intercept, cell, out=y, mode="clip")
        np.multiply(spare, x, out=spare)
        np.add(y, spare, out=y)

    def at(self, x: float) -> float:
        """Evaluate at one argument; NaN where it is NaN or outside."""
        if not self.low <= x <= self.high:
            return math.nan
        cell = 1 + round((x - self.low) * self.per_unit)
        return float(self.intercept[cell] + self.slope[cell] * x)

    def parabola(
        self, low: float, high: float, tolerance: float
    ) -> tuple[float, float, float] | None:
        """A parabola that stands for the lines on a short interval.

        Parameters
        ----------
        low, high
            The interval.
        tolerance
            How far off it may be, in the unit of the values.

        Returns
        -------
        tuple or None
            Its coefficients, constant first; None where the lines bend too much for it or the
            interval reaches outside.
        """
        middle, half = 0.5 * (low + high), max(0.5 * (high - low), 1.0 / self.per_unit)
        here = self.at(middle)
        below, above = self.at(middle - half), self.at(middle + half)
        first = (above - below) / (2.0 * half)
        second = (above - 2.0 * here + below) / (2.0 * half * half)
        # what a parabola through three nodes misses of a smooth function is most at the quarters
        for step in (-0.5 * half, 0.5 * half):
            missed = here + step * (first + step * second) - self.at(middle + step)
            if not abs(missed) <= tolerance:
                return None
        return here - middle * (first - middle * second), first - 2.0 * middle * second, second
