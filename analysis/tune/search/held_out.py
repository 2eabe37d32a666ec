"""What a limit does to cars it was not chosen with."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.statistics.proportions import Share, exact_share
from analysis.tune.search.choice import Choice, Costs
from ingest.arrays import Floats


@dataclass(frozen=True, slots=True)
class HeldOut:
    """Errors on cars left out, each judged by the limit that was chosen without it.

    Parameters
    ----------
    detection
        Share of bad cars that fail, with its exact interval.
    false_alarm
        Share of good cars that fail.
    cost, cost_low, cost_high
        Expected cost a car from these shares and its interval.
    """

    detection: Share
    false_alarm: Share
    cost: float
    cost_low: float
    cost_high: float


def held_out(score: Floats, bad: NDArray[np.bool_], choice: Choice, costs: Costs) -> HeldOut:
    """Count errors on cars left out.

    Parameters
    ----------
    score
        Scores that the cars themselves had no part in making comparable, shape (n,).
    bad
        Labels, shape (n,).
    choice
        With the limit of each case's fold.
    costs
        What errors cost.
    """
    called = score >= choice.folds
    detection = exact_share(int((called & bad).sum()), int(bad.sum()))
    false_alarm = exact_share(int((called & ~bad).sum()), int((~bad).sum()))
    missed = choice.bad_share * costs.missed
    needless = (1.0 - choice.bad_share) * costs.needless
    cost = missed * (1.0 - detection.value) + needless * false_alarm.value
    # interval of a sum from the intervals of its parts (Zou and Donner, Statist. Med. 27, 2008,
    # 1693): exact ends stay good where a share is 0 or 1
    down = math.hypot(
        missed * (detection.high - detection.value),
        needless * (false_alarm.value - false_alarm.low),
    )
    up = math.hypot(
        missed * (detection.value - detection.low),
        needless * (false_alarm.high - false_alarm.value),
    )
    return HeldOut(detection, false_alarm, cost, cost - down, cost + up)
