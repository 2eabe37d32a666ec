"""The work order's page: found, checked, done, before and after, what to check next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from analysis.result import document
from dashboard.plots import theme
from dashboard.report.blocks import (
    Blank,
    Block,
    Bullets,
    Heading,
    ReportPage,
    Table,
    Text,
    first_rows,
    short,
)
from dashboard.report.remarks import check_title, done_lines
from dashboard.report.subject import Subject
from dashboard.text.answer import below, cable_sentence, headline
from dashboard.text.shown import COVERAGE, figure_text, limit_text, said_in, words

if TYPE_CHECKING:
    from analysis.measurement import Measurement
    from analysis.pipeline import Analysis
    from analysis.repair.verdict import Change

LIKELY: Final = 0.10
MAX_CAUSES: Final = 2
MAX_REASONS: Final = 3
MAX_FAILING: Final = 3
MAX_CHECKS: Final = 2
LONGEST_BELOW: Final = 160
LONGEST_REMARK: Final = 50
LONGEST_REASONS: Final = 200


def work_order_page(subject: Subject) -> ReportPage:
    """The page for the work order."""
    lines = below(subject.result)
    blocks: list[Block] = [
        identity(subject, papers(subject)),
        Text(headline(subject.result, subject.units), "lead"),
        *([Text(short(" ".join(lines), LONGEST_BELOW), "quiet")] if lines else []),
        Heading("Found" if subject.before is None else "Found before the repair"),
        *_found(subject),
        Heading("Checked by hand and eye"),
        _checked(subject),
        Heading("Done"),
        _done(subject),
        *_before_and_after(subject),
        *_next(subject),
        signed(subject),
    ]
    vehicle = short(subject.now.run.setup.run.vehicle)
    return ReportPage("Work order", f"The heater of {vehicle}", tuple(blocks))


def identity(subject: Subject, *more: tuple[str, ...]) -> Table:
    """Which car, which runs, who and when; `more` are rows below."""
    about = subject.now.run.setup.run
    where = ", ".join(short(each, 24) for each in (about.plant, about.operator) if each)
    rows = [
        ("Vehicle", short(about.vehicle), "Family, heater", _pair(about.family, about.heater)),
        ("Run", run_name(subject.now), "Report made", f"{subject.made:%Y-%m-%d %H:%M}"),
    ]
    if subject.before is not None:
        who = ("Where, who", where) if where else ("", "")
        rows.append(("Run before", run_name(subject.before), *who))
    elif where:
        rows.append(("Where, who", where, "", ""))
    return Table((), (*rows, *more), (1.1, 3.1, 1.5, 2.5))


TO_FILL_IN: Final = "_" * 22
"""Printed where a field of the papers is not given."""


def papers(subject: Subject) -> tuple[str, ...]:
    """Order number and odometer."""
    order, odometer = (
        short(each) or TO_FILL_IN for each in (subject.papers.order, subject.papers.odometer)
    )
    return ("Order", order, "Odometer", odometer)


def signed(subject: Subject) -> Table:
    """Who did the work, and room for the signature."""
    given = subject.papers.technician or subject.now.run.setup.run.operator or ""
    technician = short(given, 24)
    row = ("Technician", technician or TO_FILL_IN, "Signature", TO_FILL_IN)
    return Table((), (row,), (1.5, 3.0, 1.2, 2.5))


def _pair(*parts: str | None) -> str:
    return ", ".join(short(each) for each in parts if each)


def run_name(analysis: Analysis) -> str:
    """Folder and date of a run."""
    started = analysis.run.started
    date = f", {started:%Y-%m-%d %H:%M}" if started else ""
    return f"{short(analysis.run.name, 28)}{date}"


def _found(subject: Subject) -> list[Block]:
    first = subject.first
    failing = [
        f"{words(name)} {figure_text(_entry(judged.measurement), subject.units)}, "
        f"limit {limit_text(_limits(judged), subject.units)}"
        for name, judged in first.judged.items()
        if judged.verdict == "fail"
    ]
    named = "; ".join(failing[:MAX_FAILING])
    rest = len(failing) - MAX_FAILING
    named += f"; and {rest} more" if rest > 0 else ""
    verdict = f"Outside the limits: {named}." if failing else f"Verdict: {first.verdict}."
    causes = [each for each in first.causes if each.probability >= LIKELY][:MAX_CAUSES]
    found = document(first)
    sentence = str((found["cable"] or {}).get("sentence"))
    rows = tuple(
        (
            f"{each.probability:.0%}".replace("%", " %"),
            each.title,
            short(_reasons(_cable_first(each.evidence, sentence), subject.units), LONGEST_REASONS),
        )
        for each in causes
    )  # fmt: skip
    table = Table(("Chance", "Cause", "Why (value ± U, and what is usual)"), rows, (1.0, 3, 6.6))
    cable = cable_sentence(found, subject.units)
    said = cable[1:-1] in str(rows)  # reasons are cut to a line
    return [Text(verdict if said else f"{verdict} {cable}".strip()), *([table] if rows else [])]


def _cable_first(evidence: Sequence[str], sentence: str) -> list[str]:
    """Reasons with the one first that says what to do at the cable: the others may be cut."""
    return sorted(evidence, key=lambda reason: reason != sentence)


def _reasons(evidence: Sequence[str], units: str) -> str:
    return "; ".join(said_in(reason, units).rstrip(".") for reason in evidence[:MAX_REASONS])


def _entry(measurement: Measurement) -> Mapping[str, Any]:
    return {"value": measurement.value, "u": measurement.u, "unit": measurement.unit}


def _limits(judged: Any) -> Mapping[str, Any]:
    limit = judged.limit
    bounds = {} if limit is None else {"low": limit.low, "high": limit.high}
    return {"unit": judged.measurement.unit, "u": judged.measurement.u, "limit": bounds}


def _checked(subject: Subject) -> Block:
    newest = {line.check: line for line in subject.checks}
    if not newest:
        return Text("Nothing is noted on the check sheet.", "quiet")
    rows = [
        (
            short(line.time.replace("T", " ")[:16]),
            check_title(line.check),
            "found" if line.found else "good",
            short(line.remark, LONGEST_REMARK),
        )
        for line in reversed(newest.values())
    ]
    kept, more = first_rows(rows, MAX_CHECKS, "see checks.csv")
    return Table(("When", "Check", "Result", "Remark"), kept, (1.9, 3.5, 0.8, 3.3), more)


def _done(subject: Subject) -> Block:
    lines = done_lines(subject)
    return Bullets(tuple(lines)) if lines else Blank(2)


def _before_and_after(subject: Subject) -> list[Block]:
    repair = subject.repair
    if repair is None:
        return []
    shown = [change for change in repair.changes if change.change.value is not None]
    rows = [_change_row(change, subject) for change in shown]
    notes = [f"± is U, the expanded uncertainty (k = {COVERAGE:g})."]
    if repair.weather.ratio != 1.0:
        notes.append(
            f"* The earlier value times {repair.weather.ratio:.2f} first: the difference between "
            "coolant and outside air was another that day."
        )
    if repair.same_sensors:
        notes.append("Same logger and sensors both times: errors of their own cancel.")
    left = len(repair.changes) - len(shown)
    if left:
        notes.append(f"Left out, as not measured in both runs: {left}.")
    head = ("Figure", "Before", "After", "Change", "", "Limits", "After")
    return [
        Heading(f"Before and after: {repair.outcome}"),
        Text(said_in(repair.sentence, subject.units)),
        *(Text(f"Caution: {doubt}.", "caution") for doubt in subject.doubts),
        Table(head, tuple(rows), (2.5, 2.3, 2.3, 2.5, 0.9, 1.8, 1.4), dense=True),
        Text(" ".join(notes), "quiet"),
    ]


def _change_row(change: Change, subject: Subject) -> tuple[str, ...]:
    judged = subject.now.judged[change.name]
    told = change.matters or change.failed_before != change.failed_after
    word = {1: "better", -1: "worse", 0: ""}[change.better] if told else ""
    change_text = figure_text(_entry(change.change), subject.units)
    sign = "+" if (change.change.value or 0.0) > 0 and not change_text.startswith("0 ") else ""
    return (
        words(change.name),
        figure_text(_entry(change.before), subject.units),
        figure_text(_entry(change.after), subject.units),
        f"{sign}{change_text}{' *' if change.scale != 1.0 else ''}",
        word,
        limit_text(_limits(judged), subject.units) or "–",
        verdict_cell(judged.verdict, limited=judged.limit is not None),
    )


def verdict_cell(verdict: str, *, limited: bool) -> str:
    """A verdict with its sign; a figure without a limit has none."""
    if verdict != "not measured" and not limited:
        return "no limit"
    style = theme.verdict_style(verdict)
    return f"{style.sign} {style.word}".strip()


def _next(subject: Subject) -> list[Block]:
    check = subject.now.next_check
    if check is None or (subject.repair is not None and subject.repair.outcome == "repaired"):
        return []
    row = check.check
    return [
        Heading(f"Next check: {row.title} ({row.minutes:g} min)"),
        Text(row.how),
        Text(f"Caution: {row.caution}", "caution"),
    ]
