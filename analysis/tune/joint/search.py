"""The search: one figure's limit after the other, each for what the run gets from all of them.

A run fails where any figure fails and passes where none holds it up, so with the other figures
fixed the expected cost is linear in what one figure does to each run. The best move of any figure
is taken, again and again, until none pays.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.tune.joint.outcomes import NONE, STANDING, RunOutcomes
from ingest.arrays import Bools, Floats
from ingest.values import dataclass

MAX_MOVES: Final = 400

LEAST_GAIN: Final = 1e-3
"""Of the cost: smaller gains are not worth a move."""

IN_DOUBT: Final = 0.03
"""Share of the cost given up for good cars' passes where the least is flat."""


@dataclass(frozen=True)
class Stakes:
    """What each run's outcome costs, times what the run counts.

    Parameters
    ----------
    fails, undecided, passes
        Of each run, shape (n,).
    unseen
        What it costs where the bad car not yet seen is undecided and where it passes, times how
        likely it shows in one figure.
    """

    fails: Floats
    undecided: Floats
    passes: Floats
    unseen: tuple[float, float]

    def cost(self, holds: Floats, passes: Floats) -> float:
        """Expected cost a car from the probabilities not to fail, and to pass."""
        return float(
            self.fails @ (1.0 - holds) + self.undecided @ (holds - passes) + self.passes @ passes
        )

    def cost_of_unseen(self, unseen: Floats) -> Floats:
        """Cost of the bad car not yet seen from its probabilities, (2, ...) as `RunOutcomes`."""
        again, missed = self.unseen
        return np.asarray(again * (unseen[0] - unseen[1]) + missed * unseen[1])


@dataclass(frozen=True)
class Found:
    """Where a search ended.

    Parameters
    ----------
    chosen
        Candidate of each figure, shape (J,).
    cost
        Expected cost a car there, the one not yet seen among them.
    """

    chosen: NDArray[np.intp]
    cost: float


def columns_of(figures: list[RunOutcomes], chosen: NDArray[np.intp]) -> Floats:
    """Probabilities not to fail by each chosen candidate, and not to be held up, (2, J, n)."""
    pairs = list(zip(figures, chosen.tolist(), strict=True))
    return np.array(
        [
            [figure.holds[:, at] for figure, at in pairs],
            [figure.passes[:, at] for figure, at in pairs],
        ]
    )


def without_each(columns: Floats) -> Floats:
    """Products over all figures but one, for each figure; shape as `columns`."""
    before = np.ones_like(columns)
    np.cumprod(columns[:, :-1], axis=1, out=before[:, 1:])
    after = np.ones_like(columns[:, 0])
    for at in range(columns.shape[1] - 1, -1, -1):
        before[:, at] *= after
        after *= columns[:, at]
    return before


def start(figures: list[RunOutcomes], stakes: Stakes, allowed: list[Bools]) -> NDArray[np.intp]:
    """The limits in force, but for those that cost more by themselves than they save.

    Of these the limit is taken away, or where that is not allowed the farthest candidate.
    """
    chosen = np.full(len(figures), STANDING, dtype=np.intp)
    for at, figure in enumerate(figures):
        loosest = NONE if allowed[at][NONE] else figure.holds.shape[1] - 1
        none, standing = (
            stakes.cost(figure.holds[:, k], figure.passes[:, k])
            + float(stakes.cost_of_unseen(figure.unseen[:, k]))
            for k in (loosest, STANDING)
        )
        if standing > none * (1.0 + LEAST_GAIN) or not allowed[at][STANDING]:
            chosen[at] = loosest
    return chosen


