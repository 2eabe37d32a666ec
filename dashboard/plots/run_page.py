"""The picture of one run as a page: does the heater work as it should.

The plots with the windows the figures were taken from marked, the figures in the margin. One HTML
file that needs nothing else and asks no other host for anything.
"""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from dashboard.plots import theme
from dashboard.plots.page import plot_html, whole_page
from dashboard.plots.run import LETTERS, MAX_POINTS, Window, run_plot
from dashboard.text.answer import below, headline
from dashboard.text.shown import clean, clock, figure_name, figure_text, limit_text, words
from ingest.files import write_text

if TYPE_CHECKING:
    from ingest.run import Run


class MarginRow(NamedTuple):
    """A line of the margin: a figure as text."""

    name: str
    value: str
    limits: str
    verdict: str


class PageHead(NamedTuple):
    """The question, what the whole run says to it, and what stands under the answer."""

    question: str
    reply: str
    verdict: str
    below: tuple[str, ...]


def write_run_picture(run: Run, document: Mapping[str, Any], path: Path, units: str) -> None:
    """Write the picture of a run and its result as one HTML file.

    Parameters
    ----------
    run
        The run as the figures saw it.
    document
        Its result, `schema` 1.
    path
        Where to.
    units
        ``si`` or ``us``.

    Raises
    ------
    UnusableRun
        Where it cannot be written.
    """
    windows = windows_of(document)
    rows = rows_of(document, units)
    page = run_page(run, windows, rows, answer_of(document, units), units)
    write_text(path, page)


def windows_of(document: Mapping[str, Any]) -> list[Window]:
    """The windows that the figures want marked, in time order."""
    from analysis.figures import all_figures

    figures = document.get("figures", {})
    if document.get("run", {}).get("purpose") == "bench":
        windows = {
            (float(each["window"][0]), float(each["window"][1]))
            for each in figures.values()
            if each.get("window")
        }
        return [Window(*each, "what was measured") for each in sorted(windows)]
    found = [
        Window(float(figure["window"][0]), float(figure["window"][1]), each.window)
        for each in all_figures()
        if each.window and (figure := figures.get(each.name)) and figure.get("window")
    ]
    return sorted(found)


def rows_of(document: Mapping[str, Any], units: str) -> list[MarginRow]:
    """Every figure as a line of the margin, the measured ones first."""
    rows = [
        MarginRow(
            figure_name(name),
            figure_text(figure, units) or "–",
            limit_text(figure, units),
            _verdict_of(figure),
        )
        for name, figure in document.get("figures", {}).items()
    ]
    return sorted(rows, key=lambda row: row.verdict == "not measured")


def _verdict_of(figure: Mapping[str, Any]) -> str:
    if figure.get("value") is None:
        return "not measured"
    return str(figure.get("verdict") or "") if figure.get("limit") else "no limit"


def answer_of(document: Mapping[str, Any], units: str) -> PageHead:
    """Does the heater work as it should? The verdict of the whole run in one sentence."""
    about = document.get("run", {})
    vehicle = clean(about.get("vehicle", "this car"))
    bench = about.get("purpose") == "bench"
    return PageHead(
        "What did the bench show?" if bench else f"Does the heater of {vehicle} work as it should?",
        headline(document, units),
        str(document.get("verdict") or "not measured"),
        tuple(below(document)),
    )


