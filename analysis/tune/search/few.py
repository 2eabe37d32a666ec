"""Limits by distribution, where labels are few: tolerance limits of good cars.

A limit that at least the share `content` of all good cars keeps, with probability `confidence`.
Normal after a transform that is checked (Shapiro and Wilk, Biometrika 52, 1965, 591), else from
ranks, which needs no distribution but many cars (ISO 16269-6:2014, 5 and annexes; NIST/SEMATECH
e-Handbook 7.2.6.3 and 7.2.6.4).
"""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np

from analysis.statistics.shape import POWERS, PULL, inverse, likelihood, transform
from analysis.statistics.tolerance import CONFIDENCE, CONTENT, two_sided_factor
from ingest.arrays import Floats
from ingest.values import dataclass

FEWEST: Final = 5
"""Below this many good cars no distribution can be checked."""

NORMAL_ABOVE: Final = 0.05
"""p-value of the check below which the transformed values are not taken as normal."""

AS_LIKELY: Final = 1.92
"""Powers whose log-likelihood is this near to the best one's: the 95 % region of the transform
(half the 95 % point of chi-square with one degree of freedom). The transform is chosen on the same
cars: a limit that took the best one for given would hold in 91 % of samples instead of 95 %. The
widest limit of the region holds."""

IDENTITY: Final = int(np.flatnonzero(POWERS == 1.0)[0])

MAX_CHECKED: Final = 2000
"""Cars the check looks at; with more, ranks are better anyway."""

MAX_CARS: Final = 100_000


@dataclass(frozen=True, slots=True)
class ToleranceLimit:
    """Limits of good cars.

    Parameters
    ----------
    low, high
        In the unit of the values; None where that side was not asked for or needs more cars.
    how
        ``normal``, ``normal after a transform``, ``ranks`` or ``too few``.
    power
        Of the transform.
    p
        p-value of the check; NaN where there was none.
    cars
        Good cars behind it.
    needed
        Cars that limits from ranks need.
    """

    low: float | None
    high: float | None
    how: Literal["normal", "normal after a transform", "ranks", "too few"]
    power: float
    p: float
    cars: int
    needed: int


def one_sided_factor(n: int, content: float = CONTENT, confidence: float = CONFIDENCE) -> float:
    """Factor k of ``mean + k s`` for one side: exact, by the non-central t distribution."""
    from scipy.special import nctdtrit, ndtri

    if n < 2:
        msg = "a tolerance factor needs at least two cars"
        raise ValueError(msg)
    shift = float(ndtri(content)) * math.sqrt(n)
    return float(nctdtrit(n - 1, shift, confidence)) / math.sqrt(n)


def rank_limit(
    n: int, content: float = CONTENT, confidence: float = CONFIDENCE, sides: int = 1
) -> int:
    """Rank from the end that is a limit: 1 for the extreme value; 0 where n is too small.

    Parameters
    ----------
    n
        Cars.
    content, confidence
        Share to be held, and how surely.
    sides
        With 2, ranks from both ends are taken together.
    """
    from scipy.special import bdtr

    # of n good cars, the number beyond the true quantile is binomial: the limit holds the share
    # when at least `sides * rank` of them lie beyond it
    rank = 0
    while sides * (rank + 1) <= n:
        if 1.0 - float(bdtr(sides * (rank + 1) - 1, n, 1.0 - content)) < confidence:
            break
        rank += 1
    return rank


def cars_for_ranks(content: float = CONTENT, confidence: float = CONFIDENCE, sides: int = 1) -> int:
    """Fewest cars whose extreme values are tolerance limits without any distribution."""
    low, high = sides, MAX_CARS
    while low < high:
        middle = (low + high) // 2
        if rank_limit(middle, content, confidence, sides):
            high = middle
        else:
            low = middle + 1
    return low


def tolerance_limits(
    values: Floats,
    side: Literal["low", "high", "both"],
    content: float = CONTENT,
    confidence: float = CONFIDENCE,
) -> ToleranceLimit:
    """Limits that good cars keep.

    Parameters
    ----------
    values
        One a good car, shape (n,).
    side
        Which limits are wanted.
    content, confidence
        Share of all good cars to be held, and how surely.
    """
    from scipy.stats import shapiro

    values = np.sort(values)
    n, sides = values.size, 2 if side == "both" else 1
    needed = cars_for_ranks(content, confidence, sides)
    p = math.nan
    if FEWEST <= n <= MAX_CHECKED and values[0] < values[-1]:
        center, size = float(np.median(values)), float(values.std(ddof=1))
        z = (values - center) / size
        believed, mean, sd = likelihood(z, np.ones((1, n)))
        # the prior serves limits by cost; a promised confidence rests on the cars alone
        likely = believed[0] + 0.5 * ((POWERS - 1.0) / PULL) ** 2
        best = int(likely.argmax())
        p = float(shapiro(transform(z, float(POWERS[best]))).pvalue)
        if p >= NORMAL_ABOVE:
            factor = (two_sided_factor if sides == 2 else one_sided_factor)(n, content, confidence)
            ends = [
                [
                    center
                    + size * inverse(float(mean[0, k] + sign * factor * sd[0, k]), float(POWERS[k]))
                    for k in np.flatnonzero(likely >= likely[best] - AS_LIKELY)
                ]
                for sign in (-1.0, 1.0)
            ]
            low, high = min(ends[0]), max(ends[1])
            plain = likely[IDENTITY] >= likely[best] - AS_LIKELY
            return ToleranceLimit(
                low if side != "high" and math.isfinite(low) else None,
                high if side != "low" and math.isfinite(high) else None,
                "normal" if plain else "normal after a transform",
                1.0 if plain else float(POWERS[best]), p, n, needed,
            )  # fmt: skip
    rank = rank_limit(n, content, confidence, sides)
    if not rank:
        return ToleranceLimit(None, None, "too few", 1.0, p, n, needed)
    return ToleranceLimit(
        float(values[rank - 1]) if side != "high" else None,
        float(values[-rank]) if side != "low" else None,
        "ranks", 1.0, p, n, needed,
    )  # fmt: skip
