"""How well a figure tells bad cars from good ones, whatever the limit.

Scores are oriented so that larger means more likely bad.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np
from scipy.optimize import brentq
from scipy.special import expit, logit, stdtrit
from scipy.stats import kstwo, rankdata

from ingest.arrays import Floats
from ingest.values import dataclass

CONFIDENCE: Final = 0.95


@dataclass(frozen=True)
class Roc:
    """A ROC curve with its joint confidence band.

    Parameters
    ----------
    limits
        Limits in falling order, shape (k,): a score at or above one is called bad.
    false_alarm, detection
        Shares at each limit, shape (k,).
    false_alarm_margin, detection_margin
        Half-widths of the joint band: every point of the true curve lies within both with the
        stated confidence (Kolmogorov's distance for each class; Campbell, Statist. Med. 13, 1994,
        499).
    auc
        Area under the curve.
    auc_low, auc_high
        Its interval (see `auc_interval`).
    """

    limits: Floats
    false_alarm: Floats
    detection: Floats
    false_alarm_margin: float
    detection_margin: float
    auc: float
    auc_low: float
    auc_high: float


def auc(good: Floats, bad: Floats) -> float:
    """Probability that a bad car scores above a good one, ties half (Mann-Whitney)."""
    ranks = rankdata(np.concatenate([bad, good]))
    n_bad, n_good = bad.size, good.size
    u = float(ranks[:n_bad].sum()) - n_bad * (n_bad + 1) / 2.0
    return u / (n_bad * n_good)


def auc_se_delong(good: Floats, bad: Floats) -> float:
    """Standard error of the area without an assumption (DeLong, Biometrics 44, 1988, 837)."""
    if good.size < 2 or bad.size < 2:
        return math.nan
    both = rankdata(np.concatenate([bad, good]))
    own_bad, own_good = rankdata(bad), rankdata(good)
    over_good = (both[: bad.size] - own_bad) / good.size
    under_bad = 1.0 - (both[bad.size :] - own_good) / bad.size
    return math.sqrt(
        float(over_good.var(ddof=1)) / bad.size + float(under_bad.var(ddof=1)) / good.size
    )


@lru_cache(maxsize=256)
def _kolmogorov(tail: float, n: int) -> float:
    return float(kstwo.isf(tail, n))


def auc_interval(good: Floats, bad: Floats) -> tuple[float, float]:
    """Interval of the area that holds for few cars and near 1, where plus and minus fails.

    DeLong's standard error on the logit scale (Pepe, The Statistical Evaluation of Medical Tests,
    Oxford 2003, 5.2), with Student's factor for the smaller class. Where that is nothing
    because all cars happen to lie apart, the areas count whose own standard error would put the
    one found at the edge (Newcombe, Statist. Med. 25, 2006, 559, method 5).
    """
    area = auc(good, bad)
    fewest = min(good.size, bad.size)
    factor = float(stdtrit(max(fewest - 1, 1), 0.5 + CONFIDENCE / 2.0))
    more = (good.size + bad.size) / 2.0 - 1.0

    def excess(true: float) -> float:
        spread = 1.0 + more * (1.0 - true) / (2.0 - true) + more * true / (1.0 + true)
        variance = true * (1.0 - true) * spread / (good.size * bad.size)
        return (true - area) ** 2 - factor**2 * variance

    if area in (0.0, 1.0) or fewest < 2:
        # 0 and 1 themselves always solve the equation
        low = 0.0 if area == 0.0 else float(brentq(excess, 0.0, min(area, 1.0 - 1e-9)))
        high = 1.0 if area == 1.0 else float(brentq(excess, max(area, 1e-9), 1.0))
        return low, high
    reach = factor * auc_se_delong(good, bad) / (area * (1.0 - area))
    middle = float(logit(area))
    return float(expit(middle - reach)), float(expit(middle + reach))


def roc(good: Floats, bad: Floats) -> Roc:
    """The curve over every limit that changes a decision.

    Parameters
    ----------
    good, bad
        Scores, larger is worse, shapes (n,) and (m,), neither empty.
    """
    limits = np.unique(np.concatenate([good, bad]))[::-1]
    limits = np.concatenate([[np.inf], limits])
    sorted_good, sorted_bad = np.sort(good), np.sort(bad)
    false_alarm = 1.0 - np.searchsorted(sorted_good, limits, side="left") / good.size
    detection = 1.0 - np.searchsorted(sorted_bad, limits, side="left") / bad.size
    each = 1.0 - math.sqrt(CONFIDENCE)
    area = auc(good, bad)
    return Roc(
        limits,
        false_alarm,
        detection,
        _kolmogorov(each, good.size),
        _kolmogorov(each, bad.size),
        area,
        *auc_interval(good, bad),
    )