def run_page(
    run: Run, windows: Sequence[Window], rows: Sequence[MarginRow], answer: PageHead, units: str
) -> str:
    """The whole page as HTML.

    Parameters
    ----------
    run
        Readings and controls.
    windows
        Stretches to mark; lettered in this order.
    rows
        The margin.
    answer
        Title and reply.
    units
        ``si`` or ``us``.
    """
    picture = run_plot(run, windows, units, bench=run.setup.bench is not None)
    plot = plot_html(picture.figure, "run-picture", PLOT_PX)
    about = run.setup.run
    bench = run.setup.bench
    what = about.heater if bench is None else bench.part
    parts = (about.vehicle, about.family, what, about.purpose, run.name)
    subject = ", ".join(dict.fromkeys(clean(part) for part in parts if part))
    lines = "\n".join(f"<p>{html.escape(line)}</p>" for line in answer.below)
    note = ""
    if picture.thinned:
        note = f'<p class="quiet">Lines are thinned to {MAX_POINTS} points; extremes are kept.</p>'
    body = f"""<header>
<h1>{html.escape(answer.question)}</h1>
<p class="reply {theme.verdict_class(answer.verdict)}">{html.escape(answer.reply)}</p>
{lines}
<p class="quiet">{html.escape(subject)}</p>
</header>
<main>
<section class="plot" aria-label="Temperatures, lever, vacuum and speed over time">
{_legend(picture.legend)}
{plot}
{_key(windows)}
{note}
</section>
<aside>
{_margin(rows)}
</aside>
</main>"""
    return whole_page(answer.question, body, margin="29rem", css=PICTURE_CSS)


PLOT_PX: Final = 800
"""Height of the plots, px: four panels that can be read on a phone held upright."""

PICTURE_CSS: Final = """
ul.plain { list-style: none; margin: 4px 0 10px; padding: 0; }
.legend { column-gap: 8px; }
.legend li { overflow: hidden; text-overflow: ellipsis; }
.letter { display: inline-block; min-width: 1.5em; font-weight: 700; }
aside table { font-size: 0.94rem; table-layout: fixed; }
aside th:nth-child(1) { width: 35%; }
aside th:nth-child(2) { width: 37%; }
aside td:last-child, aside th:last-child { padding-right: 0; }
.limits { display: block; }
@media (max-width: 600px) { .legend { columns: 2; } }
""".strip()


def _judged(verdict: str) -> str:
    style = theme.verdict_style(verdict)
    text = html.escape(f"{style.sign} {style.word}".strip())
    return f'<strong class="{theme.verdict_class(verdict)}">{text}</strong>'


def _legend(points: Sequence[str]) -> str:
    items = "".join(
        f"<li>{theme.line_sample(point)} {html.escape(words(point))}</li>" for point in points
    )
    return f'<ul class="plain legend" aria-label="Lines">{items}</ul>'


def _key(windows: Sequence[Window]) -> str:
    items = "".join(
        f'<li><span class="letter">{letter}</span>{html.escape(clean(window.label))}, '
        f"{clock(window.from_s)} to {clock(window.to_s)}</li>"
        for letter, window in zip(LETTERS, windows, strict=False)
    )
    return f'<ul class="plain" aria-label="Marked windows">{items}</ul>' if items else ""


def _unbroken(value: str) -> str:
    """``46.2 ± 1.8`` stays together; a long unit may go to the next line."""
    numbers, mark, rest = value.partition("± ")
    spread, _, unit = rest.partition(" ")
    together = f"{numbers}{mark}{spread}" if mark else value
    return f'<span class="number">{html.escape(together)}</span> {html.escape(unit)}'.rstrip()


def _margin(rows: Sequence[MarginRow]) -> str:
    lines = []
    for row in rows:
        limits = (
            f'<span class="quiet limits">{html.escape(row.limits)}</span>' if row.limits else ""
        )
        lines.append(
            f'<tr><th scope="row">{html.escape(row.name)}</th>'
            f"<td>{_unbroken(row.value)}{limits}</td>"
            f"<td>{_judged(row.verdict)}</td></tr>"
        )
    return (
        "<h2>Figures</h2>\n<table>\n<thead><tr><th>Figure</th>"
        '<th>± U (k = 2) <span class="quiet limits">limits</span></th><th>Verdict</th></tr>'
        f"</thead>\n<tbody>\n{chr(10).join(lines)}\n</tbody>\n</table>"
    )
