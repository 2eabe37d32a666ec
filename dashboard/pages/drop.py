"""Drop a log: a log or a run folder's files from a visitor's machine, analyzed at once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update
from flask import g, request

from dashboard.pages import Page
from dashboard.web import address, parts
from dashboard.web.light import as_light
from dashboard.web.service import UPLOAD_ID
from dashboard.web.uploads import MAX_BYTES, MAX_FILES, Uploads, Visitor, decode
from ingest.errors import LukewarmError

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.web.service import Board

PATH: Final = "/drop"
TITLE: Final = "What does this log say?"


def first(board: Board, told: Mapping[str, str]) -> list[Component]:
    """What the page is for, before any script has run."""
    del told
    if board.uploads is None:
        return [html.H1(TITLE), html.P("Dropping logs is switched off on this board.")]
    return [
        html.H1(TITLE),
        html.P(
            "Drop a run folder's files together (run.toml, the log, the events), or a log alone: "
            "a set-up is then drafted for you to complete. A log may be text, a workbook, a "
            "Parquet, MDF4 or bus log, also packed in .gz or .zip.",
        ),
    ]


def layout(board: Board, told: Mapping[str, str]) -> Component:
    """The page."""
    if board.uploads is None:
        return html.Div(first(board, told))
    return html.Div(
        [
            dcc.Location(id="drop-go", refresh=True),
            dcc.Store(id="drop-token"),
            dcc.Store(id="drop-written"),
            *first(board, told),
            dcc.Upload(
                id="drop-files",
                multiple=True,
                max_size=MAX_BYTES,
                className="drop",
                className_active="drop over",
                className_reject="drop over",
                children=html.Div(
                    [
                        html.Strong("Drop the files here"),
                        " or ",
                        html.Button(
                            "choose them", id="drop-choose", className="button", type="button"
                        ),
                    ]
                ),
            ),
            parts.quiet(
                f"Up to {MAX_FILES} files, {MAX_BYTES // 2**20} MiB together. They are kept in "
                "a temporary folder for a while and then forgotten."
            ),
            html.Div(id="drop-said", **parts.aria(live="polite")),
            html.Div(
                [
                    html.H2("Is this set-up right?"),
                    html.Label("run.toml, drafted from the log", htmlFor="drop-setup"),
                    html.Div(id="drop-setup-place"),
                    html.P(
                        html.Button(
                            "Analyze with this set-up", id="drop-analyze", className="button"
                        )
                    ),
                ],
                id="drop-draft",
                hidden=True,
            ),
        ]
    )


def setup_field(draft: str) -> Component:
    """The drafted set-up, to be completed; what is written there is the browser's alone."""
    about = {"id": "drop-setup", "class": "setup", "spellcheck": "false"}
    return as_light(["textarea", about, draft])


def receive(
    uploads: Uploads, names: list[str], contents: list[str], visitor: Visitor | None = None
) -> tuple[str | None, str | None, Any]:
    """Take in dropped files: the token of what was analyzed, else a draft to complete.

    Returns
    -------
    tuple
        Token; the drafted set-up, None where the files have been analyzed; what to say.
    """
    token = None
    try:
        token = uploads.receive(decode(names, contents), visitor)
        draft = uploads.draft(token)
        if draft is not None:
            return token, draft, html.P("Fill in the vehicle, and check the lines marked #.")
        uploads.analyze(token)
    except LukewarmError as error:
        if token is not None:
            uploads.forget(token)
        return None, None, parts.faults(str(error).splitlines(), "These files cannot be used")
    return token, None, ""


def _visitor() -> Visitor:
    """Who sent the request that is being answered."""
    return Visitor(request.remote_addr or "", g.get("session", ""))


def register(app: Dash, board: Board) -> None:
    """Add the page's callbacks."""
    uploads = board.uploads
    if uploads is None:
        return

    @app.callback(
        Output("drop-token", "data"),
        Output("drop-setup-place", "children"),
        Output("drop-draft", "hidden"),
        Output("drop-said", "children"),
        Output("drop-go", "href"),
        Output("drop-files", "contents"),
        Input("drop-files", "contents"),
        State("drop-files", "filename"),
        prevent_initial_call=True,
    )
    def drop(contents: list[str] | None, names: list[str] | None) -> tuple[Any, ...]:
        if not contents or not names:
            return (no_update,) * 6
        token, draft, said = receive(uploads, names, contents, _visitor())
        there: Any = no_update
        if token and draft is None:
            there = address.link("/car", {"run": token})
        # emptied, so that the same files can be dropped again
        return token, setup_field(draft or ""), draft is None, said, there, None

    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction("board", "written"),
        Output("drop-written", "data"),
        Input("drop-analyze", "n_clicks"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("drop-said", "children", allow_duplicate=True),
        Output("drop-go", "href", allow_duplicate=True),
        Input("drop-written", "data"),
        State("drop-token", "data"),
        prevent_initial_call=True,
    )
    def analyze(written: dict[str, Any] | None, token: str | None) -> tuple[Any, Any]:
        setup = written.get("text") if isinstance(written, dict) else None
        if not isinstance(token, str) or not UPLOAD_ID.fullmatch(token):
            return no_update, no_update
        try:
            uploads.analyze(token, setup if isinstance(setup, str) else "")
        except LukewarmError as error:
            return parts.faults(str(error).splitlines(), "Not yet usable"), no_update
        return "", address.link("/car", {"run": token})


PAGE = Page(PATH, "Drop a log", TITLE, 40, layout, register, first=first)
