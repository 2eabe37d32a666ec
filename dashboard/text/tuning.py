"""A tuning in words, for screens, files and pages."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Final

from analysis.tune.change import change_word
from analysis.tune.count_words import counted
from analysis.tune.joint.fit import KEPT
from analysis.tune.joint.levels import FAMILIES_FOR_OTHERS
from analysis.tune.joint.together import FEWEST_BAD
from dashboard.text.limit_numbers import interval_text, limit_number, limit_text, number, span_text
from dashboard.text.shown import beside, clean, conversion, said_in, words
from ingest.saying import half_width

if TYPE_CHECKING:
    from analysis.statistics.proportions import Share
    from analysis.tune.change import Changed
    from analysis.tune.joint.shares import CarShare, Joint, Kind
    from analysis.tune.joint.together import Together
    from analysis.tune.search.one_cause import CauseTuning
    from analysis.tune.search.one_figure import FigureTuning
    from analysis.tune.study import FigureStudy
    from analysis.tune.tuning import Tuning

MAX_LISTED: Final = 10
MIN_FOR_AREA: Final = 3
"""Cars of a kind, good or bad, below which an area says nothing."""

COLDER_K: Final = 10.0
"""How much colder a day the dependence on the weather is stated for, K."""

OF_OTHERS: Final = "the limit of other families"
STAYS: Final = "the limit in force stays"
"""Whose limit a family without labelled good cars gets."""

FEW: Final = 10
"""Cars of a kind, good or bad, below which it is said that labels are few."""


def cost_text(cost: float, low: float, high: float) -> str:
    """What limits cost a car, with its 95 % interval."""
    reach = half_width((low, high))
    return f"{beside(cost, reach)} ({beside(low, reach)} to {beside(high, reach)})"


def share_text(share: Share) -> str:
    """A share with its exact interval, in percent."""
    return (
        f"{100 * share.value:.0f} % ({100 * share.low:.0f} to {100 * share.high:.0f} %; "
        f"{share.count} of {share.total})"
    )


def _area(area: float, low: float, high: float, fewest: int) -> str:
    """An area with its interval, unless of one kind there are hardly any cars."""
    if fewest < MIN_FOR_AREA or not all(map(math.isfinite, (area, low, high))):
        return "too few to tell"
    return f"{area:.2f} ({low:.2f} to {high:.2f})"


def tuning_lines(tuning: Tuning, changed: Sequence[Changed], units: str) -> list[str]:
    """Everything worth reading on a screen: the run first, then its figures."""
    lines = [*joint_lines(tuning), *caution_lines(tuning)]
    lines += _figures(tuning, units)
    if tuning.causes:
        lines += ["", "Causes"]
        lines += _alike([(words(each.cause), cause_text(each)) for each in tuning.causes])
    if tuning.study:
        lines += ["", "Measurement system"]
        lines += [study_line(each, units) for each in tuning.study]
    return [*lines, "", *change_lines(changed, units)]


def _figures(tuning: Tuning, units: str) -> list[str]:
    """Each figure; those of which only is said why they were left, in one line a reason."""
    lines: list[str] = []
    left: list[tuple[str, str]] = []
    for each in tuning.figures:
        said = figure_lines(each, units)
        if each.limit is None and len(said) == 1:
            left.append((words(each.figure), f"limit kept; {each.why}"))
        else:
            lines += ["", *said]
    for line in _alike(left):
        lines += ["", line]
    return lines


def _alike(named: Sequence[tuple[str, str]]) -> list[str]:
    """``name: text`` a line; names of which the same is said share one."""
    of_text: dict[str, list[str]] = {}
    for name, text in named:
        of_text.setdefault(text, []).append(name)
    return [f"{', '.join(names)}: {text}" for text, names in of_text.items()]


def few_line(tuning: Tuning) -> str:
    """What is done where there are too few cars to weigh all limits together."""
    _, _, bad, good = tuning.labelled
    counts = f"{counted(good, 'good car')} and {counted(bad, 'bad car')}"
    if any(each.limit is not None for each in tuning.figures):
        whose = (
            "up to 5 % may lose a pass"
            if tuning.options.trade_passes
            else f"one is stricter than the limit in force only where {100 * KEPT:g} % keep them"
        )
        return (
            f"too few labelled cars to weigh costs ({counts}; {FEWEST_BAD} of each are wanted): "
            f"limits are where 95 % of good cars keep all of them; {whose}; what they find of bad "
            "cars is not known"
        )
    if not any(each.good or each.bad for each in tuning.figures):
        return "no limit changes: no labelled run has a figure"
    return f"no limit changes: {counts} are too few to set any ({FEWEST_BAD} of each are wanted)"


def joint_lines(tuning: Tuning) -> list[str]:
    """What the run gets from all limits together, on cars left out."""
    runs, cars, bad, _ = tuning.labelled
    costs = tuning.options.costs
    lines = [
        f"{counted(runs, 'labelled run')} of {counted(cars, 'car')}, {bad} of them bad",
        f"a missed fault costs {costs.missed:g}, a needless repair {costs.needless:g}, a test to "
        f"be done again {costs.again:g}",
    ]
    found = tuning.together
    if found is None:
        return [*lines, few_line(tuning)]
    lines += ["", "Cars left out, all figures together, guard bands included:"]
    judged = sets_judged(found)
    for name, joint in judged:
        lines += [
            f"  {name:9s} {word:5s} {kind_text(kind)}"
            for word, kind in (("good:", joint.good), ("bad:", joint.bad))
        ]
    for name, joint in judged:
        lines.append(
            f"  {name:9s} cost a car {cost_text(joint.cost, joint.cost_low, joint.cost_high)}"
        )
    lines.append(("taken: " if found.taken else "") + found.why)
    return [*lines, *exchange_lines(tuning, found), wrong_text(tuning), *held_lines(found)]


def passes_text(tuning: Tuning, found: Together) -> str:
    """Whether good cars keep the pass they have, and why not."""
    if tuning.options.trade_passes:
        return "cost alone decides, even where good cars lose the pass they have (--trade-passes)"
    if not found.problem.content:
        return (
            "the limits in force fail no larger share of the bad cars than of the good ones: cost "
            "alone decides, and not whom they let pass"
        )
    return (
        f"good cars keep their pass: a limit in force is moved no further, to either side, than to "
        f"where {100 * KEPT:g} % of good cars keep all limits, as far as so many cars tell (95 % "
        "confidence); with --trade-passes cost alone decides"
    )


def exchange_lines(tuning: Tuning, found: Together) -> list[str]:
    """Which cars left out the proposed limits change; nothing where no limit is proposed."""
    lines = []
    if found.proposes:
        lines.append(found.changed.said())
    lines.append(passes_text(tuning, found))
    return lines


def held_lines(found: Together) -> list[str]:
    """How many cars no limit lets pass; nothing where there is none."""
    good, bad = found.held
    if not good + bad:
        return []
    held = [f"{counted(n, f'{kind} car')}" for n, kind in ((good, "good"), (bad, "bad")) if n]
    return [
        f"of {' and '.join(held)} a run is undecided at best, "
        "whatever the limits: its readings point to a fault, or could not have shown one"
    ]


def sets_judged(found: Together) -> list[tuple[str, Joint]]:
    """The proposed limits, which may have been refused, where there are any; those in force."""
    sets = [("in force", found.in_force)]
    if found.proposes:
        sets.insert(0, ("tuned" if found.taken else "proposed", found.tuned))
    return sets


def kind_text(kind: Kind) -> str:
    """How good or bad cars come out."""
    shares = (("pass", kind.passed), ("undecided", kind.undecided), ("fail", kind.failed))
    return ", ".join(f"{word} {car_share_text(share)}" for word, share in shares)


def car_share_text(share: CarShare) -> str:
    """A share of cars with its interval, in percent."""
    if not share.cars:
        return "not known"
    value = beside(100 * share.value, 100 * half_width((share.low, share.high)))
    return f"{value} % ({100 * share.low:.0f} to {100 * share.high:.0f} %)"


def wrong_text(tuning: Tuning) -> str:
    """What the intervals allow for."""
    wrong = tuning.options.wrong_labels
    if not wrong:
        return "intervals (95 %, by car) take every label for right"
    _, cars, bad, _ = tuning.labelled
    lost = (
        "; so many labels may be wrong that nothing is known of the bad cars"
        if bad <= wrong * cars
        else ""
    )
    return f"intervals (95 %, by car) allow for up to {100 * wrong:g} % of wrong labels{lost}"


def caution_lines(tuning: Tuning) -> list[str]:
    """What stands against the labels."""
    _, _, bad, good = tuning.labelled
    matched = tuning.matched
    lines = []
    if min(good, bad) < FEW:
        lines.append(
            f"caution: labels are few ({counted(good, 'good car')}, {counted(bad, 'bad car')}; at "
            f"least {FEW} of each are wanted); expect the limits to move with the next ones"
        )
    if any(each.limit is not None and not each.others for each in tuning.figures):
        lines.append(
            f"limits are for families with labelled good cars alone: fewer than "
            f"{FAMILIES_FOR_OTHERS} families do not say where others lie, and those keep the "
            "limits in force"
        )
    if matched.unknown:
        named = ", ".join(f"{clean(each.name)} (line {each.line})" for each in matched.unknown[:10])
        more = f" and {len(matched.unknown) - 10} more" if len(matched.unknown) > 10 else ""
        lines.append(f"not in the store: {named}{more}")
    if matched.repaired:
        lines.append(f"not counted as bad: {counted(matched.repaired, 'run')} after a repair")
    return lines


def figure_lines(each: FigureTuning, units: str) -> list[str]:
    """One figure."""
    name = words(each.figure)
    if each.limit is None:
        what = "no limit" if each.way == "none" else "limit kept"
        lines = [f"{name}: {what}; {each.why}"]
    else:
        side = "below" if each.side == "low" else "above"
        lines = [f"{name}: fails {side} {limit_text(each, units)}; {each.why}"]
    if each.interval and each.others:
        lines.append(f"  {interval_text(each, each.interval, units)}")
    if each.in_run:
        lines.append(
            f"  cars left out, beside the other limits: finds {car_share_text(each.in_run.finds)} "
            f"of the bad, and {car_share_text(each.in_run.alone)} that no other figure finds; "
            f"fails {car_share_text(each.in_run.fails)} of the good"
        )
    if each.rule:
        rule = each.rule
        lines.append(
            f"  with the guard band: of the bad {share_text(rule.bad.failed)} fail, "
            f"{share_text(rule.bad.undecided)} stay undecided; risk of passing a car beyond the "
            f"limit {100 * rule.risks.consumer:.2g} %, of failing one within "
            f"{100 * rule.risks.producer:.2g} %"
        )
    lines += [f"  {line}" for line in family_lines(each, units)]
    lines += alone_lines(each.alone or each, units)
    for cause, area in each.causes.items():
        fewest = min(area.cars, each.good)
        aside = ", not seen in this figure" if fewest >= MIN_FOR_AREA and not area.told else ""
        found = _area(area.area, area.low, area.high, fewest)
        lines.append(f"  {words(cause)}: {counted(area.cars, 'car')}, area {found}{aside}")
    return lines


def family_lines(each: FigureTuning, units: str) -> list[str]:
    """Each family's own limit, and whose limit the others get."""
    lines = [
        f"{clean(family)}: {limit_number(own.limit, each.unit, units, own.interval)} "
        f"({_family_interval(each, own.interval, units)}{counted(own.cars, 'good car')})"
        for family, own in each.families.items()
    ]
    if each.limit is not None:
        lines += [
            f"{clean(family) or 'no family told'}: no good car measured; {whose}"
            for families, whose in ((each.apart, OF_OTHERS), (each.stays, STAYS))
            for family in families
        ]
        if not each.others:
            lines.append(f"other families: {STAYS}")
    return lines


