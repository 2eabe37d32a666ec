"""What the joint choice means for each figure: limits by family, and what it adds to the run."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, TypedDict

import numpy as np

from analysis.figures import figures_by_name
from analysis.tune.count_words import counted
from analysis.tune.joint.few import Tolerances
from analysis.tune.joint.levels import FEWEST, GoodLevel
from analysis.tune.joint.nearest import nearest_runs
from analysis.tune.joint.shares import joint_share
from analysis.tune.joint.table import FAIL, figure_ranks
from analysis.tune.search.one_figure import FamilyLimit, FigureTuning, InRun, Nearest, Z, seen_aside
from analysis.tune.search.rule import Rule, rule
from analysis.tune.tidy import tidy

if TYPE_CHECKING:
    from analysis.tune.joint.fit import JointProblem
    from analysis.tune.joint.table import Table
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
    if level is not None and found.fitted.dropped[at]:
        return replace(
            plain, way="none", **_whose(level, found.problem.table),
            why="it adds nothing to the other figures' limits on cars left out, and the "
            "one in force holds up good cars",
        )  # fmt: skip
    if level is None or not found.fitted.tuned[at]:
        return replace(plain, way="kept", why=_kept(each, found, at))
    distance, half = float(found.fitted.distance[at]), float(found.half[at])
    limit, families, interval = _limits(level, found.problem, at, distance, half)
    result = replace(
        plain, way="cost", limit=limit, interval=interval, families=families,
        **_whose(level, found.problem.table),
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
    known = level.known
    if np.allclose(level.bounds(told.high)[known], level.stands[known]):
        return replace(
            plain, way="kept",
            why=f"{bad}: the limit in force stays; {counted(level.cars, 'good car')} would keep a "
            "stricter one, and are too few to say that others do",
        )  # fmt: skip
    limit, families, _ = _limits(level, found.problem, at, told.high, 0.0)
    joint = "" if found.figures == 1 else f", so that 95 % keep all {found.figures}"
    return replace(
        plain, way="tolerance", limit=limit, families=families,
        **_whose(level, found.problem.table),
        why=f"{bad}: holds {100 * found.content:.3g} % of good cars with 95 % confidence{joint}, "
        f"from {counted(level.cars, 'good car')}, {told.how}",
        nearest=_nearest(level, found.problem, at, told.high),
    )  # fmt: skip


class _Whose(TypedDict):
    others: bool
    apart: tuple[str, ...]
    stays: tuple[str, ...]


def _whose(level: GoodLevel, table: Table) -> _Whose:
    """Whether the limit holds for other families too, and families without good cars."""
    apart, stays = (
        tuple(np.array(table.families)[kind].tolist())
        for kind in (~level.known & level.moves, ~level.known & ~level.moves)
    )
    return {"others": level.others, "apart": apart, "stays": stays}


def _limits(
    level: GoodLevel, problem: JointProblem, at: int, distance: float, half: float
) -> tuple[float, dict[str, FamilyLimit], tuple[float, float]]:
    """The limit for other families, each known family's own, and the former's interval.

    Limits have as many digits as they are sure of; an interval ends where the figure does.
    """
    side, figure = problem.sides[at], figures_by_name()[problem.table.names[at]]
    own = level.bounds(distance)

    def around(limit: float, reach: float) -> tuple[float, tuple[float, float]]:
        score = float(level.scale.score(np.array(limit)))
        ends = sorted(level.scale.value(score + sign * reach) for sign in (-1.0, 1.0))
        low, high = (min(max(end, figure.least), figure.most) for end in ends)
        written = tidy(limit, 0.5 * (high - low) if reach else None, outward=side)
        return min(max(written, figure.least), figure.most), (low, high)

    families = {}
    for family, name in enumerate(problem.table.families):
        if name and level.known[family]:
            offset = level.pooled.families[name]
            reach = math.hypot(half * float(level.width[family]), Z * offset.sd)
            families[name] = FamilyLimit(*around(float(own[family]), reach), offset.cars)
    if problem.table.families == ("",):
        limit, interval = around(float(own[0]), half)
    elif level.others:
        limit, interval = around(level.general(distance), half * level.general_width)
    else:
        limit, interval = around(level.scale.value(level.pooled.center + distance), half)
    return limit, families, interval


def _nearest(level: GoodLevel, problem: JointProblem, at: int, distance: float) -> Nearest:
    table = problem.table
    return nearest_runs(table, at, problem.sides[at], level.bounds(distance)[table.family])


def _kept(each: FigureTuning, found: Together, at: int) -> str:
    standing = bool(np.isfinite(found.problem.standing(at)).any())
    stays = "the limit in force stays" if standing else "it is left without a limit"
    if found.fitted.levels[at] is None:
        alike = "" if each.good < FEWEST else ", alike within their families"
        return f"measured in {counted(each.good, 'good car')}{alike}: {stays}"
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
