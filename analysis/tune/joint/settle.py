"""What the joint choice means for each figure: limits by family, and what it adds to the run."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.tune.count_words import counted
from analysis.tune.joint.few import Tolerances
from analysis.tune.joint.levels import GoodLevel
from analysis.tune.joint.nearest import nearest_runs
from analysis.tune.joint.shares import joint_share
from analysis.tune.joint.table import FAIL, figure_ranks
from analysis.tune.search.one_figure import FamilyLimit, FigureTuning, InRun, Nearest, Z, seen_aside
from analysis.tune.search.rule import Rule, rule

if TYPE_CHECKING:
    from analysis.tune.joint.fit import JointProblem
    from analysis.tune.joint.together import Together


def settle(each: FigureTuning, found: Together, wrong: float) -> FigureTuning:
    """One figure's tuning with the limit that was chosen together with all others.

    Parameters
    ----------
    each
        What the figure says by itself.
    found
        The joint choice, which has the figure.
    wrong
        Share of labels that may be wrong.
    """
    at = found.problem.table.names.index(each.figure)
    level = found.fitted.levels[at]
    in_run = _in_run(found, at, wrong)
    plain = replace(
        each, limit=None, interval=None, flat=None, as_measured=None, families={}, rule=None,
        alone=each, in_run=in_run,
    )  # fmt: skip
    if found.fitted.dropped[at]:
        return replace(
            plain, way="none",
            why="it adds nothing to the other figures' limits on cars left out, and the "
            "one in force holds up good cars",
        )  # fmt: skip
    if level is None or not found.fitted.tuned[at]:
        return replace(plain, way="kept", why=_kept(each, found, at))
    distance, half = float(found.fitted.distance[at]), float(found.half[at])
    harmless = float(found.problem.harmless[:, at].min())
    limit, families, interval = _limits(level, found.problem, distance, half, harmless)
    result = replace(
        plain, way="cost", limit=limit, interval=interval, families=families,
        why=f"least expected cost of the run, with all other limits, from "
        f"{counted(each.good, 'good car')} and {counted(each.bad, 'bad car')}"
        f"{seen_aside(each.causes)}{_unseen_aside(in_run)}",
        nearest=_nearest(level, found.problem, at, distance),
    )  # fmt: skip
    return replace(result, rule=_rule(each, level, distance))


def settle_few(each: FigureTuning, found: Tolerances) -> FigureTuning:
    """One figure's tuning where there are too few bad cars to weigh costs."""
    at = found.problem.table.names.index(each.figure)
    level, told = found.levels[at], found.told[at]
    plain = replace(
        each, limit=None, interval=None, flat=None, as_measured=None, families={}, rule=None,
        alone=each, tolerance=told or each.tolerance,
    )  # fmt: skip
    bad = f"too few bad cars ({each.bad})"
    if level is None or told is None or told.high is None:
        few = told or each.tolerance
        return replace(
            plain, way="kept",
            why=f"{bad}, and {counted(each.good, 'good car')} of no checked distribution; from "
            f"ranks it takes {counted(few.needed, 'good car')}",
        )  # fmt: skip
    harmless = float(found.problem.harmless[:, at].min())
    limit, families, _ = _limits(level, found.problem, told.high, 0.0, harmless)
    joint = "" if found.figures == 1 else f", so that 95 % keep all {found.figures}"
    return replace(
        plain, way="tolerance", limit=limit, families=families,
        why=f"{bad}: holds {100 * found.content:.3g} % of good cars with 95 % confidence{joint}, "
        f"from {counted(level.cars, 'good car')}, {told.how}",
        nearest=_nearest(level, found.problem, at, told.high),
    )  # fmt: skip


def _limits(
    level: GoodLevel, problem: JointProblem, distance: float, half: float, harmless: float
) -> tuple[float, dict[str, FamilyLimit], tuple[float, float]]:
    """The limit for other families, each family's own, and the former's interval."""
    own = level.bounds(distance)
    families = {}
    for family, name in enumerate(problem.table.families):
        if not name:
            continue
        offset = level.pooled.families[name]
        reach = math.hypot(half * float(level.width[family]), Z * offset.sd)
        score = float(level.scale.score(np.array(own[family])))
        low, high = sorted(level.scale.value(score + sign * reach) for sign in (-1.0, 1.0))
        families[name] = FamilyLimit(float(own[family]), (low, high), offset.cars)
    alike = problem.table.families == ("",)
    limit = float(own[0]) if alike else level.general(distance, harmless)
    score = float(level.scale.score(np.array(limit)))
    reach = half * level.general_width
    low, high = sorted(level.scale.value(score + sign * reach) for sign in (-1.0, 1.0))
    return limit, families, (low, high)


def _nearest(level: GoodLevel, problem: JointProblem, at: int, distance: float) -> Nearest:
    table = problem.table
    return nearest_runs(table, at, problem.sides[at], level.bounds(distance)[table.family])


def _kept(each: FigureTuning, found: Together, at: int) -> str:
    standing = bool(np.isfinite(found.problem.standing(at)).any())
    stays = "the limit in force stays" if standing else "it is left without a limit"
    if found.fitted.levels[at] is None:
        return f"measured in {counted(each.good, 'good car')}: {stays}"
    if not found.taken and (found.proposed.tuned[at] or found.proposed.dropped[at]):
        return f"{stays}: the proposed limits were not taken"
    aside = ", and takes nothing from good ones" if standing else ""
    return f"adds nothing to the other limits on cars left out{aside}: {stays}"


def _unseen_aside(in_run: InRun) -> str:
    """Said of a limit that rests on the bad car not yet labelled, in words; else empty."""
    if in_run.finds.value > 0.0:
        return ""
    return "; it finds none of the labelled bad cars, and is there for one of a kind not yet seen"


def _in_run(found: Together, at: int, wrong: float) -> InRun:
    """What the figure does in the runs left out, and what no other figure does."""
    table = found.problem.table
    ranks, _ = figure_ranks(table.value, table.u, found.low, found.high)
    fails = ranks == FAIL
    alone = fails[:, at] & (fails.sum(axis=1) == 1)
    good, bad = joint_share(table, fails[:, at], wrong)
    _, only = joint_share(table, alone, wrong)
    return InRun(bad, only, good)


def _rule(each: FigureTuning, level: GoodLevel, distance: float) -> Rule | None:
    """Risks of the chosen limit for values beyond it, as for the one by itself."""
    if each.scored is None or each.choice is None:
        return None
    choice, scored = each.choice, each.scored
    share = choice.bad_share
    below = share * choice.missed + (1.0 - share) * (1.0 - choice.needless)
    return rule(
        scored.cases.score, scored.u, scored.cases.bad, level.pooled.center + distance,
        choice.limits, below,
    )  # fmt: skip
