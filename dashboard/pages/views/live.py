"""What the live page shows: parts of it from a recording's state."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import quote

from dash import html

from dashboard.live.alarms import shown_alarms
from dashboard.live.terminal import (
    known_figures,
    prediction_text,
    reading_text,
    remaining_text,
    stands_text,
    step_number,
)
from dashboard.plots import theme
from dashboard.text.shown import clean, clock, conversion, figure_text, said_in, words
from dashboard.web.parts import aria

if TYPE_CHECKING:
    from dash.development.base_component import Component

BIG: Final = ("outlet", "ambient", "coolant_in", "engine_coolant", "footwell", "vacuum_source")
"""Points whose readings are shown large, in this order."""
MAX_BIG: Final = 4
DRAWN: Final = (
    "outlet", "outlet_defrost", "outlet_panel", "footwell", "ambient", "inlet_air",
    "coolant_in", "coolant_out", "engine_coolant", "cabin",
)  # fmt: skip
"""Points of the picture: temperatures."""
Step = tuple[str, str, str]

EVENTS: Final[tuple[tuple[str, tuple[Step, ...]], ...]] = (
    (
        "Temperature lever",
        tuple(("temp_lever", str(at), f"{at} %") for at in range(0, 101, 10)),
    ),
    ("Blower", tuple(("blower", str(at), "off" if at == 0 else str(at)) for at in range(5))),
    (
        "Air to",
        (
            ("mode", "floor", "floor"),
            ("mode", "defrost", "defrost"),
            ("mode", "mixed", "mixed"),
            ("mode", "vent", "vent"),
            ("mode", "recirculate", "recirculate"),
        ),
    ),
    ("Engine", (("engine", "start", "starts"), ("engine", "stop", "stops"))),
    (
        "Vacuum source",
        (("vacuum_isolated", "1", "shut off"), ("vacuum_isolated", "0", "open again")),
    ),
)
"""Buttons: heading, then control, position and label of each."""


def nothing_yet() -> Component:
    """What the page says where nothing is being recorded."""
    return html.Div(
        [
            html.H1("No recording is to be seen here."),
            html.P(
                [
                    "Start one on the machine at the car: ",
                    html.Code("lukewarm record PORT --setup run.toml --out RUN --page"),
                    ". It says where its page is to be opened, on a phone too; a recording in "
                    "this board's own folder is shown here by itself.",
                ]
            ),
        ],
        className="live-none",
    )


def now_part(state: Mapping[str, Any], silent_s: float | None, units: str = "si") -> Component:
    """What to do now, in large words.

    Parameters
    ----------
    state
        The recording's state.
    silent_s
        How long the recorder has written nothing, where that is too long; else None.
    units
        ``si`` or ``us``.
    """
    step = state.get("step")
    parts: list[Any] = []
    if silent_s is not None:
        ended = state["state"] == "closed"
        text = (
            "The recording has ended."
            if ended
            else f"The recorder has said nothing for {clock(silent_s)}. Look at its machine."
        )
        parts.append(html.P(text, className="live-ended" if ended else "live-alarm"))
    if state["state"] != "closed":
        parts += [html.P(text, className="live-alarm") for text in shown_alarms(state, units)]
    parts += _step_parts(step) if step is not None else [
        html.H1(f"Recording {clean(state['vehicle'])}", className="live-step")
    ]  # fmt: skip
    parts.append(html.P(clean(stands_text(state)), className="live-stands"))
    cue = state.get("cue") or {"number": 0, "kind": ""}
    parts.append(
        html.Span(
            id="live-cue",
            hidden=True,
            **{"data-number": str(cue["number"]), "data-kind": cue["kind"],
               "data-count": str((step or {}).get("counting") or "")},
        )
    )  # fmt: skip
    return html.Div(parts)


def _step_parts(step: Mapping[str, Any]) -> list[Any]:
    heading = clean(step_number(step) + step["name"])
    parts: list[Any] = [html.H1(heading, className="live-step")]
    parts.append(html.P(clean(step["do"]), className="live-do"))
    if step["counting"] is not None:
        parts.append(html.P(str(step["counting"]), className="live-left"))
    parts += [html.P(f"Paused: {clean(text)}", className="live-paused") for text in step["paused"]]
    left = remaining_text(step, "press Done")
    if left and step["counting"] is None:
        parts.append(html.P(left, className="live-left"))
    if step["caution"]:
        parts.append(html.P(f"Caution: {clean(step['caution'])}", className="live-caution"))
    parts += [html.P(f"Still missing: {clean(text)}") for text in step["missing"]]
    if step["missed"]:
        parts.append(html.P(f"Left out: {clean(', '.join(step['missed']))}"))
    parts += [html.P(clean(text), className="quiet") for text in step["warnings"][-1:]]
    if step["following"]:
        parts.append(html.P(f"Next: {clean(step['following'])}", className="quiet"))
    return parts


def button(control: str, position: str, label: str, kind: str, *, on: bool = False) -> Component:
    """A button that notes an event, or types a key of the plan; `on` where the control stands."""
    return html.Button(
        label,
        id={"type": "live-do", "control": control, "position": position},
        className=" ".join(["button", "second", *kind.split(), *(["live-on"] if on else [])]),
        type="button",
        **aria(pressed="true" if on else "false"),
    )


def events_part(state: Mapping[str, Any]) -> Component:
    """The buttons that note events; each shows where its control stands now."""
    stands = state.get("stands") or {}
    return html.Div(
        [
            html.Div(
                [
                    html.Span(heading, className="live-heading"),
                    *(
                        button(control, position, label, "", on=stands.get(control) == position)
                        for control, position, label in steps
                    ),
                ],
                className="live-buttons",
                role="group",
                **aria(label=heading),
            )
            for heading, steps in EVENTS
        ]
    )


def numbers_part(state: Mapping[str, Any], units: str) -> Component:
    """The big numbers: readings, and the outlet's rise to come."""
    by_point = {each["point"]: each for each in state["readings"]}
    big = [point for point in BIG if point in by_point][:MAX_BIG]
    tiles = [_tile(words(point), reading_text(by_point[point], units), "") for point in big]
    ahead = state.get("prediction")
    if ahead and ahead.get("value") is not None:
        tiles.append(_tile("outlet rise to come", prediction_text(ahead, units), "95 % interval"))
    elif ahead and ahead.get("note"):
        tiles.append(_tile("outlet rise to come", "–", said_in(ahead["note"], units)))
    return html.Div(tiles, className="live-numbers")


