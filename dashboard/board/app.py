"""The board: one application, its pages found through their registry."""

from __future__ import annotations

import base64
import hashlib
import html as text
import re
from collections.abc import Collection
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlsplit

from dash import Dash, dcc, html
from flask import Response, request

from dashboard.board.asked import refuse_malformed
from dashboard.board.compression import pack_answers
from dashboard.board.door import MAX_BYTES
from dashboard.board.login import Password, require_password
from dashboard.board.papers import register_papers
from dashboard.board.security import content_policy, protect
from dashboard.board.short import open_by_short_names
from dashboard.pages import Page, all_pages
from dashboard.plots import theme
from dashboard.plots.page import plotly_packed, plotly_script
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
            assets_ignore=r"\.css$",  # they stand in the page itself
            serve_locally=True,
            update_title="",
            title="lukewarm",
            compress=False,
            use_pages=False,
            enable_mcp=False,
            suppress_callback_exceptions=True,  # which parts a page has depends on its address
        )
        self._board_pages = pages
        self._board = board
        self._guarded = guarded
        self.renderer = START

    def interpolate_index(self, **parts: Any) -> str:  # type: ignore[override]
        """The document around the application."""
        here = next((page for page in self._board_pages if page.path == request.path), None)
        title = f"{here.question if here else 'There is no such page'} – lukewarm"
        scripts = SPARED.sub("", parts["scripts"]).replace("<script ", "<script defer ")
        return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{text.escape(title)}</title>
<link rel="icon" href="data:,">
<style>{theme.PAGE_CSS}
{_style(STYLE)}{_style(here.style) if here and here.style else ""}</style>
<script>{EARLY}</script>
{parts["config"]}
{parts["renderer"]}
{scripts}
{DRAWING if here and here.plots else ""}
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


@cache
def _style(name: str) -> str:
    return (ASSETS / name).read_text(encoding="utf-8")


PLOTLY: Final = "/_dash-component-suites/plotly/package_data/plotly.min.js"
"""Where Dash looks for the script that draws; it is answered with the small one."""

DRAWING: Final = f"""<script async fetchpriority="low" src="{PLOTLY}"></script>
<link rel="preload" as="script" href="/_dash-component-suites/dash/dcc/async-graph.js">"""
"""What plots need, which Dash would ask for when it meets the first: plotly runs as soon as it is
there, and comes after all else, as it is the largest."""

EARLY: Final = (Path(__file__).parent / "early.js").read_text(encoding="utf-8")
"""Runs before all other scripts."""

START: Final = 'document.addEventListener("DOMContentLoaded", () => new DashRenderer());'
"""Starts Dash when its scripts, which come while the page is already read, are there."""

STYLE: Final = "board.css"
"""Of all pages. Styles stand in the page itself: it is never seen without them."""

SPARED: Final = re.compile(
    r'<script src="[^"]*/(?:dash_table/bundle|deps/polyfill)[^"]*"></script>\n?'
)
"""Scripts of Dash that no page needs: its tables, and what browsers before 2020 lacked, but for one
small part in ``assets/before`` (regenerator-runtime of the npm registry, its comments left out)."""

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
    app.layout = lambda: page_at(request.args.get("at", ""), pages, board)
    for page in pages:
        page.register(app, board)
    server: Flask = app.server
    server.config["MAX_CONTENT_LENGTH"] = MAX_BYTES
    server.config["MAX_FORM_MEMORY_SIZE"] = 64 * 1024
    protect(server, content_policy([*app.csp_hashes(), script_hash(EARLY)]), hosts, secure=secure)
    if password is not None:
        require_password(server, password, secure=secure)
    refuse_malformed(app)
    open_by_short_names(server, board)
    _register_plotly(server)
    _register_export(server, board)
    register_papers(server, board)
    _say_what_is_missing(server, {page.path for page in pages}, board)
    pack_answers(server)
    return app


def page_at(there: str, pages: tuple[Page, ...], board: Board) -> Component:
    """A page as it opens, its results in it.

    Parameters
    ----------
    there
        Path and query of the address it opens at; empty for none.
    pages, board
        The pages, and what they show.
    """
    try:
        parted = urlsplit(there)
    except ValueError:
        parted = urlsplit("")
    search = f"?{parted.query}" if parted.query else ""
    for page in pages:
        if page.path == parted.path:
            return html.Div(_at(page.layout(board, address.read(search)), search), id="page")
    lost = [html.H1("There is no such page."), html.P(html.A("Look at the fleet", href="/"))]
    return html.Div(lost if there else [], id="page")


def _at(opened: Component, search: str) -> Component:
    """A page whose results are already those of its address: its callbacks need not be asked."""
    for part in opened._traverse():  # type: ignore[no-untyped-call]
        if isinstance(part, dcc.Location) and getattr(part, "refresh", True) is False:
            part.search = search  # type: ignore[attr-defined]
    return opened


def script_hash(script: str) -> str:
    """What allows an inline script in a content-security policy."""
    told = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    return f"'sha256-{told}'"


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
        sent: str | bytes = plotly_script()
        headers = {"Vary": "Accept-Encoding"}
        for coding, packing in (("br", "br"), ("gzip", "gz")):
            if request.accept_encodings[coding] > 0:
                sent, headers["Content-Encoding"] = plotly_packed(packing), coding
                break
        return Response(sent, mimetype="text/javascript", headers=headers)


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