def _family_interval(each: FigureTuning, ends: tuple[float, float], units: str) -> str:
    return "" if ends[0] == ends[1] else f"{interval_text(each, ends, units)}; "


def alone_lines(each: FigureTuning, units: str) -> list[str]:
    """What the figure would say if it were the only one."""
    lines = []
    if each.limit is not None and each.interval and each.flat:
        lines.append(
            f"  by itself it would be {number(each.limit, each.unit, units, each.interval)} "
            f"(95 % interval {span_text(each.interval, each.unit, units)}; within 5 % of the "
            f"least cost from {span_text(each.flat, each.unit, units, each.interval)})"
        )
    if each.as_measured is not None:
        lines.append(
            f"  for values as measured, without a guard band: "
            f"{number(each.as_measured, each.unit, units, each.interval)}"
        )
    if each.roc and each.held_out and each.choice:
        held, roc, fewest = each.held_out, each.roc, min(each.good, each.bad)
        lines += [
            f"  area under the ROC curve {_area(roc.auc, roc.auc_low, roc.auc_high, fewest)}",
            f"  by itself, cars left out: finds {share_text(held.detection)} of the bad, fails "
            f"{share_text(held.false_alarm)} of the good; cost a car "
            f"{cost_text(held.cost, held.cost_low, held.cost_high)}; without a limit "
            f"{beside(each.choice.blind, half_width((held.cost_low, held.cost_high)))}",
        ]
    return lines + _sensitivity(each, units)


