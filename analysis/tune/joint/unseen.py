"""The bad car that is not yet among the labelled ones, and shows in any figure alike.

With few bad cars most causes have been seen once or never, and a limit that nobody needed so far is
not therefore useless: of the next bad car the rule of succession says how likely it is of a kind
not seen. One car in all is added to the bad ones, shared alike by all figures (Perks, J. Inst.
Actuaries 73, 1947, 285, from memory); it weighs a seventh of the bad cars where there are six, and
next to nothing where there are many. It lies as far out in its figure as the labelled bad cars do
in the one that shows each of them most, in spreads of the good cars.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.special import ndtr

from analysis.statistics.density import NORMAL_WIDTH
from analysis.tune.joint.levels import Distances, GoodLevel
from analysis.tune.joint.table import Table
from ingest.arrays import Bools, Floats
from ingest.values import dataclass

UNSEEN: Final = 1.0
"""Bad cars added."""

SEVERITY: Final = 0.4
"""Relative spread of severities among cars of one cause: moderate and severe cases lie about a
factor of two apart in `analysis/causes/knowledge.toml`."""

FAR: Final = 2.5
"""Spreads from the good cars' middle beyond which hardly one of them lies."""


@dataclass(frozen=True)
class Severities:
    """How far out bad cars lie in the figure that shows each of them most.

    Parameters
    ----------
    place
        Of those that a figure shows at all, in spreads of the good cars, shape (m,).
    weight
        What each counts, shape (m,); the rest to 1 is shown by no figure.
    cars
        How many bad cars there are.
    """

    place: Floats
    weight: Floats
    cars: int


def severities(
    table: Table, levels: list[GoodLevel | None], found: list[Distances | None], train: Bools
) -> Severities:
    """Look at the bad cars of the runs `train`, shape (n,)."""
    most = np.full(table.car.size, -np.inf)
    for level, mine in zip(levels, found, strict=True):
        if level is not None and mine is not None:
            out = mine.distance / level.spread
            most = np.fmax(most, out)
    used = table.bad & train
    weight = np.where(used, table.weight, 0.0)
    weight = weight / max(float(weight.sum()), 1e-300)
    shown = used & (most >= FAR)
    return Severities(most[shown], weight[shown], int(np.unique(table.car[used]).size))


def outcome_of_unseen(
    level: GoodLevel, found: Distances, limit: Floats, guard: float, seen: Severities, *, key: bool
) -> Floats:
    """Probabilities that a bad car shown by this figure does not fail, and passes.

    Parameters
    ----------
    level, found
        Of the figure.
    limit
        Of each run under each candidate, as distances, shape (n, K).
    guard, key
        As in `analysis.tune.joint.outcomes.outcomes`.
    seen
        Where bad cars lie.

    Returns
    -------
    ndarray
        Shape (2, K), in the middle of the runs' families, weathers and uncertainties.
    """
    known = np.isfinite(found.distance)
    band = guard * float(np.median(found.u[known]))
    place = level.spread * seen.place[:, None]
    own = NORMAL_WIDTH * level.cars**-0.2 * level.spread
    h = np.maximum(own, NORMAL_WIDTH * SEVERITY * max(seen.cars, 1) ** -0.2 * place)
    beyond = place - np.median(limit[known], axis=0)
    hidden = 1.0 - float(seen.weight.sum())
    holds = hidden + seen.weight @ ndtr((band - beyond) / h)
    passes = hidden + seen.weight @ ndtr((-band if key else 0.0) / h - beyond / h)
    return np.asarray(np.minimum([holds, np.minimum(holds, passes)], 1.0), dtype=np.float64)
