"""What the page of one car shows: from a result, readings and limits to components."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from dash import html

from dashboard.pages.views.car_beside import beside_section
from dashboard.pages.views.car_checks import check_section
from dashboard.pages.views.car_figures import figures_section, standing
from dashboard.pages.views.car_papers import actions
from dashboard.pages.views.car_repair import repair_answer, repair_section
from dashboard.pages.views.car_shown import Shown
from dashboard.plots.car import car_plot
from dashboard.plots.run import LETTERS
from dashboard.plots.run_page import answer_of, windows_of
from dashboard.plots.theme import line_sample
from dashboard.text.answer import WORTH_NAMING, cable_line
from dashboard.text.shown import clean, clock, said_in, span, words
from dashboard.web import address, parts
from dashboard.web.service import UPLOAD_ID

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.plots.readings import Readings

PICTURE_PX: Final = 780


def first(document: Mapping[str, Any] | None, units: str) -> list[Component]:
    """The answer alone: what stands there before the page is made."""
    if document is None:
        return [html.H1("Does the heater work as it should?")]
    answer = answer_of(document, units)
    return [
        html.H1(answer.question),
        parts.answered(document, units),
        *(html.P(line) for line in answer.below),
    ]


def answer(shown: Shown) -> list[Any]:
    """What the page says first."""
    if shown.document is None:
        fleet = html.A("Look at the fleet", href="/")
        told: list[Any] = ["There is no such run here. ", fleet, "."]
        return [*first(None, shown.units), html.P(told, className="reply")]
    return [*first(shown.document, shown.units), *repair_answer(shown)]


def below(shown: Shown) -> list[Any]:
    """The page below its controls."""
    document = shown.document
    if document is None:
        return []
    return [
        parts.quiet(_subject(document), *_judged(shown)),
        *([_dropped()] if UPLOAD_ID.fullmatch(shown.run) else []),
        actions(shown),
        *_picture(shown),
        html.Div(
            [
                # a part on the bench has no check sheet: it is the check
                *([] if _is_bench(document) else [check_section(shown)]),
                *_causes(document, shown.units),
            ],
            className="causes",
        ),
        repair_section(shown),
        figures_section(document, standing(shown.board, shown.run, document), shown.units),
        beside_section(shown),
        *_log(document, shown.units),
    ]


def _subject(document: Mapping[str, Any]) -> str:
    about = document.get("run", {})
    what = "part" if _is_bench(document) else "heater"
    told = [about.get(key) for key in ("family", what, "purpose", "name")]
    started = str(about.get("started") or "")[:10]
    subject = ", ".join(clean(part) for part in (*dict.fromkeys(told), started) if part)
    return f"{subject}. "


def _is_bench(document: Mapping[str, Any]) -> bool:
    """Whether the run is of a part on the bench."""
    return bool(document.get("run", {}).get("purpose") == "bench")


def _judged(shown: Shown) -> list[str]:
    """By what the run was judged, and whether that still holds."""
    source, about = shown.board.source, (shown.document or {}).get("run", {})
    if _is_bench(shown.document or {}):
        return ["Judged by what is asked of the part itself."]
    if shown.run in source.judged_otherwise():
        version = clean((shown.document or {}).get("limits", {}).get("version", "others"))
        return [
            f"Judged by limits {version} with other good cars or limits than those now in force: "
            f"bring it up to date with lukewarm store refresh {source.title}."
        ]
    return [f"Judged by {source.judged_by(about.get('family'), str(about.get('heater')))}."]


def _dropped() -> Component:
    return parts.quiet(
        "This log was dropped on the board and is kept for a while only. "
        "Add its run folder to the store to keep it."
    )


def _causes(document: Mapping[str, Any], units: str) -> list[Any]:
    cable = cable_line(document, units)
    causes = [
        each
        for each in document.get("causes", ())
        if float(each.get("probability") or 0.0) >= WORTH_NAMING
    ]
    if not causes:
        return []
    items = []
    for each in causes:
        share = 100.0 * float(each["probability"])
        evidence = [said_in(reason, units) for reason in each.get("evidence") or ()]
        items.append(
            html.Li(
                [
                    html.Div(
                        [
                            html.Span(f"{share:.0f} %", className="share number"),
                            html.Span(className="bar", style={"width": f"{0.1 * share:.2f}em"}),
                            html.Strong(clean(each.get("title") or words(each["cause"]))),
                        ],
                        className="cause",
                    ),
                    parts.plain_list(evidence, kind="evidence") if evidence else None,
                ]
            )
        )
    told = html.Ol(items, className="plain")
    return [parts.section("What is the likeliest cause?", told, html.P(cable) if cable else None)]


def picture_note(readings: Readings, from_s: float | None = None, to_s: float | None = None) -> str:
    """How true the picture is to the readings."""
    time = readings.frame["time_s"]
    inside = readings.rows
    if from_s is not None and to_s is not None:
        inside = int(((time >= from_s) & (time <= to_s)).sum())
    thinned = any(readings.line(point, from_s, to_s).thinned for point in readings.channels)
    if not thinned:
        return f"All {inside:,} readings are drawn."
    return (
        f"Thinned for display: {inside:,} readings are too many to draw, the lowest and highest of "
        "every piece are. Zoom in to see more; figures are never taken from thinned lines."
    )


def _picture(shown: Shown) -> list[Any]:
    readings = shown.board.readings(shown.run)
    if readings is None or not readings.channels or shown.document is None:
        return []
    windows = windows_of(shown.document)
    bench = _is_bench(shown.document)
    picture = car_plot(readings, windows, shown.units, shown.from_s, shown.to_s, bench=bench)
    legend = [
        html.Li([html.Img(src=sample(point), alt="", width=38, height=10), " ", words(point)])
        for point in picture.legend
    ]
    key = [
        html.Li(
            [
                html.Span(letter, className="letter"),
                f"{clean(window.label)}, {clock(window.from_s)} to {clock(window.to_s)}",
            ]
        )
        for letter, window in zip(LETTERS, windows, strict=False)
    ]
    return [
        parts.section(
            "What happened during the run?",
            html.Ul(legend, className="plain legend", **parts.aria(label="Lines")),
            parts.graph("car-picture", picture.figure, PICTURE_PX),
            html.Ul(key, className="plain", **parts.aria(label="Marked windows")) if key else None,
            html.P(
                picture_note(readings, shown.from_s, shown.to_s),
                id="car-picture-note",
                className="quiet",
                **parts.aria(live="polite"),
            ),
            html.Div(_zoom_controls(shown), className="controls of-state screen-only"),
        )
    ]


def _zoom_controls(shown: Shown) -> list[Component]:
    """Zooming without a mouse, in minutes."""
    ends = (shown.from_s, shown.to_s)
    first, last = ("" if at is None else f"{at / 60.0:.4g}" for at in ends)
    kept = {"run": shown.run, "before": shown.before, "beside": shown.beside,
            "units": shown.units}  # fmt: skip
    return [
        parts.field("from", "From, min", first, of=shown.run, short=True),
        parts.field("to", "To, min", last, of=shown.run, short=True),
        html.Div(
            html.A("Show the whole run", href=address.link("/car", kept), className="same-page",
                   id="whole-run"),
            className="control",
        ),
        parts.quiet("Type both ends to zoom in, or drag over the picture."),
    ]  # fmt: skip


def sample(point: str) -> str:
    """A piece of a point's line as a picture."""
    from urllib.parse import quote

    drawn = line_sample(point).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    return f"data:image/svg+xml,{quote(drawn, safe='/:=')}"


def _log(document: Mapping[str, Any], units: str) -> list[Any]:
    told = []
    for each in document.get("quality", ()):
        where = ", ".join(
            part
            for part in (
                words(str(each["channel"])) if each.get("channel") else "",
                span(each.get("from_s"), each.get("to_s")),
            )
            if part
        )
        what = said_in(each.get("detail") or words(str(each.get("fault", ""))), units)
        told.append(f"{where}: {what}" if where else what)
    if not told:
        return []
    more = [f"and {len(told) - 40} more"] if len(told) > 40 else []
    return [
        parts.section(
            "Is the log to be trusted?", parts.plain_list(told[:40] + more, kind="faults")
        )
    ]
