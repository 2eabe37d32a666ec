"""The document that a limit is defended with: one content, drawn as HTML or PDF.

Written for a customer's engineer who has never seen this program.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Final

from analysis.tune.change import change_word
from analysis.tune.joint.sweep import sweeps
from dashboard.report.blocks import (
    Blank,
    Block,
    Bullets,
    Heading,
    Report,
    ReportPage,
    Table,
    Text,
    first_rows,
    short,
)
from dashboard.report.limits.one_limit import limit_page
from dashboard.report.subject import software_version
from dashboard.text.limit_numbers import limit_text, limits_text
from dashboard.text.shown import said_in, words
from dashboard.text.tuning import (
    car_share_text,
    caution_lines,
    cost_text,
    exchange_lines,
    few_line,
    held_lines,
    sets_judged,
    study_line,
    wrong_text,
)

if TYPE_CHECKING:
    from analysis.tune.change import Changed
    from analysis.tune.search.one_figure import FigureTuning
    from analysis.tune.tuning import Tuning

MAX_CHANGED: Final = 14
"""Runs listed of each kind of change."""

RUNS_A_PAGE: Final = 56
MAX_RUNS: Final = 1120
"""Labelled runs listed; the fingerprint is over all of them."""

PURPOSE: Final = (
    "A heater test measures a car's heater in several figures, each with its uncertainty. A figure "
    "fails where it lies beyond its limit by more than the uncertainty allows, passes where it "
    "lies within by as much, and is undecided between. The run fails where any figure fails; it "
    "is undecided where the outlet's rise is, or where another figure likelier lies beyond its "
    "limit than within, or where its readings point to a fault or could not have shown one; else "
    "it passes. The limits here were chosen together, so that what all "
    "runs cost - a fault that is missed, a repair that was not needed, a test to be done again - "
    "is least, on labelled cars; and they were judged on cars that had no part in choosing them."
)


def limits_report(tuning: Tuning, changed: Sequence[Changed], units: str) -> Report:
    """The document's content.

    Parameters
    ----------
    tuning
        What came out.
    changed
        Runs that would change sides.
    units
        ``si`` or ``us``.
    """
    moved = {each.figure: each for each in sweeps(tuning.together)} if tuning.together else {}
    pages = [_decision(tuning, units), _changes(changed, units)]
    pages += [
        limit_page(each, moved.get(each.figure), tuning, units)
        for each in tuning.figures
        if each.limit is not None
    ]
    pages += [_others(tuning, units), *_runs(tuning)]
    limits = tuning.limits
    return Report(
        title=f"Limits {short(limits.version)}",
        foot=f"limits {short(limits.version)}, data {limits.fingerprint[:12]}, lukewarm "
        f"{software_version()}",
        paper="letter" if units == "us" else "a4",
        pages=tuple(pages),
    )


def _decision(tuning: Tuning, units: str) -> ReportPage:
    limits, costs = tuning.limits, tuning.options.costs
    runs, cars, bad, good = tuning.labelled
    share = "as labelled" if costs.bad_share is None else f"{100 * costs.bad_share:g} %"
    blocks: list[Block] = [
        Text(PURPOSE),
        Heading("What the limits do to cars that had no part in choosing them"),
        *_joint(tuning),
        Heading("The limits"),
        _limits(tuning, units),
        Heading("Who decided, when, on what"),
        Table(
            (),
            (
                ("Version", short(limits.version), "Replaces", short(tuning.in_force.version)),
                ("Set by", short(limits.author), "Date", short(limits.date)),
                ("Labelled", f"{runs} runs of {cars} cars: {good} good, {bad} bad",
                 "Share of bad cars", share),
                ("Costs", f"missed fault {costs.missed:g}, needless repair {costs.needless:g}, "
                 f"test done again {costs.again:g}", "Wrong labels",
                 f"up to {100 * tuning.options.wrong_labels:g} % allowed for"),
                ("Data (SHA-256)", limits.fingerprint, "Program", f"lukewarm {software_version()}"),
            ),
            (1.2, 3.2, 1.2, 2.0),
            dense=True,
        ),
        *(Text(f"{line[:1].upper()}{line[1:]}.", "quiet") for line in caution_lines(tuning)),
        Text("Approved: name, date, signature", "quiet"),
        Blank(2),
    ]  # fmt: skip
    return ReportPage("For the decision", f"Limits {short(limits.version)}", tuple(blocks))


def _joint(tuning: Tuning) -> list[Block]:
    found = tuning.together
    if found is None:
        few = few_line(tuning)
        return [Text(f"{few[:1].upper()}{few[1:]}.", "caution")]
    rows = []
    for name, joint in sets_judged(found):
        for word, kind in (("good cars", joint.good), ("bad cars", joint.bad)):
            shares = [car_share_text(each) for each in (kind.passed, kind.undecided, kind.failed)]
            rows.append((name, f"{word} ({kind.passed.cars})", *shares))
        span = cost_text(joint.cost, joint.cost_low, joint.cost_high)
        rows.append((name, "cost a car", span, "", ""))
    verdict = found.why[:1].upper() + found.why[1:]
    return [
        Table(("Limits", "Cars left out", "pass", "undecided", "fail"), tuple(rows),
              (1.1, 1.6, 2.0, 2.0, 2.0), dense=True),
        Text(f"{'Taken: ' + found.why if found.taken else verdict}.", "lead"),
        Text(f"All figures together, guard bands included; {wrong_text(tuning)}. A bad car that "
             "passes is a missed fault; a good car that fails is a needless repair. Costs are in "
             "the unit they are told in below.", "quiet"),
        *(
            Text(f"{line[:1].upper()}{line[1:]}.", "quiet")
            for line in (*exchange_lines(tuning, found), *held_lines(found))
        ),
    ]  # fmt: skip


def _limits(tuning: Tuning, units: str) -> Table:
    rows = []
    for each in tuning.figures:
        old = _bounds_before(each, tuning)
        before = limits_text([(bound, None) for bound in old], each.unit, units) or "none"
        if each.limit is not None:
            now = limit_text(each, units)
        else:
            now = "none" if each.way == "none" or not old else f"{before} (kept)"
        beyond = "fails below" if each.side == "low" else "fails above"
        finds = "" if each.in_run is None else f"{100 * each.in_run.finds.value:.0f} %"
        fails = "" if each.in_run is None else f"{100 * each.in_run.fails.value:.1f} %"
        rows.append((words(each.figure), beyond, before, now, finds, fails))
    return Table(
        ("Figure", "Side", "Before", "Now", "Bad it finds", "Good it fails"),
        tuple(rows), (2.2, 1.3, 1.4, 1.9, 1.2, 1.2), dense=True,
    )  # fmt: skip


def _bounds_before(each: FigureTuning, tuning: Tuning) -> list[float]:
    """The limit in force on the tuned side; least and greatest where families have their own."""
    limits = tuning.in_force
    groups = [limits.figures, *limits.heaters.values(), *limits.families.values()]
    stands = [group[each.figure] for group in groups if each.figure in group]
    bounds = {limit.low if each.side == "low" else limit.high for limit in stands} - {None}
    known = sorted(bound for bound in bounds if bound is not None)
    return [*dict.fromkeys((known[0], known[-1]))] if known else []


def _changes(changed: Sequence[Changed], units: str) -> ReportPage:
    blocks: list[Block] = []
    groups = [(word, list(runs)) for word, runs in groupby(changed, key=change_word)]
    if not groups:
        blocks.append(Text("No run of the store would change sides."))
    else:
        blocks.append(Bullets(tuple(f"{word}: {len(runs)}" for word, runs in groups)))
    for word, runs in groups:
        rows, more = first_rows(
            [
                (short(each.vehicle, 24), each.run_id[:12], f"{each.before} → {each.after}",
                 short(said_in(each.why, units), 110))
                for each in runs
            ],
            MAX_CHANGED,
            "see `lukewarm tune`",
        )  # fmt: skip
        blocks += [Heading(f"{word} ({len(runs)})"),
                   Table(("Car", "Run", "Verdict", "Why"), rows, (1.2, 1.2, 1.6, 4.6), more,
                         dense=True)]  # fmt: skip
    return ReportPage(
        "What would change", "Runs of the store that would change sides", tuple(blocks)
    )


def _others(tuning: Tuning, units: str) -> ReportPage:
    kept = [each for each in tuning.figures if each.limit is None]
    blocks: list[Block] = [
        Heading("Figures without a new limit"),
        Table(("Figure", "Why"), tuple((words(each.figure), each.why) for each in kept),
              (1.6, 5.0), dense=True),
        Heading("The measuring itself"),
        Text(
            "From runs of one car with one label, the weather taken out: how far repeats lie "
            "apart, and what operators, logger sets and days add. Distinct categories: how many "
            "groups of cars the measuring can tell apart; below 2 it tells none.", "quiet",
        ),
    ]  # fmt: skip
    if tuning.study:
        blocks.append(Bullets(tuple(study_line(each, units) for each in tuning.study)))
    else:
        blocks.append(Text("No car was measured twice in one state: nothing is known of it."))
    return ReportPage("What else was looked at", "Other figures, and the measuring", tuple(blocks))


def _runs(tuning: Tuning) -> list[ReportPage]:
    """The labelled runs; a run's name is the SHA-256 of what it was read from."""
    rows = [
        (
            run_id[:16], short(label.name, 24) if label.of == "car" else "",
            "bad" if label.bad else "good", words(label.cause or ""), short(label.source, 24),
            label.date,
        )
        for run_id, label in sorted(tuning.matched.by_run.items())
    ]  # fmt: skip
    shown, more = first_rows(rows, MAX_RUNS, "see the labels file")
    parts = [shown[at : at + RUNS_A_PAGE] for at in range(0, len(shown), RUNS_A_PAGE)]
    return [
        ReportPage(
            "The labelled runs",
            f"Behind the limits, part {number_} of {len(parts)}",
            (
                Text("A run's name is the beginning of the SHA-256 of its files; the store opens "
                     "it by that name.", "quiet"),
                Table(("Run", "Car", "Label", "Cause", "Source", "Date"), part,
                      (2.0, 1.4, 0.8, 2.0, 1.6, 1.2), more if number_ == len(parts) else "",
                      dense=True),
            ),
        )
        for number_, part in enumerate(parts, start=1)
    ]  # fmt: skip
