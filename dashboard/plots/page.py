"""What every picture that is a page of its own stands in: one HTML file that needs nothing else."""

from __future__ import annotations

import gzip
import html
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

from dashboard.plots import theme

if TYPE_CHECKING:
    import plotly.graph_objects as go

BUNDLE: Final = Path(__file__).parent / "bundle"
"""Plotly with the traces and components used here, a fifth of the whole library, made once by
``build.mjs`` from its published sources and kept packed as it is sent."""

BESIDE_CSS: Final = """
.reply { font-size: 1.15rem; font-weight: 600; }
main { display: grid; grid-template-columns: minmax(0, 1fr) minmax(0, MARGIN); gap: 24px; }
.legend { columns: 12.5em; font-size: 0.92rem; }
.legend li { white-space: nowrap; }
@media (max-width: 1000px) { main { grid-template-columns: minmax(0, 1fr); } }
@media (max-width: 600px) { body { padding: 10px; } }
@media print { main { display: block; } .modebar { display: none; } }
""".strip()


def whole_page(title: str, body: str, *, margin: str, css: str) -> str:
    """A page as HTML: what is shown, and a margin beside it or, where that is narrow, below.

    Parameters
    ----------
    title
        In words; escaped here.
    body
        All that stands on it, as HTML: its `main` holds the picture and the margin.
    margin
        Width of the margin, in a unit of CSS.
    css
        What this page has of its own.
    """
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{html.escape(title)}</title>
<style>
{theme.PAGE_CSS}
{BESIDE_CSS.replace("MARGIN", margin)}
{css}
</style>
</head>
<body>
{body}
</body>
</html>
"""


@cache
def plotly_packed(packing: str) -> bytes:
    """The script that draws every plot here, packed: ``br`` or ``gz``."""
    return (BUNDLE / f"plotly-small.min.js.{packing}").read_bytes()


@cache
def plotly_script() -> str:
    """The script that draws every plot here."""
    return gzip.decompress(plotly_packed("gz")).decode("utf-8")


def plot_html(figure: go.Figure, name: str, height: int) -> str:
    """A plot with all it needs, as HTML.

    Parameters
    ----------
    figure
        The plot.
    name
        Of its element.
    height
        px.
    """
    text: str = figure.to_html(
        full_html=False,
        include_plotlyjs=False,
        div_id=name,
        default_height=f"{height}px",
        config={
            "displayModeBar": False,
            "displaylogo": False,
            "responsive": True,
            "plotlyServerURL": "",
        },
    )
    return f"<script>{plotly_script()}</script>\n{text}"
