"""Exact intervals for a share of cars (Clopper and Pearson, Biometrika 26, 1934, 404)."""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import betaincinv


@dataclass(frozen=True, slots=True)
class Share:
    """A share with its exact interval.

    Parameters
    ----------
    count, total
        How many of how many.
    low, high
        Ends of the interval.
    """

    count: int
    total: int
    low: float
    high: float

    @property
    def value(self) -> float:
        """The share itself; NaN of nothing."""
        return self.count / self.total if self.total else float("nan")


def exact_share(count: int, total: int, confidence: float = 0.95) -> Share:
    """Share with its exact (Clopper-Pearson) interval; the whole of 0 to 1 where nothing was tried.

    Raises
    ------
    ValueError
        Where count does not lie between 0 and total.
    """
    if not 0 <= count <= total:
        raise ValueError(f"{count} of {total} is no share")
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if count == 0 else float(betaincinv(count, total - count + 1, tail))
    high = 1.0 if count == total else float(betaincinv(count + 1, total - count, 1.0 - tail))
    return Share(count, total, low, high)
