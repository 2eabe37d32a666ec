"""Limits of all figures from a set of labelled runs; any set, so that cars can be left out."""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.figures import bad_side
from analysis.limits import Limits, limits_for
from analysis.tune.joint.levels import Distances, GoodLevel, InForce, distances, level_of
from analysis.tune.joint.outcomes import NONE, STANDING, RunOutcomes, candidate_distances, outcomes
from analysis.tune.joint.search import Found, Stakes, columns_of, loosen, search, start
from analysis.tune.joint.table import FAIL, KEY, Table, bounds_of, verdicts_of
from analysis.tune.joint.unseen import UNSEEN, Severities, severities
from analysis.tune.search.choice import Costs
from ingest.arrays import Bools, Floats
from ingest.values import dataclass

KEPT: Final = 0.99
"""Share of the good cars that keep the distances to which limits in force may be moved, in all
figures together, with 95 % confidence in each (Bonferroni): a few good cars do not show how far
others reach. A limit is made stricter only down to there, because good cars passed until now; and
more lenient only up to there, because what lies farther out failed until now."""

MOST_FAILED: Final = 1.0 / 3.0
"""A limit that fails this share of the good cars is not accepted, whatever it costs."""

BELOW: Final = 8
"""Finer steps between one candidate and the next."""

Side = Literal["low", "high"]


@dataclass(frozen=True)
class JointProblem:
    """What is to be tuned, and what is in force.

    Parameters
    ----------
    table
        Labelled runs.
    sides
        The side tuned of each figure.
    low, high
        Bounds in force of every run and figure, infinite where open, shape (n, J).
    harmless
        By family and figure, shape (families, J).
    own
        Whether the limit in force is the family's or its heater layout's own, shape (families, J).
    for_all
        The limit in force of families without one of their own, on the tuned side, infinite where
        open, shape (J,).
    content
        Share of good cars that keep the distance to which a limit in force may be moved (`KEPT`);
        0 where cost alone decides: where that is wanted, and where the limits in force fail no
        larger share of the bad cars than of the good ones (a third, where none is labelled bad), so
        that there is nothing to keep.
    costs
        What outcomes cost.
    guard
        Width of the guard band, in standard uncertainties.
    shown
        Whether the run's cause is told by the figure at all, shape (n, J); see `outcomes`.
    """

    table: Table
    sides: tuple[Side, ...]
    low: Floats
    high: Floats
    harmless: Floats
    own: Bools
    for_all: Floats
    content: float
    costs: Costs
    guard: float
    shown: Bools

    def standing(self, at: int) -> Floats:
        """Bound in force on the tuned side, infinite where open, shape (n,)."""
        return self.high[:, at] if self.sides[at] == "high" else self.low[:, at]

    def in_force(self, at: int) -> InForce:
        """What is in force of a figure, by family."""
        _, first = np.unique(self.table.family, return_index=True)
        return InForce(
            self.standing(at)[first], self.own[:, at], self.harmless[:, at],
            float(self.for_all[at]), self.content,
        )  # fmt: skip


@dataclass(frozen=True)
class JointFit:
    """Chosen limits.

    Parameters
    ----------
    levels
        Of each figure; None where there are too few good cars.
    distance
        Chosen distance of each figure; NaN where it is not tuned.
    dropped
        Whether the figure's limit on the tuned side is taken away, shape (J,).
    cost
        Expected cost a car, smoothed, on the cars it was chosen with.
    chosen, standing
        Probabilities of every run under each figure's chosen limit and under the one in force: not
        to fail by it, and not to be held up by it; shape (2, n, J) each.
    unseen, unseen_standing
        The same of the bad car not yet seen, shape (2, J) each.
    """

    levels: tuple[GoodLevel | None, ...]
    distance: Floats
    dropped: Bools
    cost: float
    chosen: Floats
    standing: Floats
    unseen: Floats
    unseen_standing: Floats

    @property
    def tuned(self) -> Bools:
        """Which figures have a limit of their own from the labels."""
        return np.isfinite(self.distance)


