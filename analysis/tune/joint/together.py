"""All limits at once: chosen, judged on cars left out, taken or refused, and how sure each is."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from analysis.tune.joint.cross import cross, difference, earning, run_costs
from analysis.tune.joint.exchange import Exchanges, exchanges, saving_said
from analysis.tune.joint.fit import (
    MOST_FAILED,
    JointFit,
    JointProblem,
    distances_at,
    fit,
    prepare,
    solve,
)
from analysis.tune.joint.shares import CONFIDENCE, Joint, joint_shares
from analysis.tune.joint.table import PASS, Indices, Table, verdicts_of
from ingest.arrays import Bools, Floats
from ingest.values import dataclass

RESAMPLES: Final = 50
SURE: Final = 1.645
"""Standard errors of what is sure: 95 %, one-sided, as only one side matters."""

CHANCE: Final = "16 %"
"""How often chance alone shows a saving of one standard error or more (normal distribution)."""

FEWEST_BAD: Final = 5
"""Bad cars below which costs cannot be weighed."""


@dataclass(frozen=True)
class Together:
    """What came out.

    Parameters
    ----------
    problem
        What was tuned, and what was in force.
    fitted
        The limits; nothing is tuned in it where the limits in force stand.
    proposed
        The limits before that was decided.
    taken
        Whether the proposed limits are taken.
    why
        In words.
    tuned, in_force
        What either does to cars left out; `tuned` is of the proposed limits.
    gain, gain_se
        Cost a car saved on cars left out, and its standard error by car.
    changed
        Cars left out that the proposed limits change for the worse and for the better.
    ranks, ranks_in_force
        Verdict of each run by limits it had no part in, and by those in force, shape (n,).
    low, high
        Bounds of each run by limits it had no part in, shape (n, J).
    half
        Half-width of the 95 % interval of each distance, NaN where not tuned, shape (J,).
    steady
        Share of resamples in which the figure is tuned again, shape (J,).
    """

    problem: JointProblem
    fitted: JointFit
    proposed: JointFit
    taken: bool
    why: str
    tuned: Joint
    in_force: Joint
    gain: float
    gain_se: float
    changed: Exchanges
    ranks: Indices
    ranks_in_force: Indices
    low: Floats
    high: Floats
    half: Floats
    steady: Floats

    @property
    def proposes(self) -> bool:
        """Whether any limit other than those in force came out at all."""
        return bool(self.proposed.tuned.any() or self.proposed.dropped.any())

    @property
    def held(self) -> tuple[int, int]:
        """Good and bad cars with a run that no limit lets pass (see `analysis.tune.run_ranks`)."""
        table = self.problem.table
        good, bad = (
            int(np.unique(table.car[table.held & kind]).size) for kind in (~table.bad, table.bad)
        )
        return good, bad


def tune_together(problem: JointProblem, seed: int, wrong: float) -> Together | None:
    """Tune; None with fewer than `FEWEST_BAD` bad cars or as few good ones.

    Parameters
    ----------
    problem
        What is to be tuned.
    seed
        The same gives the same answer.
    wrong
        Share of labels that may be wrong.
    """
    table = problem.table
    if min(np.unique(table.car[kind]).size for kind in (table.bad, ~table.bad)) < FEWEST_BAD:
        return None
    ones = np.ones(table.car.size)
    first = fit(problem, ones)
    proposed = earning(problem, first, cross(problem, seed))
    if proposed.tuned.any() or proposed.dropped.any():
        proposed = fit(problem, ones, proposed)
    crossed = cross(problem, seed, proposed)
    ranks = verdicts_of(table, crossed.low, crossed.high)
    in_force = verdicts_of(table, problem.low, problem.high)
    saved, error = difference(table, run_costs(problem, in_force), run_costs(problem, ranks))
    costs = problem.costs
    weights = costs.missed, costs.needless, costs.again
    found = joint_shares(table, ranks, weights, costs.bad_share, wrong)
    before = joint_shares(table, in_force, weights, costs.bad_share, wrong)
    changed = exchanges(table, ranks, in_force)
    harm = changed.harm(wrong) if problem.content else ""
    why = _refused(proposed, found, (saved, error), harm, worse=_worse(table, ranks, in_force))
    half, steady = _intervals(problem, proposed, seed, wrong)
    nothing = np.zeros(proposed.dropped.size, dtype=bool)
    fitted = proposed if not why else replace(
        proposed, distance=np.full(nothing.size, np.nan), dropped=nothing
    )  # fmt: skip
    return Together(
        problem, fitted, proposed, not why, why or _accepted(saved, error), found, before,
        saved, error, changed, ranks, in_force, crossed.low, crossed.high, half, steady,
    )  # fmt: skip


def _worse(table: Table, ranks: Indices, in_force: Indices) -> bool:
    """Whether fewer good cars pass than under the limits in force, or more bad ones, surely."""
    passes, passed = (ranks == PASS).astype(np.float64), (in_force == PASS).astype(np.float64)
    lost = np.where(table.bad, passes - passed, passed - passes) * table.weight
    for kind in (table.bad, ~table.bad):
        more, error = difference(table, np.where(kind, lost, 0.0), np.zeros(lost.size))
        if more > SURE * error:
            return True
    return False


def _refused(
    proposed: JointFit, found: Joint, gain: tuple[float, float], harm: str, *, worse: bool
) -> str:
    """Why the limits in force stand; empty where the proposed ones are taken."""
    saved, error = gain
    if not (proposed.tuned.any() or proposed.dropped.any()):
        return "the limits in force stand: no other limit lowers the cost on cars left out"
    failed = found.good.failed.value
    if failed >= MOST_FAILED:
        return (
            f"the limits in force stand: the proposed ones fail {100 * failed:.0f} % of the good "
            "cars left out, and a third is too many whatever it costs"
        )
    if harm:
        return f"the limits in force stand: {harm}"
    if saved <= 0.0:
        return "the limits in force stand: on cars left out the proposed ones save nothing"
    if saved < error:
        return (
            f"the limits in force stand: on cars left out the proposed ones save "
            f"{saving_said(saved, error)}, and {CHANCE} is too often"
        )
    if worse and saved < SURE * error:
        return (
            f"the limits in force stand: on cars left out the proposed ones save "
            f"{saving_said(saved, error)}, not surely enough to let fewer good cars pass or more "
            "bad ones"
        )
    return ""


def _accepted(saved: float, error: float) -> str:
    sure = f" (up to {CHANCE} is taken)" if error else ""
    return f"on cars left out they save {saving_said(saved, error)}{sure}"


def _intervals(
    problem: JointProblem, proposed: JointFit, seed: int, wrong: float
) -> tuple[Floats, Floats]:
    """Half-widths of the distances' intervals and how often each is tuned again.

    Cars are drawn again with all their runs, and up to the share `wrong` of their labels is taken
    for wrong.
    """
    table = problem.table
    size = len(table.names)
    if not proposed.tuned.any():
        return np.full(size, np.nan), np.zeros(size)
    rng = np.random.default_rng([seed, 7])
    ready = prepare(problem, np.ones(table.car.size, dtype=bool))
    drawn = []
    for _ in range(RESAMPLES):
        counts = np.bincount(rng.integers(0, table.cars, table.cars), minlength=table.cars)
        turned = _turned(problem, rng, wrong * float(rng.random() < 0.5))
        runs = counts[table.car].astype(np.float64)
        if min(float(runs[kind].sum()) for kind in (turned.table.bad, ~turned.table.bad)) == 0.0:
            continue
        found = solve(turned, ready, runs, proposed, fine=False)
        drawn.append(distances_at(ready.made, found.chosen))
    tried = np.array(drawn)
    again = np.isfinite(tried)
    cars = min(np.unique(table.car[kind]).size for kind in (table.bad, ~table.bad))
    factor = float(student.ppf(0.5 + CONFIDENCE / 2.0, max(cars - 1, 1)))
    half = np.full(size, np.nan)
    for at in np.flatnonzero(proposed.tuned):
        mine = tried[again[:, at], at]
        level = proposed.levels[at]
        assert level is not None  # noqa: S101 - a tuned figure has one
        apart = mine - proposed.distance[at] if mine.size else np.zeros(1)
        center = level.pooled.within / math.sqrt(level.cars)
        half[at] = factor * math.hypot(math.sqrt(float((apart**2).mean())), center)
    return half, again.mean(axis=0)


def _turned(problem: JointProblem, rng: np.random.Generator, share: float) -> JointProblem:
    """The problem with a share of the cars' labels turned round."""
    table = problem.table
    if not share:
        return problem
    case = table.car * 2 + table.bad
    wrong: NDArray[np.bool_] = rng.random(2 * table.cars) < share
    bad: Bools = table.bad ^ wrong[case]
    return replace(problem, table=replace(table, bad=bad))
