"""Exact intervals for a share of cars (Clopper and Pearson, Biometrika 26, 1934, 404)."""

from __future__ import annotations

from scipy.stats import binomtest

from ingest.values import dataclass


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
    if total == 0:
        return Share(0, 0, 0.0, 1.0)
    exact = binomtest(count, total).proportion_ci(confidence, "exact")
    return Share(count, total, float(exact.low), float(exact.high))
