"""A car's page opened by what a list prints: the first digits of a run's id, or the run's name."""

from __future__ import annotations

import html
import re
from typing import TYPE_CHECKING, Final

import polars as pl
from flask import Response, redirect, request

from dashboard.board.papers import plain_page
from dashboard.pages.car import PATH
from dashboard.pages.views.car_shown import run_label
from dashboard.web import address
from dashboard.web.service import RUN_ID, UPLOAD_ID

if TYPE_CHECKING:
    from flask import Flask
    from werkzeug.wrappers import Response as AnyResponse

    from dashboard.web.service import Board

DIGITS: Final = re.compile(r"[0-9a-fA-F]{4,63}")
"""What may be the beginning of an id; fewer digits fit too many runs to mean one."""
MAX_OFFERED: Final = 50
LISTED_DIGITS: Final = 12
"""Of an id, as `store list` prints them."""


def open_by_short_names(server: Flask, board: Board) -> None:
    """Lead a car's address with part of an id, or with a name, to the run that is meant.

    One run: its full address, all else in the query kept. Several: a page to choose from. None: the
    car's page says that there is no such run.
    """

    @server.before_request
    def lead() -> AnyResponse | None:
        if request.path != PATH or request.method not in ("GET", "HEAD"):
            return None
        told = address.read(request.query_string.decode("ascii", "replace"))
        asked = told.get("run", "").strip()
        if not asked or RUN_ID.fullmatch(asked) or UPLOAD_ID.fullmatch(asked):
            return None
        meant = runs_meant(board.source.runs(), asked)
        if meant.is_empty():
            return None
        if meant.height == 1:
            return redirect(address.link(PATH, {**told, "run": meant["id"][0]}))
        return Response(_choice(meant, told), 300, mimetype="text/html")


def runs_meant(runs: pl.DataFrame, asked: str) -> pl.DataFrame:
    """Runs whose id begins with what was asked for, or else those of that name."""
    if DIGITS.fullmatch(asked):
        begun = runs.filter(pl.col("id").str.starts_with(asked.lower()))
        if not begun.is_empty():
            return begun
    return runs.filter(pl.col("name") == asked)


def _choice(meant: pl.DataFrame, told: dict[str, str]) -> str:
    lines = []
    for row in meant.head(MAX_OFFERED).iter_rows(named=True):
        there = html.escape(address.link(PATH, {**told, "run": row["id"]}))
        label = html.escape(f"{row['id'][:LISTED_DIGITS]}: {run_label(row)}")
        lines.append(f'<li><a href="{there}">{label}</a></li>')
    if meant.height > MAX_OFFERED:
        lines.append(f"<li>and {meant.height - MAX_OFFERED} more: find yours in the fleet</li>")
    asked = html.escape(told["run"])
    return plain_page(
        "Which run is meant?",
        f'<p>{meant.height} runs are called "{asked}":</p><ul>{"".join(lines)}</ul>'
        '<p><a href="/">Look at the fleet</a></p>',
    )
