"""The board: one application, its pages found through their registry."""

from __future__ import annotations

import html as text
import re
from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from dash import Dash, Input, Output, State, dcc, html
from flask import Response, request

from dashboard.board.asked import refuse_malformed
from dashboard.board.compression import pack_answers
from dashboard.board.door import MAX_BYTES
from dashboard.board.login import Password, require_password
from dashboard.board.papers import register_papers
from dashboard.board.security import content_policy, protect
from dashboard.pages import Page, all_pages
from dashboard.plots import theme
from dashboard.plots.page import plotly_script
from dashboard.text.shown import clean
from dashboard.web import address
from dashboard.web.light import markup
from ingest.errors import LukewarmError

if TYPE_CHECKING:
    from dash.development.base_component import Component
    from flask import Flask

    from dashboard.web.service import Board

ASSETS: Final = Path(__file__).parent / "assets"


class BoardApp(Dash):
    """Dash with a page around it that has a title, landmarks and navigation before any script runs.

    Parameters
    ----------
    pages
        The pages.
    board
        What they show.
    guarded
        Whether visitors log in, and so can log out.
    """

    def __init__(self, pages: tuple[Page, ...], board: Board, *, guarded: bool) -> None:
        super().__init__(
            __name__,
            assets_folder=str(ASSETS),
            serve_locally=True,
            update_title="",
            title="lukewarm",
            compress=False,
            use_pages=False,
            enable_mcp=False,
        )
        self._board_pages = pages
        self._board = board
        self._guarded = guarded

    def interpolate_index(self, **parts: Any) -> str:  # type: ignore[override]
        """The document around the application."""
        here = next((page for page in self._board_pages if page.path == request.path), None)
        title = f"{here.question if here else 'There is no such page'} – lukewarm"
        scripts = SPARED.sub("", parts["scripts"])
        return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{text.escape(title)}</title>
<link rel="icon" href="data:,">
<style>{theme.PAGE_CSS}</style>
{PRELOAD if here and here.plots else ""}
{parts["css"]}
</head>
<body>
<a class="skip" href="#content">Skip to the page</a>
<header class="head">
<span class="brand">lukewarm</span>
<nav aria-label="Pages"><ul>{self._links(here)}</ul></nav>
<span class="subject">{text.escape(clean(self._board.source.title))}</span>
{LOG_OUT if self._guarded else ""}
</header>
<main id="content" tabindex="-1">
<noscript><p>This board needs JavaScript; the command line does not.</p></noscript>
{self._first(here)}
{parts["app_entry"]}
</main>
{parts["config"]}
{scripts}
{parts["renderer"]}
</body>
</html>
"""

    def _first(self, here: Page | None) -> str:
        """The page's answer as it stands before the scripts are there."""
        if here is None or here.first is None:
            return ""
        told = address.read(request.query_string.decode("ascii", "replace"))
        said = "".join(markup(each) for each in here.first(self._board, told))
        return f'<div id="first">{said}</div>'

    def _links(self, here: Page | None) -> str:
        return "".join(
            f'<li><a href="{page.path}"{CURRENT if page is here else ""}>{page.name}</a></li>'
            for page in self._board_pages
        )


PLOTLY: Final = "/_dash-component-suites/plotly/package_data/plotly.min.js"
"""Where Dash looks for the script that draws; it is answered with the small one."""

PRELOAD: Final = f'<link rel="preload" as="script" href="{PLOTLY}">'

SPARED: Final = re.compile(
    r'<script src="[^"]*/(?:dash_table/bundle|deps/polyfill)[^"]*"></script>\n?'
)
"""Scripts of Dash that no page needs: its tables, and what browsers before 2020 lacked, but for one
small part in ``assets/before`` (regenerator-runtime of the npm registry, as it came)."""

ANY_ADDRESS: Final = "/<path:path>"
"""What Dash calls the route of every address that is none of its own."""

CURRENT: Final = ' aria-current="page"'
LOG_OUT: Final = (
    '<form method="post" action="/logout"><button class="button second">Log out</button></form>'
)


