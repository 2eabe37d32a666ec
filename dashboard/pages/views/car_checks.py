"""The check sheet on a car's page: what to check next, what was found, and a line to note it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from dash import html

from dashboard.text.shown import clean, said_in, words
from dashboard.web import parts
from ingest.errors import UnusableRun

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

    from dashboard.pages.views.car_shown import Shown
    from ingest.check_sheet import Checked

QUESTION: Final = "What to check next?"
ANSWERS: Final = {True: "found something", False: "found nothing"}


def check_section(shown: Shown) -> Component:
    """What to check next and how, and the run's check sheet."""
    following = _next(shown.document or {}, shown.units)
    try:
        sheet = shown.board.sheet(shown.run)
    except UnusableRun as error:
        wrong = parts.faults(str(error).splitlines(), "The check sheet cannot be read")
        return parts.section(QUESTION, *following, wrong)
    return parts.section(QUESTION, *following, *_noted(sheet), _form(shown, len(sheet)))


def _next(document: Mapping[str, Any], units: str) -> list[Any]:
    check = document.get("next_check")
    if not check or document.get("verdict") == "pass":
        return [html.P("Nothing: no check would change this answer.", className="reply")]
    minutes = check.get("minutes")
    title = clean(check.get("title") or words(str(check.get("check", ""))))
    told: list[Any] = [
        html.P(f"{title} ({minutes:g} min)" if minutes is not None else title, className="reply")
    ]
    if check.get("why"):
        told.append(html.P(f"Why: {said_in(check['why'], units)}."))
    if check.get("how"):
        told.append(html.P(clean(check["how"])))
    if check.get("caution"):
        told.append(html.P([html.Strong("Caution: "), clean(check["caution"])]))
    return told


def _noted(sheet: list[Checked]) -> list[Any]:
    """What was found so far, newest first."""
    if not sheet:
        return []
    titles = _titles()
    lines = [
        f"{clean(line.time)[:16].replace('T', ' ')}: {titles.get(line.check, words(line.check))}: "
        f"{ANSWERS[line.found]}{f' ({clean(line.remark)})' if line.remark else ''}"
        for line in reversed(sheet)
    ]
    return [html.H3("Checked so far"), parts.plain_list(lines, "Checks that were done")]


def _titles() -> dict[str, str]:
    from analysis.causes.knowledge import noted_checks

    return {row.name: row.title for row in noted_checks()}


def _form(shown: Shown, lines: int) -> Component:
    """Note a check; the causes and the next check follow."""
    titles = _titles()
    check = (shown.document or {}).get("next_check") or {}
    proposed = str(check.get("check", ""))
    chosen = proposed if proposed in titles else next(iter(titles))
    kept = {"run": shown.run, "before": shown.before, "units": shown.units}
    return html.Details(
        [
            html.Summary("Note what a check found"),
            html.Form(
                [
                    parts.kept(kept),
                    parts.select("check", "Check", titles, chosen, wide="broad"),
                    parts.field("remark", "What was seen, in your words", "", of=shown.run,
                                wide="broad"),
                    html.Div(
                        [
                            html.Button("Found something", name="found", value="yes",
                                        type="submit", className="button"),
                            html.Button("Found nothing", name="found", value="no",
                                        type="submit", className="button second"),
                        ],
                        className="buttons",
                    ),
                ],
                method="post",
                action="/checked",
                className="controls",
            ),
            parts.quiet("It is noted on the run's check sheet; the causes and the next check "
                        "follow. The newest answer of a check counts."),
        ],
        className="screen-only",
        id="note-check",
        **parts.about(f"{shown.run} {lines}"),
    )  # fmt: skip
