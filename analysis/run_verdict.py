"""The verdict of a whole run: pass only where nothing that matters could have stayed unseen.

Fail where a figure fails. Else the run passes only where the outlet could be judged, no figure lies
beyond its limit, the readings do not point to a fault, and no moderate case of any cause could have
taken heat from the occupants by more than a limit allows unseen (`analysis.causes.seen`).
Everything between is undecided, and the reason says what it was.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from analysis.causes.knowledge import CABLE_CAUSES, NO_FAULT, knowledge
from analysis.causes.seen import Seen
from analysis.figures import KEY_FIGURE, all_figures
from analysis.verdict import SOUND, Judged, Verdict, overall, undecided_beyond
from ingest.saying import say
from ingest.values import dataclass

MAX_NAMED: Final = 3
"""Causes named in a reason; the rest are counted."""


@dataclass(frozen=True)
class RunVerdict:
    """Verdict of a run and why.

    Parameters
    ----------
    verdict
        ``pass``, ``fail``, ``undecided`` or ``not measured``.
    reason
        One sentence; None for a pass.
    decided_by
        Figures that decide a fail or keep the run undecided, the weightiest first.
    open
        Causes that stand between this run and a pass: what to measure next is to settle these.
    """

    verdict: Verdict
    reason: str | None
    decided_by: tuple[str, ...] = ()
    open: frozenset[str] = frozenset()


def judge_run(
    judged: Mapping[str, Judged],
    probability: Mapping[str, float],
    seen: Sequence[Seen],
    *,
    has_outlet: bool,
    knows_lever: bool = True,
    repaired: frozenset[str] = frozenset(),
) -> RunVerdict:
    """Verdict of a run.

    Parameters
    ----------
    judged
        Every figure with its verdict.
    probability
        Of the causes.
    seen
        How far the run could have shown each cause.
    has_outlet
        Whether an outlet was to be logged: then no heater passes on side figures alone.
    knows_lever
        Whether it is known where the lever stood: else nothing is known of its cable.
    repaired
        Causes that were repaired before this run, where they are known: then only these must have
        been visible.
    """
    verdict = overall(judged, KEY_FIGURE)
    if verdict == "fail":
        names = _by_weight(judged, "fail")
        return RunVerdict("fail", f"{_labels(names)} beyond the limit", names)
    if verdict == "not measured":
        return RunVerdict(verdict, "no figure that has a limit could be measured")
    if verdict == "undecided":
        names = _by_weight(undecided_beyond(judged, KEY_FIGURE), "undecided")
        reason = f"{_labels(names)} too near the limit to decide"
        return RunVerdict(verdict, reason, names, _behind(names, probability))
    rise = judged.get(KEY_FIGURE)
    if has_outlet and (rise is None or rise.verdict == "not measured"):
        why = rise.measurement.note if rise is not None else None
        return RunVerdict(
            "undecided", say("the outlet could not be judged: {why}", why=why or "no figure")
        )
    first = max(probability, key=lambda cause: probability[cause])
    if first != NO_FAULT:
        return RunVerdict(
            "undecided", f"every limit holds, but most likely {_named(first, probability)}"
        )
    blind = frozenset() if knows_lever else CABLE_CAUSES
    hidden = [each for each in seen if each.blocks_pass or each.cause in blind]
    if repaired:
        hidden = [each for each in seen if each.cause in repaired and not each.visible]
    if hidden:
        return RunVerdict(
            "undecided",
            f"nothing failed, but this run could not have shown {_titles(hidden)}",
            open=frozenset(each.cause for each in hidden),
        )
    if probability[first] < SOUND:
        fault = max((name for name in probability if name != NO_FAULT), key=probability.__getitem__)
        return RunVerdict(
            "undecided", f"every limit holds, but it may be that {_named(fault, probability)}"
        )
    return RunVerdict("pass", None)


def _behind(names: Sequence[str], probability: Mapping[str, float]) -> frozenset[str]:
    """Causes that move one of these figures."""
    rows = knowledge().cause
    return frozenset(
        row.name
        for row in rows
        if row.name in probability and not row.moves.keys().isdisjoint(names)
    ) - {NO_FAULT}


def _named(cause: str, probability: Mapping[str, float]) -> str:
    return f"{knowledge().row(cause).title} ({100.0 * probability[cause]:.0f} %)"


def _by_weight(judged: Mapping[str, Judged], verdict: Verdict) -> tuple[str, ...]:
    """Figures with this verdict: the complaint's own, then the least likely to conform."""
    names = [
        name for name, each in judged.items() if each.verdict == verdict and each.limit is not None
    ]

    def weight(name: str) -> tuple[bool, float, float]:
        each = judged[name]
        value, limit, u = each.measurement.known(), each.limit, each.measurement.u or 0.0
        assert limit is not None  # noqa: S101 - checked above
        bounds = [bound for bound in (limit.low, limit.high) if bound is not None]
        far = max((abs(value - bound) / u for bound in bounds), default=0.0) if u else 0.0
        return name != KEY_FIGURE, each.conformance or 0.0, -far

    return tuple(sorted(names, key=weight))


def _labels(names: Sequence[str]) -> str:
    labels = {each.name: each.label for each in all_figures()}
    said = ", ".join(labels[name] for name in names[:MAX_NAMED])
    more = len(names) - MAX_NAMED
    return f"{said} and {more} more" if more > 0 else said


def _titles(hidden: Sequence[Seen]) -> str:
    order = sorted(hidden, key=lambda each: -each.unseen_harm)
    said = "; ".join(f"that {each.title}" for each in order[:MAX_NAMED])
    more = len(order) - MAX_NAMED
    return f"{said}; and {more} more" if more > 0 else said
