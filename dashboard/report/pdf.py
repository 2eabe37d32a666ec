"""The report as PDF with text that can be selected, made without a browser."""

from __future__ import annotations

import unicodedata
from functools import cache
from importlib.resources import as_file, files
from io import BytesIO
from typing import TYPE_CHECKING, Any, Final
from xml.sax.saxutils import escape

from reportlab.graphics.shapes import Drawing, PolyLine, String
from reportlab.lib.colors import Color, black
from reportlab.lib.enums import TA_LEFT
from reportlab.lib.pagesizes import A4, letter
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    Frame,
    HRFlowable,
    KeepInFrame,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from dashboard.report import blocks

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.report.blocks import Paper, Picture, Report, ReportPage

SANS, BOLD = "ReportSans", "ReportSans-Bold"
PAPERS: Final = {"a4": A4, "letter": letter}
MARGIN: Final = 14 * mm
FOOT: Final = 12 * mm
BODY_SIZES: Final = (10.5, 10.0, 9.5, 9.0, 8.6, 8.2, 7.8, 7.4, 7.0)
"""Sizes tried for running text, pt; small print is `SMALL` of it."""

SMALL: Final = 0.88
FILL: Final = 0.94
"""Share of the sheet that may be filled: the HTML, drawn by others, comes out nearly as high."""

UNBOUNDED: Final = 1e6
GRAY: Final = Color(0.2, 0.2, 0.2)
MISSING: Final = "□"
"""Stands for a character the font does not have."""


def report_pdf(report: Report) -> bytes:
    """The whole document as PDF."""
    _fonts()
    size = PAPERS[report.paper]
    buffer = BytesIO()
    canvas = Canvas(buffer, pagesize=size, pageCompression=1, lang="en-US", invariant=1)
    canvas.setTitle(printable(report.title))
    canvas.setCreator("lukewarm")
    for number, page in enumerate(report.pages, start=1):
        _draw_page(canvas, page, size, body=body_size(page, report.paper))
        canvas.setFont(SANS, 7.5)
        foot = f"{report.foot}, page {number} of {len(report.pages)}"
        canvas.drawString(MARGIN, 8 * mm, printable(foot))
        canvas.showPage()
    canvas.save()
    return buffer.getvalue()


@cache
def _fonts() -> None:
    """Register the report's font once."""
    for name, file in ((SANS, "DejaVuSansCondensed.ttf"), (BOLD, "DejaVuSansCondensed-Bold.ttf")):
        with as_file(files("dashboard.report").joinpath("fonts", file)) as path:
            pdfmetrics.registerFont(TTFont(name, str(path)))
    pdfmetrics.registerFontFamily(SANS, normal=SANS, bold=BOLD, italic=SANS, boldItalic=BOLD)


def printable(text: str) -> str:
    """Text with every character the font lacks made visible as a box."""
    _fonts()
    known = pdfmetrics.getFont(SANS).face.charToGlyph
    composed = unicodedata.normalize("NFC", text)
    return "".join(mark if ord(mark) in known else MISSING for mark in composed)


def markup(text: str) -> str:
    """Text as paragraphs take it: printable, and with no markup of its own."""
    return escape(printable(blocks.glued(text)))


def body_size(page: ReportPage, paper: Paper) -> float:
    """Size of running text, pt, at which a page's content fills its sheet but does not overflow."""
    fitting = (body for body in BODY_SIZES if filled(page, paper, body) <= FILL)
    return next(fitting, BODY_SIZES[-1])


def filled(page: ReportPage, paper: Paper, body: float) -> float:
    """Share of the sheet that a page's content takes at a size of running text."""
    _fonts()
    width, height = _room(PAPERS[paper])
    return _height(_flow(page, body, width), width) / height


def _room(size: tuple[float, float]) -> tuple[float, float]:
    return size[0] - 2 * MARGIN, size[1] - MARGIN - FOOT


def _height(flow: Sequence[Any], width: float) -> float:
    """Height of a column of flowables, pt."""
    scratch = Canvas(BytesIO())
    total = last = 0.0
    for each in flow:
        height = each.wrapOn(scratch, width, UNBOUNDED)[1]
        total += max(each.getSpaceBefore() - last, 0.0) + height
        last = each.getSpaceAfter()
        total += last
    return total


def _draw_page(canvas: Canvas, page: ReportPage, size: tuple[float, float], *, body: float) -> None:
    width, height = _room(size)
    frame = Frame(MARGIN, FOOT, width, height, 0, 0, 0, 0)
    # what is too long even in the smallest print is shrunk: never cut, never on another page
    frame.add(KeepInFrame(width, height, _flow(page, body, width), mode="shrink"), canvas)


