"""Pieces pages are put together from: labelled controls, verdicts, notes, links."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from dash import dcc, html

from dashboard.plots import theme
from dashboard.text.answer import headline
from dashboard.text.shown import clean
from dashboard.web.light import as_light, light

if TYPE_CHECKING:
    from dash.development.base_component import Component

SLIDER_STEPS: Final = 400
UNITS: Final = {"si": "SI (°C, kPa)", "us": "US (°F, inHg)"}

GRAPH: Final[Any] = {
    "displaylogo": False,
    "displayModeBar": False,
    "responsive": True,
    "plotlyServerURL": "",
    "doubleClick": "reset",
}
"""Plotly's settings for every graph."""


def graph(graph_id: str, figure: Any, height_px: float) -> Component:
    """A plot in a place of its height, so that nothing moves when it is drawn at last."""
    plot = dcc.Graph(
        id=graph_id, figure=figure, config=GRAPH, style={"height": f"{height_px:.0f}px"}
    )
    return html.Div(plot, className="graph", style={"minHeight": f"{height_px:.0f}px"})


def aria(**names: str) -> dict[str, Any]:
    """Attributes for screen readers: ``aria(label="Lines")`` is ``aria-label="Lines"``."""
    return {f"aria-{name}": text for name, text in names.items()}


def about(run: str) -> dict[str, Any]:
    """What belongs to one run: it stays as the visitor left it only there (assets/stay.js)."""
    return {"data-of": run}


def form(form_id: str, *controls: Any) -> Component:
    """Controls whose values go into the address as soon as they change (see assets/board.js).

    Controls further down the page belong to it where they stand in an element of the class
    ``of-state``.
    """
    return html.Form(
        [
            *controls,
            # Enter in a field is enough; those who look for a button find one
            html.Button("Show", type="submit", className="button second unseen"),
        ],
        id=form_id,
        method="get",
        className="controls state",
    )


def select(
    name: str,
    label: str,
    options: Mapping[str, str],
    value: str,
    *,
    usual: str = "",
    resets: str = "",
    wide: str = "",
) -> Component:
    """One choice of many, with its label.

    Parameters
    ----------
    name
        Key in the address.
    label
        For people.
    options
        What is shown by value.
    value
        The one chosen.
    usual
        The value that goes without saying: it is left out of the address.
    resets
        Names of other fields that are emptied with a new choice.
    wide
        Class of the control, ``broad`` for long texts.
    """
    data: dict[str, Any] = {"data-usual": usual, "data-resets": resets}
    control = html.Div(
        [
            html.Label(label, htmlFor=f"choose-{name}"),
            html.Select(
                [
                    html.Option(text, value=key, selected=key == value)
                    for key, text in options.items()
                ],
                id=f"choose-{name}",
                name=name,
                className="text",
                **data,
            ),
        ],
        className=f"control {wide}".strip(),
    )
    return light(control)


def units(value: str, usual: str, resets: str = "") -> Component:
    """The choice of units."""
    return select("units", "Units", UNITS, value, usual=usual, resets=resets)


def slider(
    name: str,
    label: str,
    value: str,
    ends: tuple[float, float],
    *,
    unit: str,
    usual: str,
    log: bool = False,
) -> Component:
    """A slider with a field beside it that holds the very number; a light part.

    Parameters
    ----------
    name
        Key in the address; the field has it, the slider follows it and moves it.
    label
        For people.
    value
        The number chosen.
    ends
        Of the slider; the field takes any number.
    unit
        Read out with the number.
    usual
        The number that goes without saying.
    log
        Whether the slider moves by factors.
    """
    low, high = (math.log10(end) for end in ends) if log else ends
    # the browser keeps a slider on its steps: they begin at its low end, the field has no steps
    sliding = {
        "type": "range", "id": f"choose-{name}-slider", "min": f"{low:.9g}", "max": f"{high:.9g}",
        "step": f"{(high - low) / SLIDER_STEPS:.9g}", "data-for": f"choose-{name}",
        "data-unit": unit, "data-scale": "log" if log else "even", "aria-label": label,
    }  # fmt: skip
    written = {
        "type": "text", "inputmode": "decimal", "id": f"choose-{name}", "name": name,
        "value": value, "class": "text short", "data-usual": usual, "maxlength": "20",
        "autocomplete": "off",
    }  # fmt: skip
    return as_light(
        ["div", {"class": "control slide"},
         ["label", {"for": f"choose-{name}"}, label],
         ["div", {"class": "slide-row"}, ["input", sliding], ["input", written]]]
    )  # fmt: skip