def _tile(name: str, value: str, below: str) -> Component:
    number, _, unit = value.rpartition(" ")
    shown = [html.Span(number or value, className="live-number")]
    if number:
        shown.append(html.Span(f" {unit}", className="live-unit"))
    parts = [html.Span(name, className="live-name"), html.Span(shown)]
    if below:
        parts.append(html.Span(below, className="quiet live-below"))
    return html.Div(parts, className="live-tile")


def health_part(state: Mapping[str, Any], units: str) -> Component:
    """Sensor health: every point with its reading, and what is wrong with it."""
    told = [*state["warnings"], *state.get("watch", [])]
    bad = {each["point"]: each["fault"] for each in told}
    details = [said_in(each["detail"], units) for each in told]
    rows = []
    for each in state["readings"]:
        point = each["point"]
        word = "no reading" if not each["fresh"] else words(bad[point]) if point in bad else "good"
        good = word == "good"
        rows.append(
            html.Li(
                [
                    html.Span("✓" if good else "✕", className="live-sign"),
                    html.Span(words(point), className="live-point"),
                    html.Span(reading_text(each, units), className="number live-value"),
                    html.Span("" if good else word, className="live-word"),
                ],
                className="live-good" if good else "live-bad",
            )
        )
    rows += [
        html.Li(
            [
                html.Span("✕", className="live-sign"),
                html.Span(words(point), className="live-point"),
                html.Span("–", className="number live-value"),
                html.Span("nothing yet", className="live-word"),
            ],
            className="live-bad",
        )
        for point in state["silent"]
    ]
    return html.Div(
        [
            html.Ul(rows, className="live-health"),
            html.Ul([html.Li(text) for text in details], className="plain"),
        ]
    )


def figures_part(state: Mapping[str, Any], units: str) -> Component:
    """Figures known so far, and what was said last."""
    known = known_figures(state)
    rows = [
        html.Tr([html.Th(words(name), scope="row"), html.Td(figure_text(each, units))])
        for name, each in known
    ]
    said = [
        html.Li(f"{clock(each['at_s'])}  {clean(each['text'])}") for each in reversed(state["said"])
    ]
    reason = clean(state.get("figures_reason") or "")
    return html.Div(
        [
            html.Table(html.Tbody(rows)) if rows else html.P(reason or "none yet"),
            html.H2("Noted"),
            html.Ul(said, className="plain"),
            html.P(f"{state['lines']} lines recorded", className="quiet"),
        ]
    )


def drawn_points(points: Sequence[str]) -> list[str]:
    """Which of a recording's points the picture shows, in order of its lines."""
    return [point for point in DRAWN if point in points]


def columns_of(
    points: Sequence[str],
    time_s: Sequence[float],
    values: Sequence[Sequence[float | None]],
    units: str,
) -> tuple[list[list[float]], list[list[float | None]]]:
    """Lines of the picture: minutes and shown values, one list a drawn point."""
    shown = conversion("degC", units)
    minutes = [round(at / 60.0, 4) for at in time_s]
    lines: list[list[float | None]] = []
    for point in drawn_points(points):
        column = values[list(points).index(point)] if values else []
        lines.append(
            [None if v is None else round(v * shown.factor + shown.offset, 2) for v in column]
        )
    return [minutes for _ in lines], lines


def legend_part(points: Sequence[str]) -> Component:
    """Names of the picture's lines; outside the picture, where they may wrap."""
    entries = []
    for point in drawn_points(points):
        sample = theme.line_sample(point).replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"')
        picture = html.Img(src=f"data:image/svg+xml,{quote(sample)}", alt="")
        entries.append(html.Li([picture, " ", words(point)]))
    return html.Ul(entries, className="plain legend")


def picture(
    points: Sequence[str], x: list[list[float]], y: list[list[float | None]], units: str
) -> dict[str, Any]:
    """The last ten minutes as a Plotly figure."""
    layout = theme.base_layout() | {
        "uirevision": "live",
        "height": 320,
        "xaxis": theme.axis(title={"text": "min since the recording began"}, fixedrange=True),
        "yaxis": theme.axis(title={"text": conversion("degC", units).unit}, fixedrange=True),
        "showlegend": False,
        "hovermode": False,
    }
    data = [
        {
            "type": "scatter",
            "mode": "lines",
            "name": words(point),
            "x": x[at],
            "y": y[at],
            "line": theme.line_of(point),
            "connectgaps": False,
        }
        for at, point in enumerate(drawn_points(points))
    ]
    return {"data": data, "layout": layout}
