"""The owner's page: plain words, one picture that answers one question."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from analysis.causes.knowledge import NO_FAULT
from analysis.figures import KEY_FIGURE
from analysis.repair.verdict import lead_cause
from dashboard.report.blocks import Block, Bullets, Heading, ReportPage, Text, short
from dashboard.report.owner_facts import facts
from dashboard.report.owner_picture import warmth_picture
from dashboard.report.remarks import done_lines, seen_lines
from dashboard.report.subject import Subject

if TYPE_CHECKING:
    from analysis.pipeline import Analysis

LIKELY: Final = 0.10
"""Causes less probable than this are not named."""

SURE: Final = 0.5


def owner_page(subject: Subject) -> ReportPage:
    """The page for the owner."""
    about = subject.now.run.setup.run
    picture = warmth_picture(subject)
    blocks: list[Block] = [Text(answer(subject), "lead")]
    if picture is not None:
        blocks += [Heading("How warm is the air, minute by minute?"), picture, Text(picture.says)]
    else:
        blocks.append(Text("The warm air itself was not measured, so there is no curve to show."))
    blocks += [
        Heading("What we measured"),
        Bullets(tuple(facts(subject))),
        Heading("What was wrong" if subject.before else "What is wrong"),
        *(Text(line) for line in what_was_wrong(subject)),
        *(Text(line) for line in seen_lines(subject)),
        *_done(subject),
        Heading("Is it warm now?" if subject.before else "What comes next"),
        Text(closing(subject)),
    ]
    return ReportPage(
        "For the owner", f"{short(about.vehicle)}: is the heater warm?", tuple(blocks)
    )


def answer(subject: Subject) -> str:
    """The page's first sentence."""
    now = _status(subject.now)
    if subject.repair is None:
        return now
    unchanged = "Nothing has changed since the first test."
    return {
        "repaired": "Yes. The heater works as it should again.",
        "improved": f"It is better than before. {now}",
        "unchanged": f"{unchanged} {now}",
        "worse": f"It is worse than before. {now}",
        "cannot tell": f"{now} The two tests cannot be compared.",
    }[subject.repair.outcome]


def _status(analysis: Analysis) -> str:
    """Whether the heater is warm by this run alone."""
    key = analysis.judged[KEY_FIGURE].verdict
    if key == "pass" and analysis.judged[KEY_FIGURE].limit is None:
        return "The heater's warmth was measured; no limit is set to judge it by."
    if key == "pass" and (analysis.verdict == "fail" or lead_cause(analysis)):
        return "The heater gets warm, but something else is not right."
    if key == "pass" and analysis.verdict != "pass":
        return "The heater gets warm, but this test could not decide everything."
    if key == "pass":
        return "Yes, the heater is warm."
    if key == "fail":
        return "No, the heater is not as warm as it should be."
    if key == "undecided":
        return "The heater is so near its limit that it cannot be told yet."
    return "This test could not show how warm the heater gets."


def closing(subject: Subject) -> str:
    """The page's last sentence."""
    now, repair = subject.now, subject.repair
    if repair is not None and repair.outcome == "repaired":
        if now.verdict == "pass":
            return "Yes. Everything that could be measured is as it should be."
        return "Yes. What was wrong before is put right; nothing else failed in this test."
    check = now.next_check
    fault = lead_cause(now) is not None
    if now.verdict == "pass" and not fault:
        return "Everything that could be measured is as it should be."
    if check is None:
        return UNDECIDED
    minutes = f"{check.check.minutes:g}"
    again = f"{_status(now)} " if repair is not None else ""
    sound = now.causes[0].cause == NO_FAULT and now.verdict != "fail" if now.causes else False
    if sound and now.verdict != "pass":
        again += "Not everything could be decided. "
    if sound:
        again += "The test found nothing that must be repaired. Should the complaint stay: "
    title = short(check.check.title, 120)
    step = f"{title[:1].lower()}{title[1:]} (about {minutes} minutes)"
    return f"{again}{'t' if sound else 'T'}he next step in the workshop is to {step}."


UNDECIDED: Final = "This test could not decide everything; a longer one would tell more."


def what_was_wrong(subject: Subject) -> list[str]:
    """The likely causes in plain words.

    Where a figure failed, or a repair is proved, something was wrong: that nothing was is then no
    answer any more.
    """
    proved = subject.repair is not None and subject.repair.outcome == "repaired"
    faulty = proved or subject.first.verdict == "fail"
    causes = [
        each
        for each in subject.first.causes
        if each.probability >= LIKELY and not (faulty and each.cause == NO_FAULT)
    ][:3]
    if not causes:
        return ["The test points to no single cause."]
    first, others = causes[0], causes[1:]
    lead = "Most likely" if first.probability >= SURE else "Perhaps"
    text = f"{lead} {first.title} ({first.probability:.0%})."
    if others:
        named = ", or ".join(f"{each.title} ({each.probability:.0%})" for each in others)
        text += f" It could also be that {named}."
    return [text.replace("%", " %")]


def _done(subject: Subject) -> list[Block]:
    lines = done_lines(subject)
    return [Heading("What was done"), Bullets(tuple(lines))] if lines else []