def problem_of(
    table: Table,
    sides: tuple[Side, ...],
    in_force: Limits,
    costs: Costs,
    guard: float,
    shown: Bools | None = None,
    *,
    keep: bool = True,
) -> JointProblem:
    """Lay out what is in force.

    Parameters
    ----------
    table, sides, costs, guard
        As in `JointProblem`.
    in_force
        The limits in force.
    shown
        As in `JointProblem`; None for all.
    keep
        Whether good cars are to keep the pass that the limits in force give.
    """
    if shown is None:
        shown = np.ones(table.value.shape, dtype=bool)
    harmless = np.zeros((len(table.families), len(table.names)))
    own = np.zeros(harmless.shape, dtype=bool)
    for family, name in enumerate(table.families):
        heater = str(table.heater[table.family == family][0])
        limits = limits_for(in_force, name or None, heater)
        for at, figure in enumerate(table.names):
            stands = limits.get(figure) or in_force.figures.get(figure)
            harmless[family, at] = stands.harmless if stands else 0.0
            groups = in_force.heaters.get(heater, {}), in_force.families.get(name, {})
            own[family, at] = any(figure in group for group in groups)
    bounds = bounds_of(table, in_force)
    fails = table.weight * (verdicts_of(table, *bounds) == FAIL)
    of_bad = fails[table.bad].sum() if table.bad.any() else MOST_FAILED
    tells = bool(of_bad > fails[~table.bad].sum())
    content = 1.0 - (1.0 - KEPT) / len(table.names) if tells and keep else 0.0
    for_all = _for_all(table.names, sides, in_force)
    return JointProblem(
        table, sides, *bounds, harmless, own, for_all, content, costs, guard, shown
    )  # fmt: skip


def _for_all(names: tuple[str, ...], sides: tuple[Side, ...], in_force: Limits) -> Floats:
    found = []
    for name, side in zip(names, sides, strict=True):
        limit = in_force.figures.get(name)
        bound = None if limit is None else (limit.high if side == "high" else limit.low)
        found.append((math.inf if side == "high" else -math.inf) if bound is None else bound)
    return np.array(found)


def stakes_of(table: Table, costs: Costs, counts: Floats) -> tuple[Stakes, float]:
    """What outcomes cost, and the share of bad cars; cars labelled good are in part bad.

    Of the bad cars one is none of the labelled ones (see `analysis.tune.joint.unseen`).

    Parameters
    ----------
    table
        Labelled runs.
    costs
        What errors cost.
    counts
        How often each run's car counts, shape (n,).
    """
    weight = table.weight * counts
    n_bad, n_good = (
        float((counts[kind] / np.bincount(table.car[kind])[table.car[kind]]).sum())
        for kind in (table.bad, ~table.bad)
    )
    bad = np.where(table.bad, weight, 0.0)
    good = np.where(table.bad, 0.0, weight)
    bad, good = bad / max(float(bad.sum()), 1e-300), good / max(float(good.sum()), 1e-300)
    hidden = costs.unclaimed
    labelled = n_bad / max(n_bad + n_good, 1e-300)
    share = labelled + (1.0 - labelled) * hidden if costs.bad_share is None else costs.bad_share
    truly = (1.0 - share) * (good - hidden * bad) / (1.0 - hidden)
    new = UNSEEN / (n_bad + UNSEEN)
    seen = share * (1.0 - new) * bad
    again = costs.again * (seen + truly)
    each = share * new / len(table.names)
    unseen = each * costs.again, each * costs.missed
    # what no limit lets pass is undecided at best
    passes = np.where(table.held, again, costs.missed * seen)
    return Stakes(costs.needless * truly, again, passes, unseen), share


@dataclass
class Prepared:
    """All figures under all candidates, learned from some of the cars.

    Parameters
    ----------
    levels, found
        Of each figure; None where there are too few good cars.
    seen
        Where bad cars lie in the figures that show them.
    made
        RunOutcomes of each figure.
    """

    levels: list[GoodLevel | None]
    found: list[Distances | None]
    seen: Severities
    made: list[RunOutcomes]