def field(
    name: str, label: str, value: str, *, of: str = "", short: bool = False, wide: str = ""
) -> Component:
    """A line of text; it counts when the visitor leaves it or presses Enter.

    A light part: what is being typed is the browser's alone. A field of Dash is written anew with
    every letter, and on a slow phone letters are lost and change places.

    Parameters
    ----------
    name
        Key in the address or the form.
    label
        For people.
    value
        What stands in it first.
    of
        What it is about: what was typed is kept as long as that is the same (assets/stay.js).
    short
        Whether it holds a number.
    wide
        Class of the control, ``broad`` for long texts.
    """
    written = {
        "type": "text", "id": f"choose-{name}", "name": name, "value": value, "data-of": of,
        "class": "text short" if short else "text", "maxlength": "80", "autocomplete": "off",
    }  # fmt: skip
    return as_light(
        ["div", {"class": f"control {wide}".strip()},
         ["label", {"for": f"choose-{name}"}, label], ["input", written]]
    )  # fmt: skip


def kept(values: Mapping[str, str]) -> Component:
    """What a form sends along that nobody changes in it."""
    told = [["input", {"type": "hidden", "name": key, "value": text}]
            for key, text in values.items()]  # fmt: skip
    return as_light(["div", {"class": "unseen"}, *told])


def verdict(word: str, *, limited: bool = True) -> Component:
    """A verdict with its sign."""
    style = theme.verdict_style(word if limited else "no limit")
    kind = theme.verdict_class(word if limited else "no limit")
    return html.Span(f"{style.sign} {style.word}".strip(), className=f"verdict {kind}")


def answered(document: Mapping[str, Any], units: str) -> Component:
    """The first sentence on a run: its verdict, what decides it, and what to do."""
    word = str(document.get("verdict") or "not measured")
    return html.P(headline(document, units), className=f"reply {theme.verdict_class(word)}")


def quiet(*texts: Any) -> Component:
    """Text of second rank."""
    content = [clean(each) if isinstance(each, str) else each for each in texts]
    return html.P(content, className="quiet")


def plain_list(items: Iterable[Any], label: str = "", kind: str = "plain") -> Component:
    """A list; every text in it is text and nothing else."""
    named = aria(label=label) if label else {}
    return html.Ul(
        [html.Li(clean(each) if isinstance(each, str) else each) for each in items],
        className=kind,
        **named,
    )


def table(
    heads: Sequence[str], rows: Sequence[Sequence[Any]], caption: str, kind: str = ""
) -> Component:
    """A table whose first cell of each row names the row; a light part."""
    body = [
        html.Tr([html.Th(row[0], scope="row"), *(html.Td(cell) for cell in row[1:])])
        for row in rows
    ]
    made = html.Table(
        [
            html.Caption(caption, className="unseen"),
            html.Thead(html.Tr([html.Th(head, scope="col") for head in heads])),
            html.Tbody(body),
        ],
        className=kind,
    )
    return light(made)


def wide(content: Component, label: str) -> Component:
    """Something that may be wider than a phone: it scrolls by itself, by keyboard too."""
    return html.Div(content, className="wide", tabIndex=0, role="region", **aria(label=label))


def stacked(first: Any, second: str = "") -> Component:
    """A cell with a second, quieter line."""
    parts = [html.Div(first)]
    if second:
        parts.append(html.Div(clean(second), className="quiet small"))
    return html.Div(parts)


def faults(lines: Iterable[str], head: str) -> Component:
    """What is wrong, one line a fault, read out at once by a screen reader."""
    return html.Div(
        [html.H2(head), plain_list((str(line)[:600] for line in lines), kind="faults")],
        role="alert",
        className="warning",
    )


def first_run(place: str) -> list[Component]:
    """What a page says where there is no run at all: how the first one comes in."""
    return [
        html.P("There is no run here yet.", className="reply"),
        html.P(
            [
                "Add your first one: ",
                html.Code(f"lukewarm store add {clean(place)} RUN-FOLDER"),
                " keeps it; ",
                html.A("drop a log", href="/drop"),
                " only looks at it. To see how it works with sample runs: ",
                html.Code("lukewarm board sample_logs"),
                ".",
            ]
        ),
    ]


def section(title: str, *content: Any) -> Component:
    """A part of a page with its own question."""
    return html.Section([html.H2(title), *content])