def _sensitivity(each: FigureTuning, units: str) -> list[str]:
    """What wrong labels and the weather would do to the limit."""
    if each.choice is None or each.scored is None or each.limit is None:
        return []
    scored = each.scored
    tried = ", ".join(
        f"{100 * share:g} %: {number(scored.limit(score), each.unit, units, each.interval)}"
        for share, score in each.choice.by_unclaimed
    )
    lines = [f"  by the share of good cars that were only never claimed: {tried}"]
    moves = each.choice.wrong_moves
    low, high = sorted(scored.limit(each.choice.limit + move) for move in (-moves, moves))
    within = span_text((low, high), each.unit, units, each.interval)
    lines.append(f"  5 % of wrong labels would leave it within {within}")
    if scored.slope.per_k:
        at = scored.slope.reference
        colder = scored.limit(each.choice.limit - COLDER_K * scored.slope.per_k)
        lines.append(
            f"  at {number(at, 'degC', units)} ambient; "
            f"{number(COLDER_K, 'K', units)} colder it would be "
            f"{number(colder, each.unit, units, each.interval)}"
        )
    return lines


def cause_text(each: CauseTuning) -> str:
    """What the labels say of one cause."""
    roc = each.roc
    fewest = min(each.with_it, each.without)
    area = f"area {_area(roc.auc, roc.auc_low, roc.auc_high, fewest)}" if roc else "no curve"
    cars = f"{counted(each.with_it, 'car')} with it, {each.without} without, {area}"
    if each.limit is None or each.interval is None:
        return f"{cars}; no limit: {each.why}"
    low, high = each.interval
    return (
        f"{cars}; worth acting upon from a probability of {each.limit:.2f} "
        f"({low:.2f} to {high:.2f})"
    )


