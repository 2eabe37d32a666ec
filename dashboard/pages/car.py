"""One car: does its heater work as it should, how does it stand, what to check next."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from dash import ClientsideFunction, Dash, Input, Output, Patch, State, dcc, html, no_update

from dashboard.pages import Page
from dashboard.pages.views.car import answer, below, picture_note
from dashboard.pages.views.car import first as first_content
from dashboard.pages.views.car_shown import MAX_CHOICE, Shown, car_options, in_order
from dashboard.plots.car import lines, zoom_of
from dashboard.web import address, parts

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.web.service import Board

PATH: Final = "/car"
TITLE: Final = "Does the heater work as it should?"


def state_of(told: Mapping[str, str], board: Board) -> dict[str, str]:
    """The page's state from an address."""
    return {
        "run": told.get("run", ""),
        "before": told.get("before", ""),
        "beside": told.get("beside", ""),
        "units": address.one_of(told.get("units"), parts.UNITS, board.units),
        "from": told.get("from", ""),
        "to": told.get("to", ""),
    }


def search_of(state: Mapping[str, str], board: Board) -> str:
    """The address for a state."""
    usual = state_of({}, board)
    return address.write({key: value for key, value in state.items() if value != usual[key]})


def layout(board: Board, told: Mapping[str, str]) -> Component:
    """The page."""
    state = with_run(state_of(told, board), board)
    if not state["run"]:
        return html.Div([html.H1(TITLE), *parts.first_run(board.source.title)])
    shown = Shown.of(board, state)
    return html.Div(
        [
            dcc.Location(id="car-address", refresh=False),
            dcc.Store(id="car-zoomed"),
            html.Div(answer(shown), id="car-answer", **parts.aria(live="polite")),
            parts.form(
                "car-form",
                parts.select(
                    "run",
                    "Run",
                    car_options(board, state["run"]),
                    state["run"],
                    resets="before beside from to",
                    wide="broad",
                ),
                *search_box(board),
                parts.units(state["units"], board.units),
            ),
            html.Div(below(shown), id="car-content"),
        ]
    )


def search_box(board: Board) -> list[Component]:
    """Where there are too many runs to list, a way to find one: on the fleet's page."""
    if board.source.runs().height <= MAX_CHOICE:
        return []
    return [html.Div(html.A("Find another car", href="/"), className="control")]


def with_run(state: dict[str, str], board: Board) -> dict[str, str]:
    """The state with a run in it: the first of the list where the address names none."""
    if not state["run"]:
        state["run"] = next(iter(in_order(board.source.runs())["id"].to_list()), "")
    return state


def zoom(board: Board, state: Mapping[str, str], from_s: float | None, to_s: float | None) -> Patch:
    """The picture's lines for a stretch, read anew so that real extremes show."""
    patch = Patch()
    readings = board.readings(state["run"])
    for place, line in enumerate(lines(readings, state["units"], from_s, to_s) if readings else ()):
        patch["data"][place]["x"] = line.x
        patch["data"][place]["y"] = line.y
    if from_s is None or to_s is None:
        patch["layout"]["xaxis"]["autorange"] = True
    else:
        patch["layout"]["xaxis"]["range"] = [from_s / 60.0, to_s / 60.0]
        patch["layout"]["xaxis"]["autorange"] = False
    return patch


def register(app: Dash, board: Board) -> None:
    """Add the page's callbacks."""

    @app.callback(
        Output("car-answer", "children"),
        Output("car-content", "children"),
        Input("car-address", "search"),
        prevent_initial_call=True,
    )
    def show(search: str) -> tuple[list[Any], list[Any]]:
        shown = Shown.of(board, with_run(state_of(address.read(search), board), board))
        return answer(shown), below(shown)

    @app.callback(
        Output("car-picture", "figure"),
        Output("car-picture-note", "children"),
        Output("car-zoomed", "data"),
        Input("car-picture", "relayoutData"),
        State("car-address", "search"),
        prevent_initial_call=True,
    )
    def look(relayout: dict[str, Any] | None, search: str) -> tuple[Any, ...]:
        asked = zoom_of(relayout)
        if asked is None:
            return no_update, no_update, no_update
        state = with_run(state_of(address.read(search), board), board)
        readings = board.readings(state["run"])
        note = picture_note(readings, *asked) if readings else ""
        return zoom(board, state, *asked), note, zoomed(state, asked, board)

    # the address follows a zoom without a new entry in the browser's history
    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction("board", "rewrite"),
        Output("car-zoomed", "modified_timestamp"),
        Input("car-zoomed", "data"),
        prevent_initial_call=True,
    )


def zoomed(
    state: Mapping[str, str], stretch: tuple[float | None, float | None], board: Board
) -> dict[str, str]:
    """What the browser needs to put a zoom into the address: minutes, and the query."""
    first, last = ("" if at is None else f"{at / 60.0:.4g}" for at in stretch)
    return {
        "from": first,
        "to": last,
        "search": search_of({**state, "from": first, "to": last}, board),
    }


def first(board: Board, told: Mapping[str, str]) -> list[Component]:
    """The answer, before any script has run."""
    state = with_run(state_of(told, board), board)
    return first_content(board.document(state["run"]), state["units"])


PAGE = Page(PATH, "One car", TITLE, 10, layout, register, plots=True, first=first)