def prepare(problem: JointProblem, train: Bools) -> Prepared:
    """Levels, distances and outcomes of every figure under its candidates."""
    table = problem.table
    levels: list[GoodLevel | None] = []
    found: list[Distances | None] = []
    for at in range(len(table.names)):
        level = level_of(table, at, problem.sides[at], problem.in_force(at), train)
        levels.append(level)
        bound = problem.standing(at)
        found.append(None if level is None else distances(table, at, level, bound, train))
    ready = Prepared(levels, found, severities(table, levels, found, train), [])
    for at, (level, mine) in enumerate(zip(levels, found, strict=True)):
        if level is None or mine is None:
            ready.made.append(_as_in_force(problem, at))
        else:
            tried = candidate_distances(level, mine, table.bad & train)
            ready.made.append(_under(problem, ready, at, tried))
    return ready


def _under(problem: JointProblem, ready: Prepared, at: int, tried: Floats) -> RunOutcomes:
    level, found = ready.levels[at], ready.found[at]
    if level is None or found is None:
        raise ValueError("a figure without a level has no candidates")
    return outcomes(
        problem.table, level, found, tried, problem.guard, problem.shown[:, at], ready.seen,
        key=problem.table.names[at] == KEY,
    )  # fmt: skip


def solve(
    problem: JointProblem, ready: Prepared, counts: Floats, like: JointFit | None, *, fine: bool
) -> Found:
    """Search from the limits in force; where `fine`, between the candidates too.

    `ready` is left with the finer candidates.
    """
    table, made = problem.table, ready.made
    stakes, _ = stakes_of(table, problem.costs, counts)
    good = np.where(table.bad, 0.0, table.weight * counts)
    taken_away = [_may_go(problem, at) for at in range(len(made))]
    allowed = [_allowed(each, good, gone) for each, gone in zip(made, taken_away, strict=True)]
    fixed = np.array([level is None for level in ready.levels])
    begin = np.where(fixed, STANDING, start(made, stakes, allowed))
    if like is not None:
        fixed |= ~like.tuned & ~like.dropped
        begin = np.where(fixed & ~like.dropped, STANDING, begin)
    best = search(made, stakes, allowed, begin, fixed)
    tuned = np.flatnonzero(best.chosen > STANDING)
    if fine and tuned.size:
        for at in tuned:
            made[at] = _under(problem, ready, int(at), _finer(made[at], int(best.chosen[at])))
            allowed[at] = _allowed(made[at], good, taken_away[at])
            best.chosen[at] = STANDING + 1 + BELOW
        still = np.ones(best.chosen.size, dtype=bool)
        still[tuned] = False
        best = search(made, stakes, allowed, best.chosen, still)
    return loosen(made, stakes, best, np.flatnonzero(best.chosen > STANDING), good)


def fit(problem: JointProblem, counts: Floats, like: JointFit | None = None) -> JointFit:
    """Choose all limits.

    Parameters
    ----------
    problem
        What is to be tuned.
    counts
        How often each run's car counts, 0 where it is left out, shape (n,).
    like
        Another fit whose figures may be changed, and no others; None for all.
    """
    ready = prepare(problem, counts > 0.0)
    best = solve(problem, ready, counts, like, fine=True)
    standing = np.full(best.chosen.size, STANDING, dtype=np.intp)
    return JointFit(
        tuple(ready.levels), distances_at(ready.made, best.chosen), best.chosen == NONE,
        best.cost, _of_candidates(ready.made, best.chosen), _of_candidates(ready.made, standing),
        _of_unseen(ready.made, best.chosen), _of_unseen(ready.made, standing),
    )  # fmt: skip


