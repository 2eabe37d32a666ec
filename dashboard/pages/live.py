"""Live: what to do now, what the sensors say, and buttons for events, while a run is recorded."""

from __future__ import annotations

import json
from collections.abc import Mapping
from hashlib import blake2b
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboard.live.state import (
    LIVE_NAME,
    PICTURE_NAME,
    STALE_S,
    age_s,
    find_recording,
    post_event,
    post_key,
    read_state,
)
from dashboard.pages import Page
from dashboard.pages.views import live as live_view
from dashboard.web.light import as_light
from ingest.record.test_progress import AGAIN, BACK, COUNT, GO, NEXT, REDO

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.web.service import Board

PATH: Final = "/live"
TICK_MS: Final = 250
MAX_POINTS: Final = 1200
KEY: Final = "key"
"""Stands in a button's id in place of a control, for keys of the plan."""

FIRST_KEYS: Final = ((GO, "Done: I do it now"), (COUNT, "3 – 2 – 1 – now"))
"""Each key means one thing; the first ones are needed with gloves on."""

PLAN_KEYS: Final = (
    (NEXT, "Leave step out"),
    (AGAIN, "Step anew"),
    (BACK, "One step back"),
    (REDO, "Do left-out steps"),
    ("undo", "Take last note back"),
    ("dismiss", "Go on without bad sensors"),
)


NOTE_FIELD: Final = {
    "id": "live-note", "type": "text", "maxlength": "200", "class": "live-note",
    "autocomplete": "off",
}  # fmt: skip
"""What is being typed is the browser's alone, on a page that changes four times a second."""


def layout(board: Board, told: Mapping[str, str]) -> Component:
    """The page's frame; everything in it that changes has a place of its own."""
    del told
    if board.live is None:
        return live_view.nothing_yet()
    return html.Div(
        [
            dcc.Interval(id="live-tick", interval=TICK_MS),
            dcc.Store(id="live-seen", data={}),
            html.Div(live_view.nothing_yet(), id="live-now", className="live-now"),
            html.Div(
                [_button(key, label, "live-key live-first") for key, label in FIRST_KEYS],
                className="live-buttons",
            ),
            html.P(id="live-said", className="live-said", role="status"),
            html.Div(
                [
                    *(_button(key, label, "live-key") for key, label in PLAN_KEYS),
                    html.Button("Sound on", id="live-sound", className="button second live-key",
                                type="button"),
                ],
                className="live-buttons",
            ),
            html.Div(id="live-numbers"),
            html.Section([html.H2("Note an event"), html.Div(id="live-events"), _note_form()]),
            html.Div(id="live-legend"),
            dcc.Graph(
                id="live-picture",
                figure=live_view.picture((), [], [], board.units),
                config={"displayModeBar": False, "responsive": True},
                className="live-picture",
            ),
            html.Section([html.H2("Sensors"), html.Div(id="live-health")]),
            html.Section([html.H2("Figures so far"), html.Div(id="live-figures")]),
        ],
        className="live",
    )  # fmt: skip


def _note_form() -> Component:
    return html.Div(
        [
            html.Label("In your own words", htmlFor="live-note", className="live-heading"),
            dcc.Store(id="live-asked"),
            dcc.Store(id="live-noted"),
            as_light(["input", NOTE_FIELD]),
            html.Button("Note it", id="live-note-it", className="button second", type="button"),
        ],
        className="live-buttons",
    )


def _button(key: str, label: str, kind: str) -> Component:
    return live_view.button(KEY, key, label, kind)


def changes(place: Path | None, units: str, seen: Mapping[str, Any]) -> tuple[Any, ...]:
    """What of the page has changed since it was last asked.

    Parameters
    ----------
    place
        Run folder, or folder of recordings.
    units
        ``si`` or ``us``.
    seen
        What this function gave last as its last member.

    Returns
    -------
    tuple
        Children of now, numbers, events, sensors, figures and legend; figure and further points of
        the picture; what has been seen. `no_update` where nothing changed.
    """
    folder = find_recording(place)
    state = read_state(folder / LIVE_NAME) if folder else None
    if folder is None or state is None:
        if seen.get("none"):
            return (no_update,) * 9
        return live_view.nothing_yet(), "", "", "", "", "", no_update, no_update, {"none": True}
    age = age_s(folder / LIVE_NAME)
    silent = age if age > STALE_S else None
    built = {
        "now": live_view.now_part(state, silent, units),
        "numbers": live_view.numbers_part(state, units),
        "events": live_view.events_part(state),
        "health": live_view.health_part(state, units),
        "figures": live_view.figures_part(state, units),
        "legend": live_view.legend_part(state["points"]),
    }
    marks = {name: _mark(part) for name, part in built.items()}
    parts = [no_update if seen.get(name) == marks[name] else part for name, part in built.items()]
    figure, further, last = _picture(folder, state, units, seen)
    now_seen = {**marks, "run": folder.name, "last": last}
    return (*parts, figure, further, no_update if now_seen == dict(seen) else now_seen)


