"""The report as one HTML file that needs nothing else."""

from __future__ import annotations

import base64
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Final

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup, escape

from dashboard.plots import theme
from dashboard.report.blocks import glued
from dashboard.report.pdf import SMALL, body_size

if TYPE_CHECKING:
    from jinja2 import Template

    from dashboard.report.blocks import Picture, Report

PAPER_CSS: Final = {"a4": "A4", "letter": "letter"}
FACE: Final = "Report Sans"


def report_html(report: Report) -> str:
    """The whole document as HTML text."""
    return _template().render(
        report=report,
        sizes=[body_size(page, report.paper) for page in report.pages],
        small=SMALL,
        paper=PAPER_CSS[report.paper],
        faces=_faces(),
        family=Markup(f'"{FACE}", {theme.FONT}'),  # noqa: S704 - text of our own
    )


@cache
def _template() -> Template:
    # autoescape for every name: what comes from a log or a set-up is text and nothing else
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, finalize=_plain
    )
    environment.filters["svg"] = svg
    environment.filters["kind"] = lambda block: type(block).__name__
    source = files("dashboard.report").joinpath("report.html").read_text(encoding="utf-8")
    return environment.from_string(source)


def _plain(value: object) -> object:
    return glued(value) if type(value) is str else value


@cache
def _faces() -> Markup:
    """The fonts as CSS, so that the pages break alike on every machine."""
    rules = []
    for name, weight in (("DejaVuSansCondensed", 400), ("DejaVuSansCondensed-Bold", 700)):
        data = files("dashboard.report").joinpath("fonts", f"{name}.ttf").read_bytes()
        text = base64.b64encode(data).decode("ascii")
        rules.append(
            f'@font-face{{font-family:"{FACE}";font-weight:{weight};'
            f"src:url(data:font/ttf;base64,{text}) format('truetype')}}"
        )
    return Markup("\n".join(rules))  # noqa: S704 - base64 of our own files


def svg(picture: Picture) -> Markup:
    """A picture as inline SVG."""
    parts = [
        Markup('<svg viewBox="0 0 {w:g} {h:g}" role="img" aria-label="{says}">').format(
            w=picture.width, h=picture.height, says=picture.says
        )
    ]
    for stroke in picture.strokes:
        points = " ".join(f"{x:g},{y:g}" for x, y in stroke.points)
        dash = " ".join(f"{each:g}" for each in stroke.dash) or "none"
        level = round(255 * stroke.gray)
        parts.append(
            Markup(
                '<polyline points="{points}" fill="none" stroke="rgb({level},{level},{level})" '
                'stroke-width="{width:g}" stroke-dasharray="{dash}" stroke-linejoin="round"/>'
            ).format(points=points, level=level, width=stroke.width, dash=dash)
        )
    for label in picture.labels:
        parts.append(  # noqa: PERF401 - one element a line reads better
            Markup(
                '<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" font-size="{size:g}" '
                'font-weight="{weight}">{text}</text>'
            ).format(
                x=label.x,
                y=label.y,
                anchor=label.anchor,
                size=label.size,
                weight=700 if label.bold else 400,
                text=escape(label.text),
            )
        )
    parts.append(Markup("</svg>"))
    return Markup("\n").join(parts)
