"""The tuned limit of one figure, with everything that speaks for and against it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import field, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.figures import Side, bad_side
from analysis.statistics.roc import Roc, auc, auc_interval, roc
from analysis.tune.count_words import counted
from analysis.tune.joint.shares import CarShare
from analysis.tune.search.choice import WRONG_SHARE, Cases, Choice, Costs, choose, least_cost_limit
from analysis.tune.search.few import ToleranceLimit, tolerance_limits
from analysis.tune.search.held_out import HeldOut, held_out
from analysis.tune.search.rule import Rule, rule
from analysis.tune.search.scores import Scored, scored
from ingest.arrays import Floats
from ingest.values import dataclass

if TYPE_CHECKING:
    import polars as pl


FEWEST: Final = 5
"""Bad cars, and good ones, below which their distribution is not believed."""

MIN_OF_CAUSE: Final = 3
"""Cars of a cause that are looked at by themselves; rarer causes and unknown ones go together."""

Z: Final = 1.959963984540054
"""95 % point of the normal distribution, two-sided."""

OTHER: Final = "other or unknown"

Way = Literal["cost", "tolerance", "kept", "none"]


@dataclass(frozen=True, slots=True)
class CauseArea:
    """How well the figure tells cars with one confirmed cause from good ones.

    Parameters
    ----------
    cars
        With the cause.
    area, low, high
        Under the ROC curve, and its interval.
    told
        Whether the area surely exceeds one half. A limit can do nothing for the others: they look
        like good cars in this figure, and would only drag its limit to where good cars are failed.
    """

    cars: int
    area: float
    low: float
    high: float
    told: bool


@dataclass(frozen=True, slots=True)
class FamilyLimit:
    """A family's own limit: its offset is known as far as its good cars go.

    Parameters
    ----------
    limit
        In the figure's unit.
    interval
        95 %, the family's offset included.
    cars
        Good cars of the family.
    """

    limit: float
    interval: tuple[float, float]
    cars: int


@dataclass(frozen=True, slots=True)
class InRun:
    """What the figure does in runs left out, under limits chosen without them.

    Parameters
    ----------
    finds
        Share of bad cars that fail by it.
    alone
        Share of bad cars that fail by it and by no other figure.
    fails
        Share of good cars that fail by it.
    """

    finds: CarShare
    alone: CarShare
    fails: CarShare


@dataclass(frozen=True, slots=True)
class Nearest:
    """The labelled runs that would move a limit first.

    Parameters
    ----------
    good
        Ids of the good cars' runs that lie farthest out.
    bad
        Ids of the nearest of those it finds.
    """

    good: tuple[str, ...] = ()
    bad: tuple[str, ...] = ()


@dataclass(frozen=True)
class FigureTuning:
    """What labelled cars say about the limit of one figure.

    Parameters
    ----------
    figure, unit
        Which.
    side
        The side tuned: ``low`` or ``high``.
    way
        ``cost``: least expected cost; ``tolerance``: from good cars alone; ``kept``: no reason to
        change what is in force; ``none``: the limit in force is taken away.
    why
        A sentence for the way taken.
    good, bad
        Cars behind it.
    limit
        For families without cars of their own, in the figure's unit; None where kept.
    interval, flat
        95 % interval, and the limits of about equal cost; None unless by cost.
    as_measured
        The limit for values as they are measured, without a guard band; None unless by cost.
    tolerance
        Limits that good cars keep.
    families
        By family.
    causes
        By confirmed cause.
    scored, roc, choice, held_out, rule
        What they were found with; None where there were too few cars.
    alone
        What the figure would say if it were the only one; None in that itself.
    in_run
        What it does beside all others; None where limits were not chosen together.
    nearest
        Runs the limit lies between.
    others
        Whether the limit also holds for families without labelled good cars; where it does not,
        `limit` is that of a car between the families, and only those of `families` are written.
    apart, stays
        Families among the labelled runs of which no good car was measured: those that get the limit
        of other families, and those whose limit in force stays.
    measured
        Least and greatest value of the labelled runs; None where there are none.
    """

    figure: str
    unit: str
    side: Literal["low", "high"]
    way: Way
    why: str
    good: int
    bad: int
    limit: float | None
    interval: tuple[float, float] | None
    flat: tuple[float, float] | None
    as_measured: float | None
    tolerance: ToleranceLimit
    families: Mapping[str, FamilyLimit]
    causes: Mapping[str, CauseArea]
    scored: Scored | None = None
    roc: Roc | None = None
    choice: Choice | None = None
    held_out: HeldOut | None = None
    rule: Rule | None = None
    alone: FigureTuning | None = None
    in_run: InRun | None = None
    nearest: Nearest = field(default_factory=Nearest)
    others: bool = True
    apart: tuple[str, ...] = ()
    stays: tuple[str, ...] = ()
    measured: tuple[float, float] | None = None


def tune_figure(
    runs: pl.DataFrame,
    name: str,
    costs: Costs,
    *,
    true_values: bool = True,
    wrong: float = WRONG_SHARE,
    seed: int = 0,
) -> FigureTuning:
    """Tune one figure.

    Parameters
    ----------
    runs
        As `analysis.tune.search.scores.scored` takes them, with a column ``unit``.
    name
        A figure with a bad side.
    costs
        What errors cost.
    true_values
        Whether the limit is meant for true values, with the guard band of the verdict before it.
    wrong
        Share of labels that may be wrong; intervals allow for it.
    seed
        The same gives the same answer.
    """
    side = bad_side(name)
    assert side is not None  # noqa: S101 - the caller leaves such figures out
    unit = str(runs["unit"][0]) if runs.height else ""
    good_cars = runs.filter(~runs["bad"])["vehicle"].n_unique()
    bad_cars = runs.filter(runs["bad"])["vehicle"].n_unique()
    if good_cars < 2:
        empty = tolerance_limits(np.zeros(good_cars), side)
        return FigureTuning(name, unit, "low" if side == "low" else "high", "kept",
                            f"measured in {counted(good_cars, 'good car')}", good_cars, bad_cars,
                            None, None, None, None, empty, {}, {})  # fmt: skip
    cars, one_side = _oriented(runs, name, side, true_values)
    own = cars.cases.score[~cars.cases.bad]
    tolerance = _tolerance(own, cars, one_side)
    causes = _areas(cars)
    used = _used(cars, causes)
    few = min(int((cars.cases.bad & used).sum()), int((~cars.cases.bad).sum())) < FEWEST
    if few or any(np.unique(cars.cases.score[used & kind]).size < 2
                  for kind in (cars.cases.bad, ~cars.cases.bad)):  # fmt: skip
        return _few(name, unit, one_side, cars, tolerance, causes, (good_cars, bad_cars))
    return _by_cost(name, unit, one_side, cars, tolerance, causes, used, costs, wrong, seed)


def _oriented(
    runs: pl.DataFrame,
    name: str,
    side: Side,
    true_values: bool,  # noqa: FBT001
) -> tuple[Scored, Literal["low", "high"]]:
    """Scores, and the side tuned: with two bad sides the one on which the bad cars lie."""
    if side != "both":
        sign = 1.0 if side == "high" else -1.0
        return scored(runs, name, sign, true_values=true_values), side
    cars = scored(runs, name, -1.0, true_values=true_values)
    bad = cars.cases.bad
    if bad.any() and auc(cars.cases.score[~bad], cars.cases.score[bad]) < 0.5:
        return scored(runs, name, 1.0, true_values=true_values), "high"
    return cars, "low"


def _tolerance(good: Floats, cars: Scored, side: Literal["low", "high"]) -> ToleranceLimit:
    """Limits that good cars of any family keep on all days, as values of the figure."""
    if cars.spread > 0.0:
        mean = float(good.mean())
        good = mean + (good - mean) * math.hypot(1.0, cars.spread / float(good.std(ddof=1)))
    found = tolerance_limits(good, "high")
    if found.high is None:
        return found
    value = cars.limit(found.high)
    return ToleranceLimit(
        value if side == "low" else None,
        value if side == "high" else None,
        found.how, found.power, found.p, found.cars, found.needed,
    )  # fmt: skip


def _groups(cars: Scored) -> NDArray[np.str_]:
    """Cause of each bad car, the rare and unknown ones as one."""
    bad = cars.cases.bad
    names, count = np.unique(cars.cause[bad], return_counts=True)
    own = [name for name, n in zip(names, count, strict=True) if name and n >= MIN_OF_CAUSE]
    return np.where(np.isin(cars.cause, own), cars.cause, OTHER)


def _areas(cars: Scored) -> dict[str, CauseArea]:
    score, bad = cars.cases.score, cars.cases.bad
    group, good = _groups(cars), score[~bad]
    found = {}
    for cause in np.unique(group[bad]).tolist():
        of_cause = score[bad & (group == cause)]
        area = auc(good, of_cause)
        low, high = auc_interval(good, of_cause)
        found[cause] = CauseArea(int(of_cause.size), area, low, high, low > 0.5)
    return found


def _used(cars: Scored, causes: Mapping[str, CauseArea]) -> NDArray[np.bool_]:
    hidden = [cause for cause, area in causes.items() if not area.told]
    return np.asarray(~(cars.cases.bad & np.isin(_groups(cars), hidden)))


def seen_aside(causes: Mapping[str, CauseArea]) -> str:
    """Which causes show in a figure, in words; empty where all do."""
    if all(area.told for area in causes.values()):
        return ""
    told = [cause.replace("_", " ") for cause, area in causes.items() if area.told]
    if not told:
        return "; no labelled cause shows in it by itself"
    return f"; of the labelled causes only {', '.join(told)} seen in it"


def _costs_of_shown(costs: Costs, shown: float) -> Costs:
    """Costs with the share of bad cars that can show in the figure at all."""
    if costs.bad_share is None:
        return costs
    bad = costs.bad_share * shown
    return replace(costs, bad_share=bad / (bad + 1.0 - costs.bad_share) if bad > 0.0 else 0.0)


def _few(
    name: str,
    unit: str,
    side: Literal["low", "high"],
    cars: Scored,
    tolerance: ToleranceLimit,
    causes: Mapping[str, CauseArea],
    counts: tuple[int, int],
) -> FigureTuning:
    limit = tolerance.low if side == "low" else tolerance.high
    aside = seen_aside(causes)
    way: Way
    shown = int((cars.cases.bad & _used(cars, causes)).sum())
    if int(cars.cases.bad.sum()) - shown >= FEWEST:
        limit, way = None, "kept"
        why = f"too few bad cars ({shown}){aside or ' that show in it'}"
    elif limit is None:
        way = "kept"
        why = (
            f"{counted(shown, 'bad car')}{aside}, and {counted(tolerance.cars, 'good car')} of no "
            f"checked distribution; from ranks it takes {counted(tolerance.needed, 'good car')}"
        )
    else:
        way = "tolerance"
        why = (
            f"too few bad cars ({shown}){aside}: holds 95 % of good cars with 95 % confidence, "
            f"from {counted(tolerance.cars, 'good car')}, {tolerance.how}"
        )
    families = {}
    if limit is not None:
        score = float(cars.scale.score(np.array(limit)))
        families = _families(cars, score, (score, score))
    return FigureTuning(name, unit, side, way, why, *counts, limit, None, None, None, tolerance,
                        families, causes, scored=cars)  # fmt: skip


def _by_cost(
    name: str,
    unit: str,
    side: Literal["low", "high"],
    cars: Scored,
    tolerance: ToleranceLimit,
    causes: Mapping[str, CauseArea],
    used: NDArray[np.bool_],
    costs: Costs,
    wrong: float,
    seed: int,
) -> FigureTuning:
    cases = Cases(
        cars.cases.score[used], cars.cases.noise[used], cars.cases.bad[used], _renumber(cars, used)
    )
    costs = _costs_of_shown(costs, float(cases.bad.sum() / cars.cases.bad.sum()))
    good, bad = cases.score[~cases.bad], cases.score[cases.bad]
    curve = _allowing(roc(good, bad), good.size, bad.size, wrong)
    choice = choose(cases, costs, spread=cars.spread, seed=seed, wrong=wrong)
    held = held_out(cars.held_out[used], cases.bad, choice, costs, wrong)
    counts = (int((~cases.bad).sum()), int(cases.bad.sum()))
    why = _why_kept(curve, choice, held)
    if why is not None:
        return FigureTuning(name, unit, side, "kept", why, *counts, None, None, None, None,
                            tolerance, {}, causes, cars, curve, choice, held)  # fmt: skip
    share = choice.bad_share
    below = share * choice.missed + (1.0 - share) * (1.0 - choice.needless)
    plain = Cases(cases.score, np.zeros(cases.score.size), cases.bad, cases.car)
    aside = seen_aside(causes)
    return FigureTuning(
        name, unit, side, "cost",
        f"least expected cost from {counts[0]} good and {counts[1]} bad cars{aside}", *counts,
        limit=cars.limit(choice.limit),
        interval=_ordered(cars, choice.interval),
        flat=_ordered(cars, choice.flat),
        as_measured=cars.limit(least_cost_limit(plain, costs, cars.spread)),
        tolerance=tolerance,
        families=_families(cars, choice.limit, choice.interval),
        causes=causes,
        scored=cars, roc=curve, choice=choice, held_out=held,
        rule=rule(cases.score, cars.u[used], cases.bad, choice.limit, choice.limits, below),
    )  # fmt: skip


def _allowing(curve: Roc, n_good: int, n_bad: int, wrong: float) -> Roc:
    """The curve's area with an interval that allows for wrong labels: mixed cars lie nearer."""
    labelled = n_bad / (n_bad + n_good)
    truly = (labelled - wrong) / (1.0 - 2.0 * wrong)
    if not 0.0 < truly < 1.0:
        return replace(curve, auc_high=1.0)
    free = 1.0 - (1.0 - truly) * wrong / labelled - truly * wrong / (1.0 - labelled)
    return replace(curve, auc_high=min(0.5 + (curve.auc_high - 0.5) / free, 1.0))


