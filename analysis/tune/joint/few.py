"""Limits of all figures where bad cars are too few: good cars keep them all together."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.statistics.tolerance import CONTENT
from analysis.tune.joint.levels import GoodLevel, distances, level_of
from analysis.tune.search.few import ToleranceLimit, tolerance_limits
from ingest.values import dataclass

if TYPE_CHECKING:
    from analysis.tune.joint.fit import JointProblem


FEWEST: Final = 2
"""Good cars of a figure that count it among those a run has to keep."""


@dataclass(frozen=True)
class Tolerances:
    """Tolerance limits of all figures.

    Parameters
    ----------
    problem
        What was tuned.
    levels
        Of each figure; None where there are too few good cars.
    told
        Limit of each figure's distance; None likewise.
    content
        Share of good cars each limit holds.
    figures
        How many figures a run has to keep.
    """

    problem: JointProblem
    levels: tuple[GoodLevel | None, ...]
    told: tuple[ToleranceLimit | None, ...]
    content: float
    figures: int


def tolerances_together(problem: JointProblem) -> Tolerances:
    """Limits that at least `CONTENT` of the good cars keep in all figures (Bonferroni)."""
    table = problem.table
    good = ~table.bad
    train = np.ones(good.size, dtype=bool)
    measured = [
        np.unique(table.car[good & np.isfinite(table.value[:, at])]).size >= FEWEST
        for at in range(len(table.names))
    ]
    figures = max(sum(measured), 1)
    content = 1.0 - (1.0 - CONTENT) / figures
    levels: list[GoodLevel | None] = []
    told: list[ToleranceLimit | None] = []
    for at in range(len(table.names)):
        level = level_of(table, at, problem.sides[at], problem.in_force(at), train)
        levels.append(level)
        if level is None:
            told.append(None)
            continue
        found = distances(table, at, level, problem.standing(at), train)
        used = good & np.isfinite(found.distance)
        _, own = np.unique(table.car[used], return_inverse=True)
        away = np.bincount(own, found.distance[used]) / np.bincount(own)
        spread = abs(level.slope.per_k) * level.slope.spread
        middle = float(away.mean())
        size = float(away.std(ddof=1))
        if size > 0.0 and spread > 0.0:
            # a limit is used on all days
            away = middle + (away - middle) * float(np.hypot(1.0, spread / size))
        told.append(tolerance_limits(away, "high", content))
    return Tolerances(problem, tuple(levels), tuple(told), content, figures)
