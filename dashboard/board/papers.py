"""What a page hands out or takes in beside its callbacks: reports, readings, results, checks."""

from __future__ import annotations

import html
import io
import json
import re
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Final

from flask import Response, redirect, request

from dashboard.plots import theme
from dashboard.web import address
from dashboard.web.parts import UNITS
from ingest.errors import LukewarmError

if TYPE_CHECKING:
    from flask import Flask
    from werkzeug.wrappers import Response as AnyResponse

    from dashboard.web.service import Board

REPORTS: Final = {"pdf": "application/pdf", "html": "text/html"}
READINGS: Final = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}
MISSING: Final = "There is no such run here."


def register_papers(server: Flask, board: Board) -> None:
    """Add the routes."""

    @server.route("/report")
    def report() -> Response:
        return report_of(board, _asked())

    @server.route("/readings")
    def readings() -> Response:
        return readings_of(board, _asked())

    @server.route("/result")
    def result() -> Response:
        told = _asked()
        document = board.document(told.get("run", ""))
        if document is None:
            return Response(MISSING, 404, mimetype="text/plain")
        text = json.dumps(document, ensure_ascii=False, indent=1) + "\n"
        return _file(text, "application/json", document, "result", "json")

    @server.route("/limits.toml")
    def limits() -> Response:
        from analysis.tune.limits_file import limits_text
        from dashboard.pages.tuning import limits_file

        found = limits_file(board, _asked())
        if found is None:
            return Response("Nothing can be tried here.", 404, mimetype="text/plain")
        headers = {"Content-Disposition": 'attachment; filename="limits.toml"'}
        return Response(limits_text(found), mimetype="application/toml", headers=headers)

    @server.route("/checked", methods=["POST"])
    def checked() -> AnyResponse:
        told = {key: value for key, value in request.form.items() if len(value) <= 500}
        kept = {key: told.get(key, "") for key in ("run", "before", "units")}
        there = address.link("/car", kept)
        try:
            found = {"yes": True, "no": False}.get(told.get("found", ""))
            if found is None:
                return Response("Say whether it found something.", 400, mimetype="text/plain")
            board.note(kept["run"], told.get("check", ""), told.get("remark", ""), found=found)
        except LukewarmError as error:
            page = said_page("That could not be noted", str(error).splitlines(), there)
            return Response(page, 422, mimetype="text/html")
        return redirect(there, 303)


def _asked() -> dict[str, str]:
    return address.read(request.query_string.decode("ascii", "replace"))


def report_of(board: Board, told: Mapping[str, str]) -> Response:
    """The report on a run, or on the repair between two, as a file."""
    from dashboard.report.content import build_report
    from dashboard.report.html import report_html
    from dashboard.report.pdf import report_pdf
    from dashboard.report.subject import Papers, subject_of

    run, before = told.get("run", ""), told.get("before", "")
    document = board.document(run)
    now, earlier = board.analysis(run), board.analysis(before) if before else None
    if document is None or now is None or (before and earlier is None):
        return Response(MISSING, 404, mimetype="text/plain")
    papers = Papers(*(told.get(key, "") for key in ("order", "odometer", "technician")))
    subject = subject_of(
        [each for each in (earlier, now) if each is not None],
        [line for each in (before, run) if each for line in board.sheet(each)],
        [told.get("done", "")],
        board.source.judging()["baseline"],
        address.one_of(told.get("units"), UNITS, board.units),
        papers,
    )
    made = build_report(subject)
    kind = address.one_of(told.get("format"), REPORTS, "pdf")
    makers: dict[str, Callable[[], Any]] = {
        "pdf": lambda: report_pdf(made),
        "html": lambda: report_html(made),
    }
    return _file(makers[kind](), REPORTS[kind], document, "report", kind)


def readings_of(board: Board, told: Mapping[str, str]) -> Response:
    """A run's readings in physical units with the controls joined, as a file."""
    from ingest.export.tables import harmless

    run = told.get("run", "")
    document, readings = board.document(run), board.readings(run)
    if document is None or readings is None:
        return Response(MISSING, 404, mimetype="text/plain")
    kind = address.one_of(told.get("format"), READINGS, "csv")
    data = io.BytesIO()
    if kind == "csv":
        harmless(readings.frame).write_csv(data)
    else:
        readings.frame.write_parquet(data)
    return _file(data.getvalue(), READINGS[kind], document, "readings", kind)


def _file(
    data: str | bytes, kind: str, document: Mapping[str, Any], what: str, ending: str
) -> Response:
    """An answer that a browser saves under a name which says what it is."""
    about = document["run"]
    told = "-".join(str(about.get(key) or "") for key in ("vehicle", "purpose"))
    name = re.sub(r"[^A-Za-z0-9_]+", "-", f"{told}-{what}").strip("-")[:80]
    headers = {"Content-Disposition": f'attachment; filename="{name}.{ending}"'}
    return Response(data, mimetype=kind, headers=headers)


def said_page(title: str, lines: list[str], back: str) -> str:
    """A page that says why something was not done, and leads back."""
    told = "".join(f"<li>{html.escape(line[:600])}</li>" for line in lines[:30])
    return plain_page(
        title,
        f'<ul class="faults">{told}</ul>\n<p><a href="{html.escape(back)}">Back to the car</a></p>',
    )


def plain_page(title: str, body: str) -> str:
    """A page without scripts around some markup; the title is text."""
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{html.escape(title)} – lukewarm</title>
<style>{theme.PAGE_CSS}</style>
<link rel="icon" href="data:,">
<link rel="stylesheet" href="/assets/board.css">
</head>
<body>
<main class="narrow">
<h1>{html.escape(title)}</h1>
{body}
</main>
</body>
</html>
"""