def _flow(page: ReportPage, body: float, width: float) -> list[Any]:
    styles = _styles(body)
    flow: list[Any] = [
        Paragraph(markup(page.reader), styles["reader"]),
        Paragraph(markup(page.title), styles["title"]),
    ]
    for block in page.blocks:
        flow += _flowables(block, styles, width)
    return flow


def _styles(body: float) -> dict[str, ParagraphStyle]:
    plain = ParagraphStyle(
        "body",
        fontName=SANS,
        fontSize=body,
        leading=1.26 * body,
        spaceAfter=0.3 * body,
        alignment=TA_LEFT,
        splitLongWords=1,
    )

    def style(name: str, **changes: Any) -> ParagraphStyle:
        return ParagraphStyle(name, parent=plain, **changes)

    small = SMALL * body
    return {
        "body": plain,
        "lead": style("lead", fontName=BOLD, fontSize=1.25 * body, leading=1.6 * body),
        "bullet": style("bullet", leftIndent=10, bulletIndent=0, bulletFontName=SANS,
                        bulletFontSize=body),
        "quiet": style("quiet", fontSize=small, leading=1.22 * small, textColor=GRAY),
        "caution": style(
            "caution", fontName=BOLD, borderWidth=1, borderColor=black, borderPadding=(2, 4, 3, 4),
            leftIndent=5, rightIndent=5, spaceBefore=5, spaceAfter=7,
        ),
        "reader": style("reader", fontName=BOLD, spaceAfter=0),
        "title": style("title", fontName=BOLD, fontSize=1.6 * body, leading=2.0 * body),
        "heading": style("heading", fontName=BOLD, fontSize=1.06 * body, leading=1.3 * body,
                         spaceBefore=0.7 * body, spaceAfter=0),
        "cell": style("cell", spaceAfter=0),
        "dense": style("dense", fontSize=small, leading=1.22 * small, spaceAfter=0),
        "head": style("head", fontName=BOLD, fontSize=small, leading=1.22 * small, spaceAfter=0),
        "fact": style("fact", fontName=BOLD, spaceAfter=0),
    }  # fmt: skip


def _flowables(block: blocks.Block, styles: dict[str, ParagraphStyle], width: float) -> list[Any]:
    match block:
        case blocks.Heading():
            rule = HRFlowable("100%", 0.7, color=black, spaceBefore=1, spaceAfter=3)
            return [Paragraph(markup(block.text), styles["heading"]), rule]
        case blocks.Text():
            return [Paragraph(markup(block.text), styles[block.style])]
        case blocks.Bullets():
            return [
                Paragraph(markup(item), styles["bullet"], bulletText="•") for item in block.items
            ]
        case blocks.Table():
            more = [Paragraph(markup(block.more), styles["quiet"])] if block.more else []
            return [_table(block, styles, width), Spacer(1, 3), *more]
        case blocks.Blank():
            return [
                HRFlowable("100%", 0.7, color=black, spaceBefore=15, spaceAfter=1)
                for _ in range(block.lines)
            ]
        case blocks.Picture():
            return [drawing(block, width)]


def _table(block: blocks.Table, styles: dict[str, ParagraphStyle], width: float) -> Table:
    cell = styles["dense" if block.dense else "cell"]
    rows = [
        [
            Paragraph(markup(text), styles["fact"] if not block.head and not place % 2
                      and not block.dense else cell)
            for place, text in enumerate(row)
        ]
        for row in block.rows
    ]  # fmt: skip
    style = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 5),
        ("TOPPADDING", (0, 0), (-1, -1), 1),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.6),
        ("LINEBELOW", (0, 0), (-1, -1), 0.3, Color(0.6, 0.6, 0.6)),
    ]
    if block.head:
        rows.insert(0, [Paragraph(markup(text), styles["head"]) for text in block.head])
        style.append(("LINEBELOW", (0, 0), (-1, 0), 0.8, black))
    total = sum(block.shares)
    widths = [width * share / total for share in block.shares]
    return Table(rows, widths, repeatRows=0, style=TableStyle(style), hAlign="LEFT")


def drawing(picture: Picture, width: float) -> Drawing:
    """A picture as a drawing of that width."""
    scale = width / picture.width
    made = Drawing(picture.width, picture.height)
    for stroke in picture.strokes:
        points = [each for x, y in stroke.points for each in (x, picture.height - y)]
        made.add(
            PolyLine(
                points,
                strokeColor=Color(stroke.gray, stroke.gray, stroke.gray),
                strokeWidth=stroke.width,
                strokeDashArray=list(stroke.dash) or None,
                strokeLineJoin=1,
            )
        )
    for label in picture.labels:
        made.add(
            String(
                label.x,
                picture.height - label.y,
                printable(label.text),
                fontName=BOLD if label.bold else SANS,
                fontSize=label.size,
                textAnchor=label.anchor,
            )
        )
    made.width, made.height = width, picture.height * scale
    made.scale(scale, scale)
    return made