def create_app(
    board: Board, *, password: Password | None = None, secure: bool = False,
    hosts: Collection[str] | None = (), pages: tuple[Page, ...] | None = None,
) -> Dash:  # fmt: skip
    """The application, ready to be served.

    Parameters
    ----------
    board
        What the pages show.
    password
        What visitors must know; None for nothing.
    secure
        Whether it will be served over TLS.
    hosts
        Names it may be called by, besides this machine's own; None for any.
    pages
        Its pages; every page there is where None.
    """
    pages = all_pages() if pages is None else pages
    app = BoardApp(pages, board, guarded=password is not None)
    app.layout = frame()
    every = html.Div([frame(), *(page.layout(board, {}) for page in pages)])
    app.validation_layout = every  # type: ignore[assignment]
    _register_router(app, pages, board)
    for page in pages:
        page.register(app, board)
    app.config.suppress_callback_exceptions = True  # the parts of a page come with its results
    server: Flask = app.server
    server.config["MAX_CONTENT_LENGTH"] = MAX_BYTES
    server.config["MAX_FORM_MEMORY_SIZE"] = 64 * 1024
    protect(server, content_policy(app.csp_hashes()), hosts, secure=secure)
    if password is not None:
        require_password(server, password, secure=secure)
    refuse_malformed(app)
    _register_plotly(server)
    _register_export(server, board)
    register_papers(server, board)
    _say_what_is_missing(server, {page.path for page in pages}, board)
    pack_answers(server)
    return app


def frame() -> Component:
    """What every page stands in."""
    return html.Div([dcc.Location(id="address", refresh=False), html.Div(id="page")])


def _register_router(app: Dash, pages: tuple[Page, ...], board: Board) -> None:
    @app.callback(
        Output("page", "children"), Input("address", "pathname"), State("address", "search")
    )
    def open_page(path: str, search: str) -> Component:
        for page in pages:
            if page.path == path:
                return page.layout(board, address.read(search))
        return html.Div(
            [html.H1("There is no such page."), html.P(html.A("Look at the fleet", href="/"))]
        )


def _say_what_is_missing(server: Flask, known: Collection[str], board: Board) -> None:
    """Let a page or a run there is not carry the status that says so.

    The same frame answers any address.
    """

    def missing() -> bool:
        if request.path not in known:
            return True
        run = request.args.get("run", "")
        return request.path == "/car" and bool(run) and board.document(run) is None

    @server.after_request
    def not_found(answer: Response) -> Response:
        # what `protect` or the log-in has answered reveals nothing of which pages there are
        if request.endpoint == ANY_ADDRESS and answer.status_code == 200 and missing():
            answer.status_code = 404
        return answer

    @server.route("/favicon.ico")
    def no_icon() -> Response:
        # every page names an empty one; without this Dash would answer with a page
        return Response(status=204)


def _register_plotly(server: Flask) -> None:
    @server.route(PLOTLY)
    def plotly() -> Response:
        return Response(plotly_script(), mimetype="text/javascript")


def _register_export(server: Flask, board: Board) -> None:
    @server.route("/fleet.csv")
    def fleet_csv() -> Response:
        from dashboard.pages.fleet import choice_of, state_of, wanted_figures
        from dashboard.pages.views.fleet import chosen
        from ingest.export.tables import harmless

        choice = choice_of(
            state_of(address.read(request.query_string.decode("ascii", "replace")), board)
        )
        frame = chosen(board.source.runs(), wanted_figures(board, choice), choice)
        told = harmless(frame).write_csv(
            quote_style="non_numeric", datetime_format="%Y-%m-%dT%H:%M:%SZ"
        )
        return Response(
            told,
            mimetype="text/csv",
            headers={"Content-Disposition": f'attachment; filename="fleet-{choice.figure}.csv"'},
        )

    @server.errorhandler(LukewarmError)
    def unusable(error: LukewarmError) -> Response:
        return Response(str(error), 422, mimetype="text/plain")
