"""The straight line through a few readings, without the general polynomial's cost a call."""

from __future__ import annotations

from typing import NamedTuple

from ingest.arrays import Floats


class Line(NamedTuple):
    """A straight line.

    Parameters
    ----------
    middle, level
        A point on it: the (weighted) means of the places and of the values.
    slope
        Its slope.
    """

    middle: float
    level: float
    slope: float

    def at(self, places: Floats) -> Floats:
        """Values of the line, shape (n,)."""
        return self.level + self.slope * (places - self.middle)


def fit_line(places: Floats, values: Floats, weight: Floats | None = None) -> Line:
    """Least squares (the slope is the covariance of places and values over the places' variance).

    Parameters
    ----------
    places, values
        Shape (n,), without NaN; two places at least must differ.
    weight
        Weight of each squared distance, shape (n,); all alike where None.
    """
    if weight is None:
        middle, level = float(places.sum()) / places.size, float(values.sum()) / values.size
        away = along = places - middle
    else:
        total = float(weight.sum())
        middle, level = float(weight @ places) / total, float(weight @ values) / total
        away = places - middle
        along = weight * away
    return Line(middle, level, float(along @ (values - level)) / float(along @ away))