def _why_kept(curve: Roc, choice: Choice, held: HeldOut) -> str | None:
    """Why no limit should follow from these labels; None where one should."""
    if curve.auc_low <= 0.5:
        area = f"{curve.auc:.2f}, {curve.auc_low:.2f} to {curve.auc_high:.2f}"
        return f"does not tell bad cars from good ones (area {area})"
    if not choice.pays:
        return "no limit costs less than calling all cars good, or all bad"
    if held.cost >= choice.blind:
        return "on cars left out it costs no less than calling all cars good, or all bad"
    return None


def _renumber(cars: Scored, used: NDArray[np.bool_]) -> NDArray[np.intp]:
    return np.asarray(np.unique(cars.cases.car[used], return_inverse=True)[1], dtype=np.intp)


def _ordered(cars: Scored, ends: tuple[float, float]) -> tuple[float, float]:
    low, high = sorted(cars.limit(end) for end in ends)
    return low, high


def _families(cars: Scored, score: float, interval: tuple[float, float]) -> dict[str, FamilyLimit]:
    half = 0.5 * (interval[1] - interval[0])
    found = {}
    for family, offset in sorted(cars.pooled.families.items()):
        if not family:
            continue
        reach = math.hypot(half, Z * offset.sd)
        low, high = sorted(cars.limit(score + sign * reach, family) for sign in (-1.0, 1.0))
        found[family] = FamilyLimit(cars.limit(score, family), (low, high), offset.cars)
    return found