def search(
    figures: list[RunOutcomes],
    stakes: Stakes,
    allowed: list[Bools],
    begin: NDArray[np.intp],
    fixed: Bools | None = None,
) -> Found:
    """Go downhill from a start.

    Parameters
    ----------
    figures
        Each figure under its candidates, length J.
    stakes
        What outcomes cost.
    allowed
        Which candidates may be taken, shape (K,) each.
    begin
        Candidate of each figure, shape (J,).
    fixed
        Figures that stay where they are, shape (J,).
    """
    chosen = begin.copy()
    fixed = np.zeros(chosen.size, dtype=bool) if fixed is None else fixed
    of_holds, of_passes = stakes.undecided - stakes.fails, stakes.passes - stakes.undecided
    base = float(stakes.fails.sum())
    columns = columns_of(figures, chosen)
    unseen = [stakes.cost_of_unseen(figure.unseen) for figure in figures]
    of_unseen = sum(float(each[at]) for each, at in zip(unseen, chosen, strict=True))
    cost = stakes.cost(*columns.prod(axis=1)) + of_unseen
    stale = ~fixed
    offers: dict[int, tuple[float, int]] = {}
    for _ in range(MAX_MOVES):
        rest = without_each(columns)
        for at in np.flatnonzero(stale).tolist():
            figure = figures[at]
            here = chosen[at]
            one, other = rest[:, at]
            costs = base + (of_holds * one) @ figure.holds + (of_passes * other) @ figure.passes
            costs += of_unseen + unseen[at] - unseen[at][here]
            costs = np.where(allowed[at], costs, np.inf)
            costs[here] = min(costs[here], cost)
            best = int(costs.argmin())
            offers[at] = (cost - float(costs[best]), best)
        if not offers:
            break
        at = max(offers, key=lambda each: (offers[each][0], -each))
        gain, best = offers[at]
        if gain <= LEAST_GAIN * cost:
            break
        of_unseen += float(unseen[at][best] - unseen[at][chosen[at]])
        chosen[at] = best
        columns[0, at], columns[1, at] = figures[at].holds[:, best], figures[at].passes[:, best]
        cost = stakes.cost(*columns.prod(axis=1)) + of_unseen
        stale = ~fixed
        stale[at] = False
        offers[at] = (0.0, best)
    return Found(chosen, cost)


def loosen(
    figures: list[RunOutcomes],
    stakes: Stakes,
    found: Found,
    tuned: NDArray[np.intp],
    good: Floats,
) -> Found:
    """In doubt for the good car: looser limits while all of them together cost hardly more.

    Parameters
    ----------
    figures, stakes, found
        As of `search`.
    tuned
        Figures whose limit was chosen.
    good
        How much each run counts as a good one, shape (n,).
    """
    chosen, cost = found.chosen.copy(), found.cost
    budget = found.cost * (1.0 + IN_DOUBT)
    columns = columns_of(figures, chosen)
    passing = float(good @ columns[1].prod(axis=0))
    unseen = [stakes.cost_of_unseen(figure.unseen) for figure in figures]
    of_unseen = sum(float(each[at]) for each, at in zip(unseen, chosen, strict=True))
    while True:
        best = None
        rest = without_each(columns)
        for at in tuned:
            figure, here = figures[at], int(chosen[at])
            if here + 1 >= figure.holds.shape[1]:
                continue
            one, other = rest[:, at]
            step = one * figure.holds[:, here + 1], other * figure.passes[:, here + 1]
            other_way = of_unseen + float(unseen[at][here + 1] - unseen[at][here])
            dearer, more = stakes.cost(*step) + other_way, float(good @ step[1])
            if dearer <= budget and more > passing:
                rate = (more - passing) / max(dearer - cost, 1e-12)
                if best is None or rate > best[0]:
                    best = rate, int(at), dearer, more
        if best is None:
            return Found(chosen, cost)
        _, at, cost, passing = best
        of_unseen += float(unseen[at][chosen[at] + 1] - unseen[at][chosen[at]])
        chosen[at] += 1
        figure, here = figures[at], int(chosen[at])
        columns[0, at], columns[1, at] = figure.holds[:, here], figure.passes[:, here]
