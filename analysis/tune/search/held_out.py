"""What a limit does to cars it was not chosen with."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.statistics.proportions import Share
from analysis.tune.joint.shares import Counted, cost_span, span
from analysis.tune.search.choice import WRONG_SHARE, Choice, Costs
from ingest.arrays import Floats
from ingest.values import dataclass


@dataclass(frozen=True, slots=True)
class HeldOut:
    """Errors on cars left out, each judged by the limit that was chosen without it.

    Parameters
    ----------
    detection
        Share of bad cars that fail, with its interval (see `analysis.tune.joint.shares`).
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


def held_out(
    score: Floats, bad: NDArray[np.bool_], choice: Choice, costs: Costs, wrong: float = WRONG_SHARE
) -> HeldOut:
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
    wrong
        Share of labels that may be wrong; the intervals allow for it.
    """
    called = score >= choice.folds
    found, failed = int((called & bad).sum()), int((called & ~bad).sum())
    n_bad, n_good = int(bad.sum()), int((~bad).sum())
    good_share, bad_share = span(Counted(failed, n_good), Counted(found, n_bad), wrong)
    parts = [
        (0.0, Counted(n_good - failed, n_good), costs.missed, Counted(n_bad - found, n_bad)),
        (costs.needless, Counted(failed, n_good), 0.0, Counted(found, n_bad)),
    ]
    cost = cost_span(parts, costs.bad_share if costs.unclaimed == 0.0 else choice.bad_share, wrong)
    return HeldOut(
        Share(found, n_bad, bad_share.low, bad_share.high),
        Share(failed, n_good, good_share.low, good_share.high),
        *cost,
    )