def study_line(each: FigureStudy, units: str) -> str:
    """One figure's measurement system study."""
    shown = conversion(each.unit, units)

    def sd(value: float) -> str:
        # two digits: a standard deviation from so few cars is not known better
        return f"{beside(value * shown.factor, value * shown.factor)} {shown.unit}".strip()

    parts = ", ".join(f"{by}s {sd(part)} ({each.levels[by]})" for by, part in each.parts.items())
    weather = (
        "weather taken out" if each.weather.per_k else "the weather makes no difference that shows"
    )
    return (
        f"{words(each.figure)}: repeatability {sd(each.repeatability)}, {parts or 'nothing else'}; "
        f"all the measuring {sd(each.measuring)}, cars {sd(each.car)}; "
        f"{each.categories} distinct categories; explains {100 * each.guard_share:.0f} % of the "
        f"guard band of {sd(each.guard_band)} ({counted(each.runs, 'run')} of "
        f"{counted(each.cars, 'car')}; {weather}; {each.how})"
    )


def change_lines(changed: Sequence[Changed], units: str) -> list[str]:
    """What would change over the store: each kind with its count and its runs."""
    if not changed:
        return ["No run of the store would change sides."]
    lines = [f"{counted(len(changed), 'run')} of the store would change sides:"]
    for word, group in groupby(changed, key=change_word):
        runs = list(group)
        lines.append(f"  {word}: {counted(len(runs), 'run')}")
        lines += [
            f"    {clean(each.vehicle)} {each.run_id[:12]}: {each.before} → {each.after}: "
            f"{said_in(each.why, units)}"
            for each in runs[:MAX_LISTED]
        ]
        if len(runs) > MAX_LISTED:
            lines.append(f"    and {len(runs) - MAX_LISTED} more (see --report)")
    return lines