def _mark(part: Component) -> str:
    text = json.dumps(part, default=lambda each: each.to_plotly_json())
    return blake2b(text.encode(), digest_size=8).hexdigest()


def _picture(
    folder: Path, state: Mapping[str, Any], units: str, seen: Mapping[str, Any]
) -> tuple[Any, Any, float | None]:
    """The whole picture, or the points that came since; and the time of the newest point."""
    tail, points = state["tail"], state["points"]
    times = tail["time_s"]
    last = seen.get("last")
    if not times:
        return no_update, no_update, last
    if last is None or seen.get("run") != folder.name or not times[0] <= last <= times[-1]:
        whole = read_state(folder / PICTURE_NAME)
        if whole is None or not whole["time_s"]:
            return no_update, no_update, last
        x, y = live_view.columns_of(points, whole["time_s"], whole["values"], units)
        return live_view.picture(points, x, y, units), no_update, whole["time_s"][-1]
    new = [at for at, time in enumerate(times) if time > last]
    if not new:
        return no_update, no_update, last
    columns = [list(column) for column in zip(*(tail["rows"][at] for at in new), strict=True)]
    x, y = live_view.columns_of(points, [times[at] for at in new], columns, units)
    return no_update, ({"x": x, "y": y}, list(range(len(y))), MAX_POINTS), times[-1]


def act(place: Path | None, control: str, position: str) -> str:
    """Do what a button asks for; gives what is said of it."""
    folder = find_recording(place)
    if folder is None:
        return "No recording is to be seen here: nothing was noted."
    try:
        if control == KEY:
            post_key(folder, position)
            return ""
        return f"Noted: {post_event(folder, control, position)}"
    except ValueError as error:
        return f"Not noted: {error}"


def register(app: Dash, board: Board) -> None:
    """The page's callbacks."""

    @app.callback(
        Output("live-now", "children"),
        Output("live-numbers", "children"),
        Output("live-events", "children"),
        Output("live-health", "children"),
        Output("live-figures", "children"),
        Output("live-legend", "children"),
        Output("live-picture", "figure"),
        Output("live-picture", "extendData"),
        Output("live-seen", "data"),
        Input("live-tick", "n_intervals"),
        State("live-seen", "data"),
    )
    def look(_: int | None, seen: Mapping[str, Any] | None) -> tuple[Any, ...]:
        return changes(board.live, board.units, seen or {})

    @app.callback(
        Output("live-said", "children"),
        Input({"type": "live-do", "control": ALL, "position": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )
    def press(_: list[int | None]) -> Any:
        asked = ctx.triggered_id
        # Dash also calls this when buttons are made anew: nobody has pressed those
        if not asked or not ctx.triggered[0]["value"]:
            return no_update
        return act(board.live, str(asked["control"]), str(asked["position"]))

    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction("board", "note"),
        Output("live-asked", "data"),
        Input("live-note-it", "n_clicks"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("live-said", "children", allow_duplicate=True),
        Output("live-noted", "data"),
        Input("live-asked", "data"),
        prevent_initial_call=True,
    )
    def write(asked: dict[str, Any] | None) -> Any:
        text = asked.get("text") if isinstance(asked, dict) else None
        told = " ".join(text.split()) if isinstance(text, str) else ""
        if not told:
            return no_update, no_update
        return act(board.live, "note", told), asked

    # the field is emptied only when what stood there has been noted
    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction("board", "noted"),
        Output("live-noted", "modified_timestamp"),
        Input("live-noted", "data"),
        prevent_initial_call=True,
    )


PAGE: Final = Page(
    PATH,
    "Live",
    "What to do now, and what do the sensors say?",
    50,
    layout,
    register,
    style="live.css",
)