def distances_at(made: list[RunOutcomes], chosen: NDArray[np.intp]) -> Floats:
    """Distance of each figure's candidate, NaN where it is none or the one in force."""
    return np.array(
        [
            figure.distance[at - STANDING - 1] if at > STANDING else np.nan
            for figure, at in zip(made, chosen, strict=True)
        ]
    )


def _of_candidates(made: list[RunOutcomes], chosen: NDArray[np.intp]) -> Floats:
    return np.ascontiguousarray(columns_of(made, chosen).transpose(0, 2, 1))


def _of_unseen(made: list[RunOutcomes], chosen: NDArray[np.intp]) -> Floats:
    pairs = zip(made, chosen.tolist(), strict=True)
    return np.array([figure.unseen[:, at] for figure, at in pairs]).T


def _as_in_force(problem: JointProblem, at: int) -> RunOutcomes:
    """A figure that is left alone: it fails and passes runs as it does today."""
    value, u = problem.table.value[:, at], problem.table.u[:, at]
    sign = 1.0 if problem.sides[at] == "high" else -1.0
    beyond = np.where(np.isfinite(value), sign * (value - problem.standing(at)), -np.inf)
    u = np.where(np.isfinite(u), u, 0.0)
    key = problem.table.names[at] == KEY
    holds = ~((beyond > 0.0) & (beyond >= problem.guard * u))
    passes = beyond <= (-problem.guard * u if key else 0.0)
    ones = np.ones(value.size)
    return RunOutcomes(
        np.empty(0), np.stack([ones, holds], 1), np.stack([ones, passes], 1), np.zeros((2, 2))
    )


def _may_go(problem: JointProblem, at: int) -> bool:
    """Whether a figure's limit in force may be taken away, not only moved."""
    return problem.content == 0.0 or not np.isfinite(problem.standing(at)).any()


def _allowed(figure: RunOutcomes, good: Floats, may_go: bool) -> Bools:  # noqa: FBT001
    """Candidates that do not fail a third of the good cars; no limit only where that may be."""
    fails = good @ (1.0 - figure.holds) / max(float(good.sum()), 1e-300)
    allowed = np.asarray(fails < MOST_FAILED)
    allowed[NONE] &= may_go
    return allowed


def _finer(figure: RunOutcomes, chosen: int) -> Floats:
    """Candidates about the chosen one, up to its neighbors' neighbors."""
    at = chosen - STANDING - 1
    last = figure.distance.size - 1
    low, high = figure.distance[max(at - 1, 0)], figure.distance[min(at + 1, last)]
    middle = figure.distance[at]
    return np.concatenate(
        [np.linspace(low, middle, BELOW, endpoint=False), np.linspace(middle, high, BELOW + 1),
         high + (high - middle) * np.arange(1, BELOW + 1) / 4.0]
    )  # fmt: skip


def bounds_under(
    problem: JointProblem, fitted: JointFit, runs: NDArray[np.intp]
) -> tuple[Floats, Floats]:
    """Bounds of runs under a fit, as `analysis.tune.joint.table.bounds_of`.

    Parameters
    ----------
    problem, fitted
        What was tuned and how.
    runs
        Places of the runs, shape (m,).
    """
    low, high = problem.low[runs].copy(), problem.high[runs].copy()
    family = problem.table.family[runs]
    for at, level in enumerate(fitted.levels):
        side, other = (high, low) if problem.sides[at] == "high" else (low, high)
        if level is not None and fitted.dropped[at]:
            side[level.moves[family], at] = np.inf if problem.sides[at] == "high" else -np.inf
        elif level is not None and fitted.tuned[at]:
            side[:, at] = level.bounds(float(fitted.distance[at]))[family]
            crossed = low[:, at] >= high[:, at]
            other[crossed, at] = -np.inf if problem.sides[at] == "high" else np.inf
    return low, high


def sides_of(table_sides: dict[str, Side], names: tuple[str, ...]) -> tuple[Side, ...]:
    """The side tuned of each figure: the bad one, or the one told where both are."""
    return tuple(
        table_sides.get(name, "high" if bad_side(name) == "high" else "low") for name in names
    )
