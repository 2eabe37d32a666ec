"""How likely each labelled run passes or fails each candidate limit, smoothed.

A run stands for cars like it: good ones scatter about it by a kernel that leaves the spread of the
good cars what it is; bad ones differ in severity, so that their kernel grows with their distance.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.special import ndtr

from analysis.statistics.density import NORMAL_WIDTH
from analysis.tune.joint.levels import Distances, GoodLevel
from analysis.tune.joint.table import Table
from analysis.tune.joint.unseen import FAR, SEVERITY, Severities, outcome_of_unseen
from ingest.arrays import Bools, Floats
from ingest.values import dataclass

NONE, STANDING = 0, 1
"""The first two candidates: no limit, and the one in force."""

NEAR: Final = 3.0
"""Spreads up to which candidates lie evenly; farther out ever wider."""

EVEN_STEPS: Final = 24
FAR_STEPS: Final = 16


@dataclass(frozen=True)
class RunOutcomes:
    """One figure under its candidates.

    Parameters
    ----------
    distance
        Candidates from the third on, rising, shape (K - 2,).
    holds
        Probability that the run does not fail by this figure, shape (n, K).
    passes
        Probability that this figure does not hold up the run's pass, shape (n, K).
    unseen
        Both probabilities of a bad car shown by this figure alone, shape (2, K); see
        `analysis.tune.joint.unseen`.
    """

    distance: Floats
    holds: Floats
    passes: Floats
    unseen: Floats


def candidate_distances(level: GoodLevel, found: Distances, bad: Bools) -> Floats:
    """Distances tried: from the good cars' middle to beyond the farthest bad one."""
    unit = level.spread
    seen = found.distance[np.isfinite(found.distance)]
    farthest = max(float(seen.max(initial=0.0)) / unit, 2.0 * NEAR) if bad.any() else 2.0 * NEAR
    even = np.linspace(0.0, NEAR, EVEN_STEPS, endpoint=False)
    far = np.geomspace(NEAR, max(1.05 * farthest, 1.5 * NEAR), FAR_STEPS)
    return np.asarray(unit * np.concatenate([even, far]))


def outcomes(
    table: Table,
    level: GoodLevel,
    found: Distances,
    tried: Floats,
    guard: float,
    shown: Bools,
    seen: Severities,
    *,
    key: bool,
) -> RunOutcomes:
    """Work out one figure.

    Parameters
    ----------
    table
        Labelled runs.
    level, found
        Of the figure.
    tried
        Distances of the candidates, shape (m,).
    guard
        Width of the guard band, in standard uncertainties.
    shown
        Whether the run's cause is told by the figure, shape (n,). A bad car of a cause that looks
        like good cars here is not found by this figure but by chance, however many good cars the
        limit fails; one that lies far from them is, whatever its cause.
    seen
        Where bad cars lie in the figures that show them.
    key
        Whether an undecided value holds up the run even within the limit.
    """
    known = np.isfinite(found.distance)
    h = _kernel(table, level, found.distance, known)
    place = np.where(known, _drawn_in(table, level, found.distance, known), 0.0)
    band = guard * np.where(known, found.u, 0.0)
    floor, ceiling = (ends[table.family][:, None] for ends in (level.floor, level.ceiling))
    limit = np.concatenate(
        [
            np.full((place.size, 1), np.inf),
            found.standing[:, None],
            np.maximum(np.minimum(tried[None, :], ceiling), floor),
        ],
        axis=1,
    )
    stays = ~level.moves[table.family]
    limit[stays] = found.standing[stays, None]
    beyond = place[:, None] - limit
    holds = ndtr((band[:, None] - beyond) / h[:, None])
    passes = ndtr((-band[:, None] if key else 0.0) / h[:, None] - beyond / h[:, None])
    hidden = ~known | (table.bad & ~shown & (found.distance < FAR * level.spread))
    holds[hidden], passes[hidden] = 1.0, 1.0
    # a candidate is a column, and is read as one
    return RunOutcomes(
        tried,
        np.asfortranarray(np.minimum(holds, 1.0)),
        np.asfortranarray(passes),
        outcome_of_unseen(level, found, limit, guard, seen, key=key),
    )


def _drawn_in(table: Table, level: GoodLevel, distance: Floats, known: Bools) -> Floats:
    """Good cars drawn towards their middle by as much as their kernel spreads them."""
    good = known & ~table.bad
    middle = float(distance[good].mean())
    usual = NORMAL_WIDTH * level.cars**-0.2
    drawn = middle + (distance - middle) / np.hypot(1.0, usual)
    return np.asarray(np.where(good, drawn, distance))


def _kernel(table: Table, level: GoodLevel, distance: Floats, known: Bools) -> Floats:
    own = NORMAL_WIDTH * level.cars**-0.2 * level.spread
    of_cause = np.ones(distance.size)
    for cause in np.unique(table.cause[table.bad]):
        mine = table.bad & (table.cause == cause)
        of_cause[mine] = np.unique(table.car[mine]).size
    severe = NORMAL_WIDTH * SEVERITY * of_cause**-0.2 * np.abs(np.where(known, distance, 0.0))
    weather = abs(level.slope.per_k) * level.slope.spread
    return np.asarray(np.hypot(np.where(table.bad, np.maximum(own, severe), own), weather))
